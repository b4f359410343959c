package plans

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"proveout/plans/document"
	"proveout/plans/quantity"
)

// Limits of a memory that is described by its chips: what the search for failing
// chips, in lists of addresses and in pictures, can take on. They keep sizes
// within 64 bits and the search within its memory, and no card comes near them.
const (
	MaxChipWords  = 1 << 34
	MaxBusBits    = 1024
	MaxBanks      = 16
	MaxColumnBits = 20
)

// IsChipWidth reports whether chips with so many data lines are known.
func IsChipWidth(bits int) bool { return slices.Contains([]int{4, 8, 16, 32}, bits) }

// withoutChips is what to do about a memory beyond the limits.
const withoutChips = "leave chip, bus and banks out"

// A MemoryPool is one memory of a card: most have one, add-on 3D boards have a
// frame and a texture memory.
type MemoryPool struct {
	Name     string // "frame", "texture"; empty when there is only one
	Total    quantity.Quantity
	Reserved *quantity.Quantity // what a tool may show less, as a matter of display
	Words    int64              // addressable words of one chip: 1Mi×16 has 1 048 576
	ChipBits int                // data lines of one chip
	BusBits  int                // width of the memory bus
	Banks    [][]string         // in address order; designators of each bank in lane order
	Columns  int                // low word-address bits that select the column of a chip; 0 when not known
	Source   string             // of these facts
}

// memoryKeys are the keys of one memory; seen holds the designators met so far
// in all memories of the card, with their lines.
func memoryKeys(m *MemoryPool, seen map[string]int) []key {
	return []key{
		{Name: "name", To: document.Label(&m.Name), Absent: "none, when there is only one", What: "frame or texture"},
		{Name: "total", To: exactly(&m.Total, quantity.Bytes), Needed: `"16 MiB"`, What: "all of it"},
		{Name: "reserved", To: exactly(&m.Reserved, quantity.Bytes),
			What: "what a tool may show less, as a matter of display"},
		{Name: "chip", To: document.Own("words x bits", m.readChip, nil), What: `of one chip: "1Mi x 16"`},
		{Name: "bus", To: document.Own("bits", m.readBus, nil), What: `width of the memory bus: "128 bit"`},
		{Name: "column_bits", To: document.Whole(&m.Columns, 1, MaxColumnBits),
			What: "low word-address bits of a chip that select its column, when known"},
		{Name: "banks", To: document.Own("list of text", bankReader{m, seen}.read, nil), Filled: `write ["U1 U2 U3 U4"]`,
			What: `designators of each bank in lane order: ["U1 U2 U3 U4"]`},
		{Name: "source", To: document.Text(&m.Source), What: "where the facts come from"},
	}
}

func (m *MemoryPool) readChip(s *section, key string, v *document.Value) {
	if !s.Is(key, v, document.String) {
		return
	}
	var err error
	if m.Words, m.ChipBits, err = ParseChip(v.Text); err != nil {
		s.Add(v.At, key, err.Error(), `write words x bits of one chip, such as "1Mi x 16", or `+withoutChips)
	}
}

func (m *MemoryPool) readBus(s *section, key string, v *document.Value) {
	var q *quantity.Quantity
	exactly(&q, quantity.Bits).Read(s, key, v)
	if q == nil {
		return
	}
	m.BusBits = int(q.Value)
	switch {
	case q.Value > MaxBusBits:
		what := fmt.Sprintf("%s is wider than %d bits, the most that is judged chip by chip",
			document.Quoted(q.Text), MaxBusBits)
		s.Add(v.At, key, what, "put the width right, or "+withoutChips)
	case q.Value != float64(m.BusBits) || m.BusBits%8 != 0:
		s.Add(v.At, key, document.Quoted(q.Text)+" is no width of a memory bus", `write a multiple of 8, such as "128 bit"`)
	}
}

// ParseChip reads the organisation of a chip: "1Mi x 16" is 1 048 576 words of
// 16 bits. K and M are 2^10 and 2^20 here, as the trade prints them (common
// practice, no source).
func ParseChip(text string) (words int64, bits int, err error) {
	bad := fmt.Errorf("%s is no organisation of a chip", document.Quoted(text))
	left, right, ok := strings.Cut(strings.ReplaceAll(text, "×", "x"), "x")
	if !ok {
		return 0, 0, bad
	}
	left = strings.TrimSpace(left)
	shift := 0
	for _, p := range [...]struct {
		suffix string
		shift  int
	}{{"Ki", 10}, {"K", 10}, {"k", 10}, {"Mi", 20}, {"M", 20}, {"Gi", 30}, {"G", 30}} {
		if cut, found := strings.CutSuffix(left, p.suffix); found {
			left, shift = strings.TrimSpace(cut), p.shift
			break
		}
	}
	n, err1 := strconv.ParseInt(left, 10, 64)
	b, err2 := strconv.Atoi(strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(right), "bit")))
	switch {
	case err1 != nil || err2 != nil || n <= 0:
		return 0, 0, bad
	case n > MaxChipWords>>shift:
		return 0, 0, fmt.Errorf("%s: chips of up to 16Gi words can be judged", document.Quoted(text))
	case !IsChipWidth(b):
		return 0, 0, fmt.Errorf("%s: chips of 4, 8, 16 and 32 bits can be judged", document.Quoted(text))
	}
	return n << shift, b, nil
}

// A bankReader reads the designators of a memory: each bank is a text of words,
// or a list.
type bankReader struct {
	pool *MemoryPool
	seen map[string]int
}

