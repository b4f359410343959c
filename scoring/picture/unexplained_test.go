package picture

import (
	"image"
	"math/rand/v2"
	"slices"
	"testing"

	"proveout/plans/fact"
	"proveout/scoring/memory"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
	"proveout/scoring/picture/simulate"
)

// A spoiler spoils a screen: from the bench, not from the memory's faults, which
// [simulate.Card] makes.
type spoiler func(p *raster.RGB)

func each(p *raster.RGB, of func(x, y, channel int, v uint8) uint8) {
	for i, v := range p.Pix {
		p.Pix[i] = of(i/3%p.Width, i/3/p.Width, i%3, v)
	}
}

// rowsMoved moves some rows to the right, round the edge.
func rowsMoved(by int, moved func(y int) bool) spoiler {
	return func(p *raster.RGB) {
		q := p.Clone()
		each(p, func(x, y, channel int, v uint8) uint8 {
			if moved(y) {
				return q.Pix[3*(y*p.Width+(x+p.Width-by)%p.Width)+channel]
			}
			return v
		})
	}
}

func black(r image.Rectangle) spoiler {
	return func(p *raster.RGB) { p.Fill(r.Min.X, r.Min.Y, r.Max.X, r.Max.Y, 0, 0, 0) }
}

func dashes(p *raster.RGB) {
	rng := rand.New(rand.NewPCG(4, 4))
	for range 40 {
		x, y := rng.IntN(p.Width-8), rng.IntN(p.Height)
		p.Fill(x, y, x+8, y+1, 255, 0, 255)
	}
}

func without(channel int) spoiler {
	return func(p *raster.RGB) {
		each(p, func(_, _, of int, v uint8) uint8 {
			if of == channel {
				return 0
			}
			return v
		})
	}
}

func withoutBit(channel int, bit uint8) spoiler {
	return func(p *raster.RGB) {
		each(p, func(_, _, of int, v uint8) uint8 {
			if of == channel {
				return v &^ bit
			}
			return v
		})
	}
}

// What else looks like a clean picture of few edges? Every row must end with a
// finding; through a dump, a device with noise, and one that shifts and blurs.
func TestFewEdgesHideNoFault(t *testing.T) {
	notUnderRace(t)
	line := func(kind memory.Kind) simulate.Fault { return simulate.Fault{Kind: kind, Chip: 1, Line: 14, Line2: 9} }
	m := small(pattern.RGB565)
	patterns := []string{"grid", "ramp", "text", "columns", "rows", "checker", "solid-white", "solid-red"}
	devices := []simulate.Device{
		{}, {Noise: 2, Gain: [3]float64{0.95, 1.03, 1}, Offset: [3]float64{3, 2, 4}},
		{Noise: 2, ShiftX: 2.4, ShiftY: -1.3, Blur: 0.3},
	}
	k := 0
	for _, tt := range []struct {
		name   string
		spoil  spoiler
		faults []simulate.Fault
		blind  map[string]bool // pictures that cannot show it
	}{
		{"a line that is open", nil, []simulate.Fault{line(memory.LineOpen)}, nil},
		{"a line stuck at 1", nil, []simulate.Fault{line(memory.LineStuck1)},
			map[string]bool{"solid-white": true, "solid-red": true}}, // written 1 anyway
		{"a dead chip", nil, []simulate.Fault{{Kind: memory.ChipDead, Chip: 2}}, nil},
		{"an address line", nil, []simulate.Fault{{Kind: memory.AddressLine, Chip: -1, AddressLine: 7}},
			map[string]bool{"columns": true, "solid-white": true, "solid-red": true, "ramp": true}}, // alike there
		{"a missing channel", without(0), nil, nil},
		{"the top bit of a channel", withoutBit(1, 128), nil, map[string]bool{"solid-red": true}},
		{"columns cut off", black(image.Rect(308, 0, 320, 240)), nil, nil},
		{"rows cut off", black(image.Rect(0, 230, 320, 240)), nil, nil},
		{"half of it black", black(image.Rect(0, 120, 320, 240)), nil, nil},
		{"a band of displaced rows", rowsMoved(13, func(y int) bool { return y > 80 && y < 130 }), nil,
			map[string]bool{"rows": true, "solid-white": true, "solid-red": true}},
		{"coloured dashes", dashes, nil, nil},
	} {
		for _, name := range patterns {
			if k++; tt.blind[name] || !allChecks && k%5 != 0 {
				continue
			}
			for i, d := range devices {
				if !allChecks && (k/5)%len(devices) != i {
					continue
				}
				f := show(t, m, name)
				screen, err := simulate.Card(f, wide, 0, tt.faults, uint64(k))
				if err != nil {
					t.Fatal(err)
				}
				if tt.spoil != nil {
					tt.spoil(screen)
				}
				c, err := simulate.Capture(screen, d, uint64(k))
				if err != nil {
					t.Fatal(err)
				}
				r := compared(t, f, c, Options{Memory: &wide})
				// Of lines of one pixel a shift by parts of one leaves little.
				blended := i == 2 && slices.Contains([]string{"columns", "rows", "checker"}, name)
				if r.Clean || !blended && (r.Registered && len(r.Findings) == 0 || r.Faultless) {
					t.Errorf("%s in %s, device %d: faultless %v, %v %q", tt.name, name, i, r.Faultless, r.Reason, brief(r.Findings))
				}
			}
		}
	}
}

