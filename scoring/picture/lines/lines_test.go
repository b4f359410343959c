package lines

import (
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"testing"

	"proveout/scoring/memory"
	"proveout/scoring/picture/align"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/simulate"
)

func bank(first, n int) memory.Bank {
	var b memory.Bank
	for i := range n {
		b.Designators = append(b.Designators, fmt.Sprintf("U%d", first+i))
	}
	return b
}

// organisations of the kinds that cards have: 16-, 32-, 8- and 4-bit chips.
func organisations() []memory.Organisation {
	return []memory.Organisation{
		{Words: 1 << 20, ChipBits: 16, BusBits: 64, Banks: []memory.Bank{bank(1, 4), bank(5, 4)}},
		{Words: 512 << 10, ChipBits: 32, BusBits: 128, Banks: []memory.Bank{bank(11, 4)}},
		{Words: 512 << 10, ChipBits: 8, BusBits: 64, Banks: []memory.Bank{bank(1, 8)}},
		{Words: 256 << 10, ChipBits: 16, BusBits: 32, Banks: []memory.Bank{bank(1, 2)}},
		{Words: 1 << 20, ChipBits: 4, BusBits: 32, Banks: []memory.Bank{bank(1, 8)}},
		{Words: 12 << 10, ChipBits: 16, BusBits: 64, Banks: []memory.Bank{bank(1, 4), bank(5, 4), bank(9, 4)}},
	}
}

// A trial is one simulated capture.
type trial struct {
	mode   pattern.Mode
	org    memory.Organisation
	fault  simulate.Fault
	device simulate.Device
	seed   uint64
}

