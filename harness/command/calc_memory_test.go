package command_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"proveout/harness/command"
)

// A chipset is a memory of real arrays of cells, bank by bank and chip by chip:
// the generator of the lists below writes it and reads it back as a memory test
// does. It shares nothing with the program but the convention of the lanes:
// byte 0 of a beat on the lowest lines of chip 0, banks one behind the other.
type chipset struct {
	words, bits, bus, banks int
	cells                   [][]uint32 // bank-major, one array a chip
	trouble                 []defect
	random                  *rand.Rand
}

// A defect is one fault of one chip, or of a whole bank when chip is -1.
type defect struct {
	kind       string
	bank, chip int
	line, two  int // data lines, or the address line
	high       bool
	word       map[int]int // of isolated cells: word to line
}

func (d defect) String() string {
	return fmt.Sprintf("%s bank %d chip %d line %d/%d high %v", d.kind, d.bank, d.chip, d.line, d.two, d.high)
}

func (c *chipset) chips() int { return c.bus / c.bits }

func (c *chipset) word(bank, chip, word int) int {
	for _, d := range c.trouble {
		if d.kind == "address-line" && d.bank == bank && (d.chip == chip || d.chip < 0) {
			word &^= 1 << d.line
			if d.high {
				word |= 1 << d.line
			}
		}
	}
	return word
}

func (c *chipset) write(bank, chip, word int, v uint32) {
	c.cells[bank*c.chips()+chip][c.word(bank, chip, word)] = v
}

func (c *chipset) read(bank, chip, word int) uint32 {
	v := c.cells[bank*c.chips()+chip][c.word(bank, chip, word)]
	for _, d := range c.trouble {
		if d.bank != bank || d.chip != chip && d.chip >= 0 {
			continue
		}
		a, b := v>>d.line&1, v>>d.two&1
		put := func(line int, bit uint32) { v = v&^(1<<line) | bit<<line }
		switch d.kind {
		case "line-stuck-0":
			put(d.line, 0)
		case "line-stuck-1":
			put(d.line, 1)
		case "line-open":
			put(d.line, c.random.Uint32()&1)
		case "lines-shorted":
			s := a & b
			if d.high {
				s = a | b
			}
			put(d.line, s)
			put(d.two, s)
		case "lines-swapped": // on the way out alone: the test writes through a good path
			put(d.line, b)
			put(d.two, a)
		case "chip-dead", "bank-lost":
			v = c.random.Uint32() & (1<<c.bits - 1)
		case "chip-weak":
			for l := range c.bits {
				if c.random.IntN(200) == 0 {
					v ^= 1 << l
				}
			}
		case "isolated-cells":
			if l, bad := d.word[word]; bad {
				put(l, 0)
			}
		}
	}
	return v
}

// list runs passes over the memory, a few thousand accesses each, and returns
// failing rows of 32-bit values, most at most.
func (c *chipset) list(most int) string {
	per := 32 / c.bits
	var rows []string
	for pass := 0; len(rows) < most && pass < 400; pass++ {
		// Words of one pass: a spread over the whole memory, and its address
		// neighbours, so that decoder faults meet.
		var words []int
		for range 64 {
			w := c.random.IntN(c.words)
			words = append(words, w)
			for l := 1; l < c.words; l <<= 1 {
				words = append(words, w^l)
			}
		}
		for _, d := range c.trouble {
			for w := range d.word {
				words = append(words, w)
			}
		}
		slices.Sort(words)
		words = slices.Compact(words)
		for bank := range c.banks {
			value := map[int]uint32{}
			for _, w := range words {
				for chip := range c.chips() {
					v := c.random.Uint32() & (1<<c.bits - 1)
					value[w*64+chip] = v
					c.write(bank, chip, w, v)
				}
			}
			for _, w := range words {
				for first := 0; first < c.chips(); first += per {
					var written, read uint32
					for k := range per {
						written |= value[w*64+first+k] << (k * c.bits)
						read |= c.read(bank, first+k, w) << (k * c.bits)
					}
					if written != read {
						address := bank*c.words*c.bus/8 + w*c.bus/8 + first*c.bits/8
						rows = append(rows, fmt.Sprintf("%08Xh;%08Xh;%08Xh", address, written, read))
					}
				}
			}
		}
	}
	c.random.Shuffle(len(rows), func(i, k int) { rows[i], rows[k] = rows[k], rows[i] })
	rows = rows[:min(most, len(rows))]
	slices.Sort(rows) // by address, as a test lists them
	return "failing address;written;read\n" + strings.Join(rows, "\n") + "\n"
}

