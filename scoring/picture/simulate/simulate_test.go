package simulate

import (
	"bytes"
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"

	"proveout/scoring/memory"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
)

func organisation(chipBits, busBits, banks int, words int64) memory.Organisation {
	o := memory.Organisation{Words: words, ChipBits: chipBits, BusBits: busBits}
	for b := range banks {
		var bank memory.Bank
		for c := range busBits / chipBits {
			bank.Designators = append(bank.Designators, fmt.Sprintf("U%d", 1+b*busBits/chipBits+c))
		}
		o.Banks = append(o.Banks, bank)
	}
	return o
}

// frame draws the random picture of a small mode.
func frame(t testing.TB, f pattern.Format) *pattern.Frame {
	p, err := pattern.ParseName("random-1", pattern.Mode{Width: 160, Height: 120, Format: f})
	if err != nil {
		t.Fatal(err)
	}
	fr, err := p.Render()
	if err != nil {
		t.Fatal(err)
	}
	return fr
}

func card(t testing.TB, f *pattern.Frame, org memory.Organisation, base int64, faults ...Fault) *raster.RGB {
	p, err := Card(f, org, base, faults, 1)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestACardWithoutAFaultShowsTheFrame(t *testing.T) {
	for _, format := range pattern.Formats() {
		f := frame(t, format)
		if got := card(t, f, memory.Organisation{}, 0); !bytes.Equal(got.Pix, f.RGB().Pix) {
			t.Errorf("%s: another picture", format)
		}
	}
}

func TestEqualInputGivesAnEqualPicture(t *testing.T) {
	f := frame(t, pattern.RGB565)
	codes := append([]uint32(nil), f.Codes...)
	org := organisation(16, 64, 2, 1<<13)
	for _, kind := range Kinds() {
		ft := Fault{
			Kind:        Kind(kind),
			Chip:        1,
			Line:        3,
			Line2:       5,
			Rate:        0.01,
			Channel:     1,
			Bit:         6,
			Period:      8,
			Amount:      12,
			AddressLine: 3,
		}
		a, b := card(t, f, org, 0, ft), card(t, f, org, 0, ft)
		if !bytes.Equal(a.Pix, b.Pix) {
			t.Errorf("%s: two pictures of one seed", kind)
		}
		if bytes.Equal(a.Pix, f.RGB().Pix) {
			t.Errorf("%s changes nothing", kind)
		}
		ca, err1 := Capture(a, Device{Noise: 3}, 7)
		cb, err2 := Capture(b, Device{Noise: 3}, 7)
		cc, err3 := Capture(b, Device{Noise: 3}, 8)
		if err1 != nil || err2 != nil || err3 != nil || !bytes.Equal(ca.Pix, cb.Pix) ||
			bytes.Equal(ca.Pix, cc.Pix) {
			t.Errorf("%s: captures do not follow their seed", kind)
		}
	}
	for i := range codes {
		if f.Codes[i] != codes[i] {
			t.Fatal("the frame was changed")
		}
	}
}

// Every bit of every pixel is looked up in the memory (package memory, whose
// convention is its own): what lies on the faulty line shows the fault, all else
// is as written.
func TestMemoryFaultsSpoilTheirLinesOnly(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		format := rapid.SampledFrom(pattern.Formats()).Draw(t, "format")
		chipBits := rapid.SampledFrom([]int{4, 8, 16, 32}).Draw(t, "chip bits")
		busBits := chipBits * rapid.SampledFrom([]int{1, 2, 4}).Draw(t, "chips")
		if busBits < 8 || busBits > 128 {
			t.Skip()
		}
		f := frame2(format)
		banks := rapid.IntRange(1, 3).Draw(t, "banks")
		words := (f.Mode.Bytes()+4096)/int64(banks)*8/int64(busBits) + 64
		org := organisation(chipBits, busBits, banks, words)
		if org.Check() != nil {
			t.Skip()
		}
		base := int64(rapid.IntRange(0, 40).Draw(t, "base"))
		line := rapid.IntRange(0, chipBits-1)
		ft := Fault{
			Kind:        Kind(rapid.SampledFrom(Kinds()[:9]).Draw(t, "kind")),
			Bank:        rapid.IntRange(0, banks-1).Draw(t, "bank"),
			Chip:        rapid.IntRange(0, org.ChipsPerBank()-1).Draw(t, "chip"),
			Line:        line.Draw(t, "line"),
			Line2:       line.Draw(t, "line 2"),
			Wired:       Wired(rapid.IntRange(0, 1).Draw(t, "wired")),
			Amount:      rapid.IntRange(0, 1).Draw(t, "value"),
			Rate:        0.05,
			AddressLine: rapid.IntRange(0, 6).Draw(t, "address line"),
		}
		written := f.Bytes()
		shown := append([]byte(nil), written...)
		if err := spoilMemory(shown, written, org, base, ft, newSource(3)); err != nil {
			t.Fatal(err)
		}
		flips, bits := 0.0, 0.0
		for i := range written {
			for k := range 8 {
				was, is := written[i]>>k&1, shown[i]>>k&1
				p, ok := org.Locate(base+int64(i), k)
				if !ok {
					t.Fatal("outside the memory")
				}
				mine := p.Bank == ft.Bank && p.Chip == ft.Chip
				bit := func(line int) (byte, bool) {
					a, b := org.Address(memory.Place{Bank: p.Bank, Word: p.Word, Chip: p.Chip, Line: line})
					if a -= base; a < 0 || a >= int64(len(written)) {
						return 0, false
					}
					return written[a] >> b & 1, true
				}
				want := was
				switch {
				case ft.Kind == memory.BankLost && p.Bank == ft.Bank:
					want = byte(ft.Amount)
				case !mine:
				case ft.Kind == memory.LineStuck0 && p.Line == ft.Line:
					want = 0
				case ft.Kind == memory.LineStuck1 && p.Line == ft.Line:
					want = 1
				case ft.Kind == memory.LineOpen && p.Line == ft.Line:
					want = is // by chance
				case ft.Kind == memory.LinesShorted && (p.Line == ft.Line || p.Line == ft.Line2):
					a, ok1 := bit(ft.Line)
					b, ok2 := bit(ft.Line2)
					if want = a & b; ft.Wired == WiredOr {
						want = a | b
					}
					if !ok1 || !ok2 {
						want = is // the other line lies before or behind the picture
					}
				case ft.Kind == memory.LinesSwapped && (p.Line == ft.Line || p.Line == ft.Line2):
					if want, ok = bit(ft.Line + ft.Line2 - p.Line); !ok {
						want = is
					}
				case ft.Kind == memory.ChipDead:
					want = byte(ft.Amount)
				case ft.Kind == memory.ChipWeak:
					want = is
					bits++
					if is != was {
						flips++
					}
				case ft.Kind == memory.AddressLine:
					// Of a pair of words the one at the higher address is read for both.
					if p.Word>>ft.AddressLine&1 == 0 {
						q := p
						q.Word += 1 << ft.AddressLine
						a, b := org.Address(q)
						a -= base
						if a < int64(len(written)) && q.Word < org.Words && a >= 0 {
							want = written[a] >> b & 1
						}
					}
				}
				if is != want {
					t.Fatalf("%+v: byte %d bit %d (%+v) is %d, was %d, want %d", ft, i, k, p, is, was, want)
				}
			}
		}
		if sd := math.Sqrt(bits * 0.05 * 0.95); ft.Kind == memory.ChipWeak && math.Abs(flips-0.05*bits) > 5*sd+1 {
			t.Fatalf("%.0f of %.0f bits flipped", flips, bits)
		}
	})
}