func (tr trial) run(t testing.TB) *Report {
	f, err := pattern.Pattern{Mode: tr.mode, Kind: pattern.Random, Variant: 1}.Render()
	if err != nil {
		t.Fatal(err)
	}
	var faults []simulate.Fault
	if tr.fault.Kind != "" {
		faults = append(faults, tr.fault)
	}
	screen, err := simulate.Card(f, tr.org, 0, faults, tr.seed)
	if err != nil {
		t.Fatal(err)
	}
	c, err := simulate.Capture(screen, tr.device, tr.seed)
	if err != nil {
		t.Fatal(err)
	}
	scale := tr.device.Scale
	if scale == 0 {
		scale = 1
	}
	g := align.Resample(
		c,
		align.Fit{ScaleX: scale, ScaleY: scale, ShiftX: tr.device.ShiftX, ShiftY: tr.device.ShiftY},
		tr.mode.Width,
		tr.mode.Height,
	)
	r, err := Analyse(Written{Buffer{Mode: tr.mode, Org: tr.org}, f.Codes, f.Bytes()}, g, [3]bool{}, Everything)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// visible lists the lines of a chip that the mode shows.
func visible(l *lanes, bank, chip int) (out []int) {
	for line := range l.Org.ChipBits {
		if len(l.slots(bank, chip, line)) > 0 {
			out = append(out, line)
		}
	}
	return out
}

// draw picks a fault that the picture can show.
func draw(rng *rand.Rand, kind memory.Kind, mode pattern.Mode, org memory.Organisation) (simulate.Fault, bool) {
	l, err := newLanes(Buffer{Mode: mode, Org: org})
	if err != nil {
		return simulate.Fault{}, false
	}
	banks := int((mode.Bytes()-1)/org.BankBytes()) + 1
	f := simulate.Fault{
		Kind:    kind,
		Bank:    rng.IntN(banks),
		Chip:    rng.IntN(org.ChipsPerBank()),
		Rate:    0.002 + 0.03*rng.Float64(),
		Wired:   simulate.Wired(rng.IntN(2)),
		Amount:  rng.IntN(2),
		Channel: rng.IntN(3),
	}
	if f.Bank == banks-1 && mode.Bytes()-int64(f.Bank)*org.BankBytes() < mode.Bytes()/5 {
		f.Bank = 0
	}
	lines := visible(l, f.Bank, f.Chip)
	if len(lines) < 2 {
		return f, false
	}
	k := rng.IntN(len(lines))
	f.Line, f.Line2 = lines[k], lines[(k+1+rng.IntN(len(lines)-1))%len(lines)]
	switch kind {
	case memory.BankLost:
		if banks < 2 {
			return f, false
		}
	case memory.AddressLine:
		f.AddressLine = rng.IntN(8)
		if rng.IntN(2) == 0 {
			f.Chip = -1
		}
	case simulate.ConverterBit:
		bits := mode.Format.Fields()[f.Channel].Bits
		f.Bit = 8 - bits + rng.IntN(bits)
		// With one lane class, or the channel on one chip, it looks like a line.
		places := map[memory.Place]bool{}
		for class := range l.phases {
			places[l.wires[class][f.Channel][f.Bit-8+bits]] = true
		}
		if len(places) < 2 {
			return f, false
		}
	}
	return f, true
}

// named reports whether a report names the fault: kind, chip and lines.
func named(r *Report, f simulate.Fault) bool {
	for _, g := range r.Findings {
		if g.Kind != f.Kind {
			continue
		}
		switch f.Kind {
		case memory.LineStuck0, memory.LineStuck1, memory.LineOpen:
			if g.Bank == f.Bank && g.Chip == f.Chip && slices.Equal(g.Lines, []int{f.Line}) {
				return true
			}
		case memory.LinesShorted, memory.LinesSwapped:
			if g.Bank == f.Bank && g.Chip == f.Chip &&
				slices.Equal(g.Lines, []int{min(f.Line, f.Line2), max(f.Line, f.Line2)}) {
				return true
			}
		case memory.ChipDead, memory.ChipWeak:
			if g.Bank == f.Bank && g.Chip == f.Chip {
				return true
			}
		case memory.AddressLine:
			if g.Bank == f.Bank && g.Chip == f.Chip && g.AddressLine == f.AddressLine {
				return true
			}
		case memory.BankLost:
			if g.Bank == f.Bank {
				return true
			}
		case simulate.ConverterBit:
			return true
		}
	}
	return false
}

var kinds = []memory.Kind{
	memory.LineStuck0,
	memory.LineStuck1,
	memory.LineOpen,
	memory.LinesShorted,
	memory.LinesSwapped,
	memory.ChipDead,
	memory.ChipWeak,
	memory.AddressLine,
	memory.BankLost,
	simulate.ConverterBit,
}

// sweep simulates n faults and counts those named.
func sweep(t *testing.T, n int, modes []pattern.Mode, device func(*rand.Rand) simulate.Device) (share float64) {
	rng := rand.New(rand.NewPCG(7, 11))
	orgs := organisations()
	ok := map[memory.Kind]int{}
	all := map[memory.Kind]int{}
	hit, total := 0, 0
	for i := 0; total < n && i < 20*n; i++ {
		tr := trial{mode: modes[rng.IntN(len(modes))], org: orgs[rng.IntN(len(orgs))], seed: rng.Uint64()}
		kind := kinds[total%len(kinds)]
		if kind == memory.BankLost { // banks that the picture needs three of
			tr.org = orgs[len(orgs)-1]
			tr.org.Words = tr.mode.Bytes() * 2 / 5 / tr.org.BeatBytes()
		}
		if tr.mode.Bytes() > tr.org.Bytes() {
			continue
		}
		f, can := draw(rng, kind, tr.mode, tr.org)
		if !can {
			continue
		}
		tr.fault, tr.device = f, device(rng)
		r := tr.run(t)
		total++
		all[kind]++
		if named(r, f) {
			ok[kind]++
			hit++
			continue
		}
		t.Logf(
			"missed %s %+v\n on %d/%d-bit %d banks %v, device %+v\n gain %.2f offset %.1f noise %.2f taps %.2f\n found %+v",
			kind,
			f,
			tr.org.ChipBits,
			tr.org.BusBits,
			len(tr.org.Banks),
			tr.mode,
			tr.device,
			r.Transfer.Gain,
			r.Transfer.Offset,
			r.Transfer.Noise,
			r.Transfer.Taps,
			r.Findings,
		)
	}
	for _, k := range kinds {
		t.Logf("%-14s %d of %d", k, ok[k], all[k])
	}
	if total < n {
		t.Errorf("only %d of %d faults could be drawn", total, n)
	}
	return float64(hit) / float64(total)
}

func smallModes() []pattern.Mode {
	var out []pattern.Mode
	for _, f := range pattern.Formats() {
		out = append(out, pattern.Mode{Width: 320, Height: 240, Format: f})
	}
	return out
}

func count(normal, full int) int {
	if os.Getenv("PROVEOUT_ALL_CHECKS") == "1" {
		return full
	}
	return normal
}

func TestDigitalFaultsAreNamed(t *testing.T) {
	dump := func(*rand.Rand) simulate.Device { return simulate.Device{} }
	if got := sweep(t, count(8, 200), smallModes(), dump); got < 1 {
		t.Errorf("%.1f %% named, want all", 100*got)
	}
}

// analogue draws a capture device of the kind that shops have.
func analogue(rng *rand.Rand) simulate.Device {
	d := simulate.Device{
		Noise:  8 * rng.Float64(),
		Scale:  1,
		ShiftX: float64(rng.IntN(25) - 12),
		ShiftY: float64(rng.IntN(25) - 12),
		Blur:   0.7 * rng.Float64(),
	}
	for ch := range 3 {
		d.Gain[ch] = 0.85 + 0.3*rng.Float64()
		d.Offset[ch] = -12 + 24*rng.Float64()
	}
	if rng.IntN(2) == 0 {
		d.Scale = 1 + rng.Float64()
	}
	return d
}

func TestAnalogueFaultsAreNamed(t *testing.T) {
	modes := smallModes()
	if os.Getenv("PROVEOUT_ALL_CHECKS") == "1" {
		for i := range modes {
			modes[i].Width, modes[i].Height = 480, 360
		}
	}
	if got := sweep(t, count(8, 100), modes, analogue); got < 0.95 {
		t.Errorf("%.1f %% named, want 95 %%", 100*got)
	}
}

func TestCleanCapturesAreClean(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	orgs := organisations()
	alarms, judged, n := 0, 0, count(6, 500)
	for i := range n {
		tr := trial{
			mode:   smallModes()[rng.IntN(5)],
			org:    orgs[rng.IntN(len(orgs))],
			seed:   rng.Uint64(),
			device: analogue(rng),
		}
		for tr.mode.Bytes() > tr.org.Bytes() { // a memory that the picture does not fit into
			tr.mode = smallModes()[rng.IntN(5)]
		}
		if i%3 == 0 {
			tr.device.Noise = 0
		}
		r := tr.run(t)
		bad := len(r.Findings)
		for _, l := range r.Lines {
			switch l.State {
			case Bad:
				bad++
			case Good:
				judged++
			}
		}
		if bad > 0 {
			alarms++
			t.Logf(
				"alarm on %v of %d-bit chips on %d bits, %+v: %+v",
				tr.mode,
				tr.org.ChipBits,
				tr.org.BusBits,
				tr.device,
				r.Findings,
			)
		}
	}
	t.Logf("%d alarms on %d clean captures, %.1f lines judged good on each", alarms, n, float64(judged)/float64(n))
	if alarms*500 > n { // well under the promised 1 in 200
		t.Errorf("%d alarms on %d clean captures", alarms, n)
	}
	if judged < 20*n {
		t.Error("hardly any line is judged")
	}
}

// A bus of five, seven or ten chips has lane classes that a step of an odd number
// of pixels may pass by; an address line of every chip is named all the same.
func TestAddressLineOnAnOddBus(t *testing.T) {
	mode := pattern.Mode{Width: 320, Height: 240, Format: pattern.RGB565}
	for _, chips := range []int{5, 7, 10} {
		org := memory.Organisation{
			Words: 512 << 10, ChipBits: 16, BusBits: 16 * chips, Banks: []memory.Bank{bank(3, chips)},
		}
		for chip := range chips {
			f := simulate.Fault{Kind: memory.AddressLine, Chip: chip, AddressLine: 1}
			if r := (trial{mode: mode, org: org, fault: f, seed: 1}).run(t); !named(r, f) {
				t.Errorf("chip %d of %d: %+v", chip, chips, r.Findings)
			}
		}
	}
}