// sweep writes all of the memory, reads it in order, and lists the first failing
// rows, as a test does that stops listing after so many.
func (c *chipset) sweep(most int) string {
	per := 32 / c.bits
	var rows []string
	for pass := 0; len(rows) < most && pass < 8; pass++ {
		value := make([]uint32, c.banks*c.words*c.chips())
		at := func(bank, word, chip int) *uint32 { return &value[(bank*c.words+word)*c.chips()+chip] }
		for bank := range c.banks {
			for w := range c.words {
				for chip := range c.chips() {
					*at(bank, w, chip) = c.random.Uint32() & (1<<c.bits - 1)
					c.write(bank, chip, w, *at(bank, w, chip))
				}
			}
		}
		for bank := range c.banks {
			for w := 0; w < c.words && len(rows) < most; w++ {
				for first := 0; first < c.chips(); first += per {
					var written, read uint32
					for k := range per {
						written |= *at(bank, w, first+k) << (k * c.bits)
						read |= c.read(bank, first+k, w) << (k * c.bits)
					}
					if written != read {
						address := bank*c.words*c.bus/8 + w*c.bus/8 + first*c.bits/8
						rows = append(rows, fmt.Sprintf("%08Xh;%08Xh;%08Xh", address, written, read))
					}
				}
			}
		}
	}
	return "failing address;written;read\n" + strings.Join(rows[:min(most, len(rows))], "\n") + "\n"
}

func newChipset(seed uint64, words, bits, bus, banks int) *chipset {
	c := &chipset{words: words, bits: bits, bus: bus, banks: banks, random: rand.New(rand.NewPCG(seed, 20261124))}
	for range banks * c.chips() {
		c.cells = append(c.cells, make([]uint32, words))
	}
	return c
}

var defectKinds = []string{
	"line-stuck-0", "line-stuck-1", "line-open", "lines-shorted", "lines-swapped",
	"chip-dead", "chip-weak", "address-line", "bank-lost", "isolated-cells",
}

func (c *chipset) defect(kind string) defect {
	r := c.random
	d := defect{kind: kind, bank: r.IntN(c.banks), chip: r.IntN(c.chips()), line: r.IntN(c.bits), high: r.IntN(2) == 0}
	d.two = (d.line + 1 + r.IntN(c.bits-1)) % c.bits
	switch kind {
	case "bank-lost":
		d.chip = -1
	case "address-line":
		lines := 0
		for 1<<lines < c.words {
			lines++
		}
		d.line = r.IntN(lines)
	case "isolated-cells":
		d.word = map[int]int{}
		for range 3 {
			d.word[r.IntN(c.words)] = r.IntN(c.bits)
		}
	}
	return d
}

// A fault as calc memory-faults --json tells it.
type foundFault struct {
	Kind        string `json:"kind"`
	Chip        int    `json:"chip"`
	Bank        int    `json:"bank"`
	Lines       []int  `json:"lines"`
	AddressLine int    `json:"address_line"`
}

func (d defect) is(f foundFault) bool {
	if f.Kind != d.kind || f.Chip != d.chip || f.Bank != d.bank {
		return false
	}
	switch d.kind {
	case "line-stuck-0", "line-stuck-1", "line-open":
		return slices.Equal(f.Lines, []int{d.line})
	case "lines-shorted", "lines-swapped":
		return slices.Equal(f.Lines, []int{min(d.line, d.two), max(d.line, d.two)})
	case "address-line":
		return f.AddressLine == d.line
	}
	return true
}

func memoryFaults(t *testing.T, c *chipset, list string) (rows int64, found []foundFault) {
	t.Helper()
	var out, diag bytes.Buffer
	k := &command.Console{
		In: strings.NewReader(list), Out: &out, Diag: &diag,
		Getenv: func(string) string { return "" }, Now: time.Now,
	}
	code := k.Run(context.Background(), []string{"proveout", "calc", "memory-faults", "-", "--json",
		"--chip", fmt.Sprintf("%dx%d", c.words, c.bits), "--bus", fmt.Sprint(c.bus), "--banks", fmt.Sprint(c.banks)})
	var a struct {
		Rows     int64        `json:"rows"`
		Outside  int64        `json:"outside"`
		Findings []foundFault `json:"findings"`
	}
	if err := json.Unmarshal(out.Bytes(), &a); err != nil || code != 1 || a.Outside != 0 {
		t.Fatalf("exit %d, %v: %s%s", code, err, out.String(), diag.String())
	}
	return a.Rows, a.Findings
}

