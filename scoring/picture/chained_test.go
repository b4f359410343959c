package picture

import (
	"bytes"
	"image/jpeg"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"proveout/plans/fact"
	"proveout/scoring/memory"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
	"proveout/scoring/picture/simulate"
)

// A reading is the level of a picture at a place, which counts from the corner.
type reading func(p *raster.RGB, x, y float64, ch int) float64

// within puts a picture, scaled to a size, into a larger black one.
func within(p *raster.RGB, w, h, left, top, width, height int, at reading) *raster.RGB {
	out := raster.New(w, h)
	for y := range height {
		for x := range width {
			u, v := (float64(x)+0.5)*float64(p.Width)/float64(width), (float64(y)+0.5)*float64(p.Height)/float64(height)
			for ch := range 3 {
				out.Pix[3*((y+top)*w+x+left)+ch] = uint8(at(p, u, v, ch) + 0.5)
			}
		}
	}
	return out
}

// byRepeating and byMixing read between pixels; coordinates count from the corner.
func byRepeating(p *raster.RGB, x, y float64, ch int) float64 {
	return float64(p.Pix[3*(int(y)*p.Width+int(x))+ch])
}

func byMixing(p *raster.RGB, x, y float64, ch int) float64 {
	x, y = max(0, x-0.5), max(0, y-0.5)
	x0, y0 := int(x), int(y)
	x1, y1 := min(x0+1, p.Width-1), min(y0+1, p.Height-1)
	fx, fy := x-float64(x0), y-float64(y0)
	v := func(x, y int) float64 { return float64(p.Pix[3*(y*p.Width+x)+ch]) }
	return (1-fy)*((1-fx)*v(x0, y0)+fx*v(x1, y0)) + fy*((1-fx)*v(x0, y1)+fx*v(x1, y1))
}

// turned takes each pixel of the capture from another place.
func turned(p *raster.RGB, w, h int, from func(x, y int) (int, int)) *raster.RGB {
	out := raster.New(w, h)
	for y := range h {
		for x := range w {
			r, g, b := p.At(from(x, y))
			out.Set(x, y, r, g, b)
		}
	}
	return out
}

func asJPEG(t *testing.T, p *raster.RGB, quality int) *raster.RGB {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, p.Image(), &jpeg.Options{Quality: quality}); err != nil { // colour 4:2:0
		t.Fatal(err)
	}
	m, err := jpeg.Decode(&b)
	if err != nil {
		t.Fatal(err)
	}
	return raster.FromImage(m)
}

// A picture that a device scaled into 1920×1080, or into any other size, is read:
// a good card is clean, and a fault is named.
func TestPicturesWithinLargerCaptures(t *testing.T) {
	notUnderRace(t)
	fault := simulate.Fault{Kind: memory.LineStuck0, Chip: 2, Line: 13}
	for _, tt := range []struct {
		name                           string
		w, h, left, top, width, height int
		at                             reading
		onlyInAllChecks                bool
	}{
		{"1:1 in the middle", 1920, 1080, 640, 300, 640, 480, byRepeating, false},
		{"twice, repeated", 1920, 1080, 320, 60, 1280, 960, byRepeating, true},
		{"as high as fits, repeated", 1920, 1080, 240, 0, 1440, 1080, byRepeating, true},
		{"as high as fits, mixed", 1920, 1080, 240, 0, 1440, 1080, byMixing, false},
		{"stretched", 1920, 1080, 0, 0, 1920, 1080, byMixing, true},
		{"beside the middle", 1280, 720, 100, 40, 853, 640, byMixing, true},
		{"a quarter larger, repeated", 800, 600, 0, 0, 800, 600, byRepeating, false},
	} {
		if tt.onlyInAllChecks && !allChecks {
			continue
		}
		f := show(t, pattern.Mode{Width: 640, Height: 480, Format: pattern.RGB565}, "random-1")
		for _, faults := range [][]simulate.Fault{nil, {fault}} {
			p := captured(t, f, wide, simulate.Device{}, 1, faults...)
			r := compared(t, f, within(p, tt.w, tt.h, tt.left, tt.top, tt.width, tt.height, tt.at), Options{Memory: &wide})
			across, down := float64(tt.width)/640, float64(tt.height)/480
			if !r.Registered || r.Route == Photograph ||
				math.Abs(r.ScaleXY[0]-across) > 0.002 || math.Abs(r.ScaleXY[1]-down) > 0.002 {
				t.Errorf("%s: registered %v as %q at %v: %v", tt.name, r.Registered, r.Route, r.ScaleXY, r.Reason)
				continue
			}
			good := faults == nil && r.Clean && r.LinesJudged.NotJudged == r.LinesJudged.Good // the second bank is not shown
			named := faults != nil && !r.Clean && len(r.Findings) == 1 && right(r, fault)
			if !good && !named {
				t.Errorf("%s with %v: clean %v, lines %+v, %q", tt.name, faults, r.Clean, r.LinesJudged, brief(r.Findings))
			}
		}
	}
}

