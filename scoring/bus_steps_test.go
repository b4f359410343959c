package scoring_test

import (
	"encoding/binary"
	"math"
	"strings"
	"testing"

	"proveout/plans"
	"proveout/scoring/conformity"
)

// agpCard is the configuration space of the card of these tests: vendor, device,
// class, a 32-bit memory window, an AGP capability that offers 1x and 2x and
// runs at a rate. Layout: PCI Local Bus Specification 2.3, chapter 6; AGP
// Interface Specification 2.0, 6.1 (from memory).
func agpCard(vendor, device uint16, rate uint32) []byte {
	b := make([]byte, 256)
	binary.LittleEndian.PutUint16(b[0:], vendor)
	binary.LittleEndian.PutUint16(b[2:], device)
	b[4], b[6], b[0xb] = 7, 0x10, 3
	binary.LittleEndian.PutUint32(b[0x10:], 0xe8000008)
	b[0x34], b[0x60], b[0x62] = 0x60, 2, 0x20
	binary.LittleEndian.PutUint32(b[0x64:], 0x1f000003)
	if rate > 0 {
		binary.LittleEndian.PutUint32(b[0x68:], 0x1f000100|rate)
	}
	return b
}

func (b *bench) dump(step string, data []byte) {
	list := b.Job.Attempts[step]
	a := &list[len(list)-1]
	a.Dumps = append(a.Dumps, b.file("card.bin", memoryFile{bytes: data}))
}

func TestDetectionFromADump(t *testing.T) {
	typed := []string{"detected=yes", "bus=AGP", "id=f5e1:0a01", "rate=2x"}
	for _, tt := range []struct {
		name   string
		typed  []string
		dump   []byte
		want   conformity.Verdict
		reason string
	}{
		{"dump and words agree", typed, agpCard(0xf5e1, 0x0a01, 2), conformity.Pass, "checks passed"},
		{"the dump alone", nil, agpCard(0xf5e1, 0x0a01, 2), conformity.Pass, "checks passed"},
		{"trained low", []string{"detected=yes", "bus=AGP", "id=f5e1:0a01", "rate=1x"}, agpCard(0xf5e1, 0x0a01, 1), conformity.Fail, "1x"},
		{"trained low, the dump alone", nil, agpCard(0xf5e1, 0x0a01, 1), conformity.Fail, "trained below what both ends offer"},
		{"another chip", nil, agpCard(0xf5e1, 0x0a21, 2), conformity.Fail, "they differ in bit 5"},
		{"words deny the ID", typed, agpCard(0xf5e1, 0x0a21, 2), conformity.Inconclusive, "another card or a slip"},
		{"words deny the rate", typed, agpCard(0xf5e1, 0x0a01, 1), conformity.Inconclusive, "2x was typed, but the dump says 1x"},
		{"typed as not found", []string{"detected=no"}, agpCard(0xf5e1, 0x0a01, 2), conformity.Inconclusive, "no was typed"},
		{"no driver yet", typed, agpCard(0xf5e1, 0x0a01, 0), conformity.Pass, "checks passed"},
		{"header only", typed, agpCard(0xf5e1, 0x0a01, 2)[:64], conformity.Pass, "checks passed"},
		{"no dump", typed, []byte("hello\n"), conformity.Inconclusive, "no rows of configuration space"},
	} {
		b := newBench(t, "detection")
		b.attempt("detection", tt.typed...)
		b.dump("detection", tt.dump)
		if s := b.step("detection"); s.Verdict != tt.want || !strings.Contains(said(s.Reason), tt.reason) {
			t.Errorf("%s: %v, %s\n%+v", tt.name, s.Verdict, said(s.Reason), s.Checks)
		}
	}
}

func TestDumpWithASmallWindow(t *testing.T) {
	text := "01:00.0 display controller\nRegion 0: Memory at e8000000 (32-bit, prefetchable) [size=8M]\n"
	data := agpCard(0xf5e1, 0x0a01, 2)
	for i := 0; i < len(data); i += 16 {
		text += strings.ToLower(hexRow(i, data[i:i+16]))
	}
	b := newBench(t, "detection")
	b.attempt("detection")
	b.dump("detection", []byte(text))
	s := b.step("detection")
	if s.Verdict != conformity.Fail || !strings.Contains(said(s.Reason), "the window is smaller than the memory") {
		t.Errorf("%v, %s", s.Verdict, said(s.Reason))
	}
}

func hexRow(at int, row []byte) string {
	const digits = "0123456789abcdef"
	out := []byte{digits[at>>4], digits[at&15], ':'}
	for _, v := range row {
		out = append(out, ' ', digits[v>>4], digits[v&15])
	}
	return string(append(out, '\n'))
}

// withClock puts a family's core clock in place of the one of these tests.
func withClock(value, more string) string {
	return strings.Replace(familyText, "value = \"100 MHz ±1 %\"\n", "value = \""+value+"\"\n"+more+"\n", 1)
}