// frame2 is a frame of pseudo-random codes, quickly made.
func frame2(format pattern.Format) *pattern.Frame {
	f := &pattern.Frame{Mode: pattern.Mode{Width: 160, Height: 24, Format: format}, Codes: make([]uint32, 160*24)}
	s := newSource(9)
	for i := range f.Codes {
		f.Codes[i] = uint32(s.next()) & format.Mask()
	}
	return f
}

func TestScreenFaults(t *testing.T) {
	f := frame(t, pattern.RGB888)
	plain := f.RGB()
	w, h := plain.Width, plain.Height
	// differ counts pixels that differ, inside and outside a part.
	differ := func(p *raster.RGB, part func(x, y int) bool) (in, out, all int) {
		for i := range w * h {
			if part(i%w, i/w) {
				all++
			}
			if bytes.Equal(p.Pix[3*i:3*i+3], plain.Pix[3*i:3*i+3]) {
				continue
			}
			if part(i%w, i/w) {
				in++
			} else {
				out++
			}
		}
		return in, out, all
	}
	for _, tt := range []struct {
		fault Fault
		part  func(x, y int) bool
		least float64 // share of the part that changes
	}{
		// The white of marks cannot grow.
		{Fault{Kind: Stripe, Period: 8, Amount: 12}, func(x, _ int) bool { return x%8 == 0 }, 0.8},
		{Fault{Kind: Displaced, Amount: 20}, func(x, y int) bool {
			return x >= w/2 && x < w/2+w/6 && y >= h/2 && y < h/2+h/6
		}, 0.9},
		{Fault{Kind: Geometry, Amount: 20}, func(x, _ int) bool { return x >= w-20 }, 0.5},
		{Fault{Kind: Black}, func(_, _ int) bool { return true }, 0.7},
		{Fault{Kind: ChannelMissing, Channel: 1}, func(_, _ int) bool { return true }, 0.7},
		{Fault{Kind: ConverterBit, Channel: 2, Bit: 7}, func(_, _ int) bool { return true }, 0.3},
		{Fault{Kind: Noise, Rate: 0.1}, func(_, _ int) bool { return true }, 0.08},
		{Fault{Kind: Sampling, Amount: 40}, func(_, _ int) bool { return true }, 0.5},
		{Fault{Kind: Sampling, Amount: 40, Period: 30}, func(_, _ int) bool { return true }, 0.5},
		{Fault{Kind: Frozen, Shows: "ramp"}, func(_, _ int) bool { return true }, 0.5},
	} {
		p := card(t, f, memory.Organisation{}, 0, tt.fault)
		in, out, all := differ(p, tt.part)
		if out > 0 || float64(in) < tt.least*float64(all) {
			t.Errorf("%+v: %d of %d pixels of its part changed, %d others", tt.fault, in, all, out)
		}
	}
	p := card(t, f, memory.Organisation{}, 0, Fault{Kind: ChannelSwapped, Channel: 2})
	for i := 0; i < len(p.Pix); i += 3 {
		if p.Pix[i] != plain.Pix[i+2] || p.Pix[i+2] != plain.Pix[i] || p.Pix[i+1] != plain.Pix[i+1] {
			t.Fatal("blue and red are not exchanged")
		}
	}
	if p = card(t, f, memory.Organisation{}, 0, Fault{Kind: Sampling}); !bytes.Equal(p.Pix, plain.Pix) {
		t.Error("sampling beside by nothing changes the picture")
	}
	other, err := pattern.ParseName("text", f.Mode)
	if err != nil {
		t.Fatal(err)
	}
	want, err := other.Render()
	if err != nil {
		t.Fatal(err)
	}
	if p = card(t, f, memory.Organisation{}, 0, Fault{Kind: Frozen, Shows: "text"}); !bytes.Equal(
		p.Pix,
		want.RGB().Pix,
	) {
		t.Error("the frozen picture is not the one named")
	}
}