// A picture that is mirrored or turned is none that is compared, and said to be.
func TestTurnedPictures(t *testing.T) {
	m := small(pattern.RGB565)
	w, h := m.Width, m.Height
	for _, name := range []string{"random-1", "text", "ramp", "grid"} {
		f := show(t, m, name)
		p := f.RGB()
		for how, c := range map[string]*raster.RGB{
			"mirrored":       turned(p, w, h, func(x, y int) (int, int) { return w - 1 - x, y }),
			"mirrored-down":  turned(p, w, h, func(x, y int) (int, int) { return x, h - 1 - y }),
			"upside-down":    turned(p, w, h, func(x, y int) (int, int) { return w - 1 - x, h - 1 - y }),
			"quarter":        turned(p, h, w, func(x, y int) (int, int) { return y, h - 1 - x }),
			"three-quarters": turned(p, h, w, func(x, y int) (int, int) { return w - 1 - y, x }),
		} {
			usual := map[string]string{"random-1": "mirrored", "text": "upside-down", "grid": "mirrored-down", "ramp": "quarter"}
			if !allChecks && usual[name] != how {
				continue
			}
			r := compared(t, f, c, Options{Memory: &wide})
			said, _ := r.Reason.Args["how"].(fact.Fact)
			if r.Registered || r.Clean || len(r.Findings) > 0 || said.Key != "picture.turn."+how {
				t.Errorf("%s %s: registered %v, clean %v, %v, %q", name, how, r.Registered, r.Clean, r.Reason, brief(r.Findings))
			}
		}
	}
}

// What a chain does to the picture names no chip of a good card, and makes no
// faulty card clean.
func TestChainsBlameNoChip(t *testing.T) {
	notUnderRace(t)
	f := show(t, small(pattern.RGB565), "random-1")
	grey := func(p *raster.RGB) *raster.RGB {
		out := p.Clone()
		for i := 0; i < len(p.Pix); i += 3 {
			v := uint8((299*int(p.Pix[i]) + 587*int(p.Pix[i+1]) + 114*int(p.Pix[i+2])) / 1000)
			out.Pix[i], out.Pix[i+1], out.Pix[i+2] = v, v, v
		}
		return out
	}
	coarse := func(p *raster.RGB) *raster.RGB {
		out := p.Clone()
		for i, v := range p.Pix {
			out.Pix[i] = v >> 4 * 17
		}
		return out
	}
	rows := func(of func(y int) int) func(p *raster.RGB) *raster.RGB {
		return func(p *raster.RGB) *raster.RGB {
			return turned(p, p.Width, p.Height, func(x, y int) (int, int) { return x, of(y) })
		}
	}
	rng := rand.New(rand.NewPCG(51, 52))
	for _, chain := range []struct {
		name string
		do   func(p *raster.RGB) *raster.RGB
	}{
		{"JPEG", func(p *raster.RGB) *raster.RGB { return asJPEG(t, p, 90) }},
		{"grey", grey}, {"four bits", coarse},
		{"fields exchanged", rows(func(y int) int { return y ^ 1 })},
		{"one field", rows(func(y int) int { return y &^ 1 })},
	} {
		kinds := []memory.Kind{""}
		for i, kind := range simulate.Kinds() {
			if allChecks || i%5 == rng.IntN(5) {
				kinds = append(kinds, memory.Kind(kind))
			}
		}
		for _, kind := range kinds {
			var faults []simulate.Fault
			if kind != "" {
				ft, ok := anyFault(rng, wide, f.Mode, kind)
				if !ok {
					continue
				}
				faults = append(faults, ft)
			}
			r := compared(t, f, chain.do(captured(t, f, wide, simulate.Device{}, 1, faults...)), Options{Memory: &wide})
			chips := slices.ContainsFunc(r.Findings, func(f Finding) bool { return f.Chip >= 0 })
			if r.Clean || faults == nil && (chips || len(r.Findings) > 0) {
				t.Errorf("%s, %+v: clean %v, %q", chain.name, faults, r.Clean, brief(r.Findings))
			}
		}
	}
}