// A good card through honest devices: no finding, and clean only where lines are
// judged.
func TestHonestDevicesLeaveNothingUnexplained(t *testing.T) {
	notUnderRace(t)
	m := small(pattern.RGB565)
	rng := rand.New(rand.NewPCG(11, 12))
	for i := range usuallyOr(10, 120) {
		name := []string{"grid", "ramp", "text", "columns", "rows", "checker", "solid-white", "solid-red", "bit-green-3",
			"plane-green-4"}[i%10]
		d := simulate.Device{Noise: 1 + 2*rng.Float64(), Blur: 0.6 * rng.Float64(), ShiftX: 8*rng.Float64() - 4,
			ShiftY: 8*rng.Float64() - 4, Scale: []float64{1, 1.25, 1.5, 1 + 0.6*rng.Float64()}[rng.IntN(4)]}
		for channel := range 3 {
			d.Gain[channel], d.Offset[channel] = 0.9+0.15*rng.Float64(), 10*rng.Float64()-2
		}
		d.Width, d.Height = int(320*d.Scale)+8, int(240*d.Scale)+8
		f := show(t, m, name)
		r := compared(t, f, captured(t, f, wide, d, uint64(i)), Options{Memory: &wide})
		if !r.Registered || len(r.Findings) > 0 || !r.Faultless || r.Clean {
			t.Errorf("%s %+v: registered %v, faultless %v, clean %v %q", name, d, r.Registered, r.Faultless, r.Clean,
				brief(r.Findings))
		}
	}
}

// Pictures that judge no line pass nothing together; one that judges every line
// that it shows does, and the others beside it.
func TestCleanTakesJudgedLines(t *testing.T) {
	notUnderRace(t)
	m := small(pattern.RGB565)
	result := func(name string) *Result {
		f := show(t, m, name)
		return compared(t, f, captured(t, f, wide, simulate.Device{Noise: 2}, 1), Options{Memory: &wide})
	}
	grid, text, random := result("grid"), result("text"), result("random-1")
	if c := Combine([]*Result{grid, text}); c.Clean || !c.Faultless {
		t.Errorf("grid and text: %+v", c.LinesJudged)
	}
	c := Combine([]*Result{grid, text, random})
	if !c.Clean || c.LinesJudged != (Judged{Good: 64, NotJudged: 64}) || OpenLines(c.Lines) != 0 {
		t.Errorf("with random-1: clean %v %+v", c.Clean, c.LinesJudged)
	}
	open, hidden := Unjudged(c.Lines)
	if len(open.Items) != 0 || len(hidden.Items) != 4 || hidden.Items[0] != fact.Name("U5") {
		t.Errorf("not judged: %v, hidden %v", open, hidden)
	}
	plane := result("plane-red-4")
	if plane.Clean || OpenLines(plane.Lines) != 64-4 {
		t.Errorf("a plane: clean %v, %d lines open", plane.Clean, OpenLines(plane.Lines))
	}
}