func TestClockOfASynthesizer(t *testing.T) {
	// 315/22 MHz x 67 / 7 = 137.0455 MHz is the nearest to 137 MHz that N 8 to
	// 129, M 2 to 31, K 0 to 3 make: 332 ppm off.
	family := withClock("137 MHz ±100 ppm", `synthesizer = { n = "8-129", m = "2-31", k = "0-3" }`)
	shop := strings.Replace(shopText, `accuracy = "±0.1 MHz"`, `accuracy = "±10 ppm"`, 1)
	plan := planOf("clocks", "clock", `clocks = ["core"]`)
	for _, tt := range []struct {
		read   string
		want   conformity.Verdict
		reason string
	}{
		{"137.0455 MHz", conformity.Pass, "the nearest setting"},
		{"137.000 MHz", conformity.Pass, "inside the limits"},
		{"136.70 MHz", conformity.Fail, "outside the limits"},
	} {
		b := newBenchOf(t, plan, family, shop)
		b.attempt("clocks", "core="+tt.read)
		if s := b.step("clocks"); s.Verdict != tt.want || !strings.Contains(said(s.Reason), tt.reason) {
			t.Errorf("%s: %v, %s", tt.read, s.Verdict, said(s.Reason))
		}
	}
}

func TestClockOfAnotherVariant(t *testing.T) {
	family := familyText + `
[[variant]]
name = "100"
[[variant]]
name = "112"
[[variant.clock]]
name = "core"
value = "112 MHz ±1 %"
`
	b := newBenchOf(t, planOf("clocks", "clock"), familyText, shopText)
	file, problems := plans.ParseFamily("f.family.toml", []byte(family))
	if len(problems) > 0 {
		t.Fatal(plans.AsError(problems))
	}
	var err error
	if b.Family, err = file.Variant("100"); err != nil {
		t.Fatal(err)
	}
	b.attempt("clocks", "core=112 MHz", "memory=118.0 MHz")
	s := b.step("clocks")
	blamed := len(s.Causes) == 1 && s.Causes[0].Text.Key == "clock.of-variant" && s.Causes[0].Confidence >= 0.6
	if s.Verdict != fail || !strings.Contains(said(s.Reason), "The clock of the variant \"112\", not drift") || !blamed {
		t.Errorf("%v, %s, %+v", s.Verdict, said(s.Reason), s.Causes)
	}
	if !strings.Contains(told(s.Findings), "no simple ratio") {
		t.Errorf("nothing is said of the coupling: %v", told(s.Findings))
	}
}

func TestResistanceBesideKnownGoodCards(t *testing.T) {
	with := func(good string) string {
		return strings.Replace(familyText, "resistance = \"11 ohm\"", "resistance = \"11 ohm\"\ngood = ["+good+"]", 1)
	}
	five := `"10.8 ohm", "11.2 ohm", "11.0 ohm", "10.7 ohm", "11.4 ohm"`
	for _, tt := range []struct {
		good, ohm string
		want      conformity.Verdict
		reason    string
	}{
		{five, "11.1 ohm", conformity.Pass, ""},
		{five, "5.1 ohm", conformity.Fail, "lower than the known-good cards"},
		{five, "40.0 ohm", conformity.Fail, "higher than the known-good cards"},
		{five, "0.3 ohm", conformity.Fail, "is shorted"},
		{`"10.8 ohm", "11.2 ohm"`, "5.1 ohm", conformity.Inconclusive, "lower than"},
		{`"10.8 ohm", "11.2 ohm"`, "7.5 ohm", conformity.Pass, ""},
	} {
		b := newBenchOf(t, planOf("rails", "rails", `rails = ["core"]`), with(tt.good), shopText)
		b.attempt("rails", "core.ohm="+tt.ohm, "core.volt=2.50 V")
		s := b.step("rails")
		if s.Verdict != tt.want || !strings.Contains(said(s.Reason), tt.reason) {
			t.Errorf("%s beside %s: %v, %s", tt.ohm, tt.good, s.Verdict, said(s.Reason))
		}
		if c := checkNamed(t, s, "core.ohm"); c.Value == nil || math.IsNaN(float64(*c.Value)) {
			t.Errorf("%+v", c)
		}
	}
}

func TestRailOfTheSlot(t *testing.T) {
	plan := planOf("rails", "rails", `rails = ["core", "AGP +12 V"]`)
	b := newBenchOf(t, plan, familyText, shopText)
	b.attempt("rails", "core.ohm=11.0 ohm", "core.volt=2.50 V", "AGP +12 V.volt=12.10 V")
	s := b.step("rails")
	c := checkNamed(t, s, "AGP +12 V.volt")
	if s.Verdict != pass || c.Verdict != pass || !strings.Contains(said(c.Source), "AGP Interface Specification") {
		t.Errorf("%v, %s, %+v", s.Verdict, said(s.Reason), c)
	}
	b.attempt("rails", "core.ohm=11.0 ohm", "core.volt=2.50 V", "AGP +12 V.volt=10.50 V")
	if s = b.step("rails"); s.Verdict != conformity.Fail {
		t.Errorf("%v, %s", s.Verdict, said(s.Reason))
	}
}

// TestCoupling: repeats of one setting never make two clocks of one.
func TestCoupling(t *testing.T) {
	for _, tt := range []struct{ core, memory, want string }{
		{"100.1 MHz, 100.2 MHz, 100.1 MHz", "100.2 MHz, 100.1 MHz, 100.1 MHz", "in the ratio 1:1: one clock, or two set alike"},
		{"100.0 MHz", "118.0 MHz", "no simple ratio"},
		{"100.0 MHz, 80.0 MHz", "100.0 MHz, 80.0 MHz", "moved together in the ratio 1:1"},
		{"100.0 MHz, 80.0 MHz", "100.0 MHz, 100.0 MHz", "no simple ratio"},
	} {
		b := newBench(t, "clocks")
		b.attempt("clocks", "core="+tt.core, "memory="+tt.memory)
		if s := b.step("clocks"); !strings.Contains(told(s.Findings), tt.want) {
			t.Errorf("%s and %s: %v", tt.core, tt.memory, told(s.Findings))
		}
	}
}