// Whatever a fault says, the answer is a picture or an error.
func TestImpossibleFaultsAreErrors(t *testing.T) {
	f := frame2(pattern.RGB565)
	org := organisation(16, 64, 2, 1<<12)
	for _, ft := range []Fault{
		{Kind: memory.LineStuck0, Chip: 4}, {Kind: memory.LineStuck0, Chip: -1}, {Kind: memory.LineStuck0, Line: 16},
		{Kind: memory.BankLost, Bank: 2}, {Kind: memory.AddressLine, Chip: -1, AddressLine: 60},
		{Kind: ChannelMissing, Channel: 3}, {Kind: Noise, Rate: math.NaN()}, {Kind: ConverterBit, Bit: 2},
		{Kind: Frozen, Shows: "no such picture"},
	} {
		if _, err := Card(f, org, 0, []Fault{ft}, 1); err == nil {
			t.Errorf("%+v is simulated", ft)
		}
	}
	if _, err := Card(f, memory.Organisation{}, 0, []Fault{{Kind: memory.ChipDead}}, 1); err == nil {
		t.Error("a chip fails without a memory")
	}
	rapid.Check(t, func(t *rapid.T) {
		n := func(name string) int { return rapid.IntRange(-40, 40).Draw(t, name) }
		ft := Fault{
			Kind:  Kind(rapid.SampledFrom(Kinds()).Draw(t, "kind")),
			Bank:  n("bank"),
			Chip:  n("chip"),
			Line:  n("line"),
			Line2: n("line 2"),
			Wired: Wired(n("wired")),
			AddressLine: n(
				"address line",
			),
			Rate:    rapid.Float64Range(-2, 2).Draw(t, "rate"),
			Channel: n("channel"),
			Bit:     n("bit"),
			Period:  n("period"),
			Amount:  n("amount") * 100,
		}
		if ft.Kind == Frozen {
			ft.Kind = Displaced // its pictures need a whole mode
		}
		p, err := Card(f, org, int64(rapid.IntRange(0, 64).Draw(t, "base")), []Fault{ft}, 1)
		if (p == nil) == (err == nil) {
			t.Fatalf("%v %v", p, err)
		}
	})
}