func (b bankReader) read(s *section, key string, v *document.Value) {
	for i, item := range s.Items(key, v) {
		if i == MaxBanks {
			what := fmt.Sprintf("there are more than %d banks, the most that are judged chip by chip", MaxBanks)
			s.Add(item.At, key, what, "put the banks right, or "+withoutChips)
			return
		}
		if len(item.Text) > 8192 || len(item.Items) > 1000 {
			s.Add(item.At, key, "more chips than a bank can have", "name each chip of the bank once")
			continue
		}
		if item.Type != document.Array && !s.Is(key, item, document.String) {
			continue
		}
		b.pool.Banks = append(b.pool.Banks, nil)
		b.words(s, key, item)
		for _, chip := range item.Items {
			if name := strings.TrimSpace(chip.Text); chip.Type == document.String && name != "" {
				b.take(s, key, name, chip.At)
				continue
			}
			s.Add(chip.At, key, "expected a designator in quotes, found "+chip.Type.String(), `write "U1"`)
		}
		if len(b.pool.Banks[len(b.pool.Banks)-1]) == 0 {
			s.Add(item.At, key, "the bank is empty", `write "U1 U2 U3 U4"`)
		}
	}
}

// words takes the designators of a text, each with its place.
func (b bankReader) words(s *section, key string, v *document.Value) {
	column := 0
	for rest := v.Text; rest != ""; {
		end := strings.IndexAny(rest, " ,\t\n")
		if end < 0 {
			end = len(rest)
		}
		width := len([]rune(rest[:end]))
		if width > 0 {
			b.take(s, key, rest[:end], v.TextAt(column, width))
		}
		column += width + 1
		rest = rest[min(end+1, len(rest)):]
	}
}

func (b bankReader) take(s *section, key, name string, at document.Span) {
	if line := b.seen[name]; line > 0 {
		what := "chip " + document.Quoted(name) + " stands twice; first on line " + strconv.Itoa(line)
		s.Add(at, key, what, "every designator is one chip")
		return
	}
	b.seen[name] = s.Line(at)
	last := len(b.pool.Banks) - 1
	b.pool.Banks[last] = append(b.pool.Banks[last], name)
}

// checkMemory holds the parts of a memory against each other.
func checkMemory(s *section, m *MemoryPool) {
	if s.Has("chip") || s.Has("bus") || s.Has("banks") {
		s.Missing("chip", `"1Mi x 16": words x bits of one chip`)
		s.Missing("bus", `"128 bit"`)
		s.Missing("banks", `["U1 U2 U3 U4"]`)
	}
	switch q := m.Total; {
	case q.Value > 1<<40:
		s.Problem("total", document.Quoted(q.Text)+" is more than a card has", `write it like "16 MiB"`)
	case q.Value != float64(int64(q.Value)):
		s.Problem("total", document.Quoted(q.Text)+" is no whole number of bytes", `write it like "16 MiB"`)
	}
	if !s.Sound() {
		return
	}
	if m.Reserved != nil && m.Reserved.Value >= m.Total.Value {
		what := document.Quoted(m.Reserved.Text) + " is not less than the whole memory, " + m.Total.Text
		s.Problem("reserved", what, "")
	}
	if m.ChipBits > 0 && m.BusBits > 0 && len(m.Banks) > 0 && checkBanks(s, m) {
		checkTotal(s, m)
	}
}

// checkBanks reports whether every bank fills the bus.
func checkBanks(s *section, m *MemoryPool) bool {
	if m.BusBits%m.ChipBits != 0 {
		what := fmt.Sprintf("a bus of %d bits is not a multiple of the %d data lines of a chip", m.BusBits, m.ChipBits)
		s.Problem("bus", what, "")
		return false
	}
	lanes := m.BusBits / m.ChipBits
	for i, bank := range m.Banks {
		if len(bank) != lanes {
			what := fmt.Sprintf("bank %d has %d chips, and a bus of %d bits takes %d chips of %d bits",
				i+1, len(bank), m.BusBits, lanes, m.ChipBits)
			s.Problem("banks", what, "name every chip of the bank, or put bus or chip right")
			return false
		}
	}
	return true
}

// checkTotal holds what the chips add up to against what is stated.
func checkTotal(s *section, m *MemoryPool) {
	chips := len(m.Banks) * len(m.Banks[0])
	total := float64(m.Words) * float64(m.ChipBits) / 8 * float64(chips)
	if total == m.Total.Value {
		return
	}
	unit, _ := quantity.LookUp(quantity.Bytes, m.Total.Unit)
	if total < unit.Scale() {
		unit = quantity.Choose(quantity.Bytes, total)
	}
	is := unit.Format(total, 0)
	s.Problem("total", fmt.Sprintf("%d chips of %s are %s, not %s", chips, m.chipText(), is, m.Total.String()),
		`write total = "`+is+`", or put chip or banks right`)
}

// chipText prints the organisation of a chip: 1Mi×16.
func (m *MemoryPool) chipText() string {
	words := strconv.FormatInt(m.Words, 10)
	for i, prefix := range []string{"Gi", "Mi", "Ki"} {
		scale := int64(1) << (30 - 10*i)
		if m.Words%scale == 0 {
			words = strconv.FormatInt(m.Words/scale, 10) + prefix
			break
		}
	}
	return words + "×" + strconv.Itoa(m.ChipBits)
}

// words says what a summary tells of a memory.
func (m *MemoryPool) words() string {
	text := m.Total.String()
	if banks := len(m.Banks); banks > 0 {
		text += fmt.Sprintf(", %d chips of %s on %d bit", banks*len(m.Banks[0]), m.chipText(), m.BusBits)
		if banks > 1 {
			text += ", " + strconv.Itoa(banks) + " banks"
		}
	}
	return text
}