// TestHeldOutFailureLists: lists of an independent simulator, read through the
// command, name chip, line and kind in at least 95 % of single faults from 200
// failing rows on and in all of them from 5000 on; double faults on two chips
// are both named in at least 80 %.
func TestHeldOutFailureLists(t *testing.T) {
	oneAtATime(t)
	t.Parallel()
	tries := sampled(1, 3)
	shapes := [][4]int{{1 << 16, 16, 64, 2}, {1 << 15, 8, 32, 1}, {1 << 16, 16, 128, 1}, {1 << 15, 32, 64, 2}}
	shapes = shapes[:sampled(1, len(shapes))]
	for _, rows := range []int{200, 5000} {
		good, all := 0, 0
		for i, s := range shapes {
			for k, kind := range defectKinds {
				for n := range tries {
					if s[3] == 1 && kind == "bank-lost" {
						continue // the only bank: nothing to tell it from
					}
					for m, list := range []func(*chipset, int) string{(*chipset).list, (*chipset).sweep} {
						c := newChipset(uint64(rows+1000*i+100*k+n), s[0], s[1], s[2], s[3])
						d := c.defect(kind)
						if m == 1 && kind == "address-line" && 1<<d.line > rows/2 {
							continue // a sweep cut off before the line changes reads like a dead chip
						}
						c.trouble = []defect{d}
						_, found := memoryFaults(t, c, list(c, rows))
						all++
						if len(found) > 0 && d.is(found[0]) {
							good++
						} else {
							t.Logf("%d rows, %v: %v: %+v", rows, s, d, found)
						}
					}
				}
			}
		}
		t.Logf("%d rows: %d of %d single faults named", rows, good, all)
		if share := float64(good) / float64(all); share < 0.95 || rows >= 5000 && good < all {
			t.Errorf("%d rows: %d of %d single faults named", rows, good, all)
		}
	}
	good, all := 0, 0
	for i, s := range shapes {
		for k, one := range defectKinds {
			for m, two := range defectKinds {
				if one == "bank-lost" || two == "bank-lost" || tries == 1 && (k+m)%5 > 0 {
					continue
				}
				c := newChipset(uint64(77_000+1000*i+30*k+m), s[0], s[1], s[2], s[3])
				a, b := c.defect(one), c.defect(two)
				for b.chip == a.chip {
					b.chip = c.random.IntN(c.chips())
				}
				c.trouble = []defect{a, b}
				_, found := memoryFaults(t, c, c.list(2000))
				named := func(d defect) bool {
					return slices.ContainsFunc(found, func(f foundFault) bool {
						return f.Chip == d.chip && f.Bank == d.bank && f.Kind == d.kind
					})
				}
				all++
				if named(a) && named(b) {
					good++
				} else {
					t.Logf("%v and %v: %+v", a, b, found)
				}
			}
		}
	}
	t.Logf("%d of %d double faults both named", good, all)
	if float64(good) < 0.8*float64(all) {
		t.Errorf("%d of %d double faults both named", good, all)
	}
}

// failureList writes a list of one open data line on a 16 MiB board.
func failureList(w *bufio.Writer, rows int) {
	const digits = "0123456789abcdef"
	hex := func(b []byte, v uint64) []byte {
		b = append(b, "0x"...)
		for s := 28; s >= 0; s -= 4 {
			b = append(b, digits[v>>uint(s)&15])
		}
		return b
	}
	w.WriteString("address,written,read\n")
	x := uint64(88172645463325252)
	var b []byte
	for range rows {
		x ^= x << 13
		x ^= x >> 7
		x ^= x << 17
		b = append(hex(b[:0], x>>8&0xfffff0), ',')
		b = append(hex(b, x>>32), ',')
		b = append(hex(b, x>>32^32), '\n')
		w.Write(b)
	}
}

func writeFailureList(t testing.TB, rows int) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "failures.csv")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	w := bufio.NewWriterSize(f, 1<<20)
	failureList(w, rows)
	if err := errors.Join(w.Flush(), f.Close()); err != nil {
		t.Fatal(err)
	}
	return path
}

// diagnose runs the program on a list of failing rows and returns the most
// memory that it had.
func diagnose(t testing.TB, program, list string, rows int64) (peak int64) {
	t.Helper()
	c := exec.Command(program, "calc", "memory-faults", list, "--chip", "1Mix16", "--bus", "128", "--json")
	out, err := c.Output()
	var a struct {
		Rows     int64        `json:"rows"`
		Findings []foundFault `json:"findings"`
	}
	if c.ProcessState.ExitCode() != 1 || json.Unmarshal(out, &a) != nil || a.Rows != rows || len(a.Findings) == 0 {
		t.Fatalf("%v %s", err, out)
	}
	return peakOf(c.ProcessState)
}

// TestTenMillionFailures: ten million failing rows take 64 MiB, from the start
// of the program to its findings.
func TestTenMillionFailures(t *testing.T) {
	if !allChecks() {
		t.Skip("ten million failing rows are read when PROVEOUT_ALL_CHECKS=1")
	}
	// Not beside others: what a process had counts what its parent had when it
	// was started (getrusage(2), Linux), so this test wants a small parent.
	const rows = 10_000_000
	peak := diagnose(t, buildProgram(t), writeFailureList(t, rows), rows)
	t.Logf("peak %.1f MiB", float64(peak)/(1<<20))
	if peak > 64<<20 {
		t.Errorf("peak %d bytes, want at most 64 MiB", peak)
	}
}