func TestCaptureDevice(t *testing.T) {
	flat := raster.New(400, 300)
	flat.Fill(0, 0, 400, 300, 100, 120, 140)
	f := frame(t, pattern.RGB888).RGB()
	same, err := Capture(f, Device{}, 1)
	if err != nil || !bytes.Equal(same.Pix, f.Pix) {
		t.Errorf("the ideal device changes the picture: %v", err)
	}
	moved, err := Capture(f, Device{ShiftX: 3, ShiftY: -2}, 1)
	if err != nil {
		t.Fatal(err)
	}
	for y := range f.Height {
		for x := range f.Width {
			r, g, b := moved.At(x, y)
			if wr, wg, wb := f.At(x-3, y+2); r != wr || g != wg || b != wb {
				t.Fatalf("%d,%d is not what lay 3 left and 2 below", x, y)
			}
		}
	}
	big, err := Capture(f, Device{Scale: 2}, 1)
	if err != nil || big.Width != 2*f.Width || big.Height != 2*f.Height {
		t.Errorf("scale 2: %v", err)
	}
	p, err := Capture(flat, Device{Gain: [3]float64{1.1, 0.9, 1}, Offset: [3]float64{-4, 5, 0}, Noise: 6}, 5)
	if err != nil {
		t.Fatal(err)
	}
	for ch, want := range []float64{106, 113, 140} {
		var s, q float64
		for i := ch; i < len(p.Pix); i += 3 {
			v := float64(p.Pix[i]) - want
			s += v
			q += v * v
		}
		n := float64(len(p.Pix) / 3)
		// Rounding to whole levels adds 1/12 to the variance.
		mean, sd := s/n, math.Sqrt(q/n-s/n*s/n)
		if math.Abs(mean) > 5*6/math.Sqrt(n) || math.Abs(sd-math.Sqrt(36+1.0/12)) > 5*6/math.Sqrt(2*n) {
			t.Errorf("channel %d: off by %.3f, noise %.3f", ch, mean, sd)
		}
	}
	dark, err := Capture(flat, Device{Gamma: 2}, 5)
	if r, _, _ := dark.At(10, 10); err != nil || r != 39 { // 255·(100/255)² = 39.2
		t.Errorf("gamma 2 makes 100 into %d", r)
	}
	// A Gaussian across keeps the sum of an impulse and spreads it with its variance.
	line := raster.New(101, 20)
	line.Fill(50, 0, 51, 20, 250, 250, 250)
	soft, err := Capture(line, Device{Blur: 1.5}, 1)
	if err != nil {
		t.Fatal(err)
	}
	var n, v float64
	for x := range 101 {
		r, _, _ := soft.At(x, 10)
		n += float64(r)
		v += float64(r) * float64((x-50)*(x-50))
	}
	if math.Abs(n-250) > 8 || math.Abs(v/n-2.25) > 0.2 {
		t.Errorf("blur 1.5: sum %.0f, variance %.2f", n, v/n)
	}
	for _, d := range []Device{
		{Scale: 0.1}, {Scale: 9}, {Noise: -1}, {Blur: -1}, {Gamma: -1}, {Width: 30000}, {Height: -4},
	} {
		if _, err := Capture(flat, d, 1); err == nil {
			t.Errorf("%+v is simulated", d)
		}
	}
}
