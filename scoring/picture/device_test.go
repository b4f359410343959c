package picture

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"proveout/scoring/memory"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
)

// A second capture device, written from its description alone: it smooths along
// the line, scales between pixels, sets the picture off into black, and adds
// gain, offset and noise. Nothing here calls package simulate.
type recorder struct {
	scale, blur, noise float64
	right, down        int // capture pixels
	border             int // black pixels around the picture
	gain, offset       float64
	dark               bool // beyond the edge of the picture lies black, not its last pixel
}

func anyRecorder(rng *rand.Rand) recorder {
	scales := []float64{1, 1, 1.25, 1.5, 2, 1 + rng.Float64(), 1 + rng.Float64()}
	return recorder{
		scale: scales[rng.IntN(len(scales))], blur: 0.7 * rng.Float64(), noise: 8 * rng.Float64(),
		right: rng.IntN(25) - 12, down: rng.IntN(25) - 12, border: 16 * rng.IntN(2),
		gain: 0.85 + 0.3*rng.Float64(), offset: 24*rng.Float64() - 12, dark: rng.IntN(2) == 0,
	}
}

func (d recorder) record(screen *raster.RGB, rng *rand.Rand) *raster.RGB {
	w, h := screen.Width, screen.Height
	level := func(x, y, ch int) float64 {
		if d.dark && (x < 0 || x >= w || y < 0 || y >= h) {
			return 0
		}
		x, y = min(max(x, 0), w-1), min(max(y, 0), h-1)
		return float64(screen.Pix[3*(y*w+x)+ch])
	}
	var bell []float64
	sum := 0.0
	for k := -4; k <= 4; k++ {
		v := 0.0
		if k == 0 {
			v = 1
		}
		if d.blur > 0 {
			v = math.Exp(-float64(k*k) / (2 * d.blur * d.blur))
		}
		bell, sum = append(bell, v), sum+v
	}
	smooth := make([]float64, 3*(w+2)*(h+2)) // with a pixel around
	for y := -1; y <= h; y++ {
		for x := -1; x <= w; x++ {
			for ch := range 3 {
				s := 0.0
				for k, v := range bell {
					s += v / sum * level(x+k-4, y, ch)
				}
				smooth[3*((y+1)*(w+2)+x+1)+ch] = s
			}
		}
	}
	sw, sh := int(math.Round(float64(w)*d.scale)), int(math.Round(float64(h)*d.scale))
	out := raster.New(sw+2*d.border, sh+2*d.border)
	n := 3 * (w + 2)
	line := make([]float64, n)
	for y := range out.Height {
		py := y - d.border - d.down
		a, b, t := between(py, d.scale, h)
		for k := range line {
			line[k] = (1-t)*smooth[a*n+k] + t*smooth[b*n+k]
		}
		for x := range out.Width {
			px := x - d.border - d.right
			a, b, t := between(px, d.scale, w)
			for ch := range 3 {
				v := 0.0
				if px >= 0 && px < sw && py >= 0 && py < sh {
					v = (1-t)*line[3*a+ch] + t*line[3*b+ch]
				}
				v = math.Round(d.gain*v + d.offset + d.noise*rng.NormFloat64())
				out.Pix[3*(y*out.Width+x)+ch] = uint8(min(255, max(0, v)))
			}
		}
	}
	return out
}

// between returns the two of n screen pixels that a capture pixel lies between,
// counted from the one before the first, and the share of the second.
func between(pixel int, scale float64, n int) (a, b int, t float64) {
	at := (float64(pixel)+0.5)/scale - 0.5
	low := math.Floor(at)
	place := func(k int) int { return min(max(k, -1), n) + 1 }
	return place(int(low)), place(int(low) + 1), at - low
}

// stuckAddress is what a card shows whose word-address line is stuck: both halves
// of the words are one cell, and what was written last stands in it.
func stuckAddress(want *raster.RGB, size, beat, line int) *raster.RGB {
	out := raster.New(want.Width, want.Height)
	n := want.Width * want.Height
	for i := range n {
		// The pixel's word with the bit set is written after the one without it.
		last := (i*size/beat | 1<<line) * beat
		from := (last + i*size%beat) / size
		if from >= n {
			from = i
		}
		copy(out.Pix[3*i:3*i+3], want.Pix[3*from:3*from+3])
	}
	return out
}

// Clean captures of the second device are clean, its single faults are named:
// at least 95 % of them, with the false alarms under 1 in 200.
func TestSecondCaptureDevice(t *testing.T) {
	notUnderRace(t)
	clean, faults := usuallyOr(1, 80), usuallyOr(2, 42)
	rng := rand.New(rand.NewPCG(2026, 11))
	orgs := []memory.Organisation{wide, wider, narrow}
	formats := []pattern.Format{pattern.RGB565, pattern.RGB555, pattern.XRGB8888}
	alarms, hit := 0, 0
	for i := range clean {
		m := small(formats[i%3])
		org := orgs[rng.IntN(3)]
		f := show(t, m, "random-1")
		d := anyRecorder(rng)
		r := compared(t, f, d.record(f.RGB(), rng), Options{Memory: &org})
		if !r.Faultless {
			alarms++
			t.Logf("clean, but %q in %s through %+v", brief(r.Findings), m, d)
		}
	}
	if 200*alarms > clean {
		t.Errorf("%d false alarms in %d clean captures", alarms, clean)
	}
	kinds := []memory.Kind{
		memory.LineStuck0,
		memory.LineStuck1,
		memory.LineOpen,
		memory.LinesShorted,
		memory.ChipDead,
		memory.AddressLine,
	}
	for i := range faults {
		m := small(formats[rng.IntN(2)])
		org := orgs[rng.IntN(3)]
		b := breakage{
			kind: kinds[i%len(kinds)],
			chip: rng.IntN(org.ChipsPerBank()),
			line: rng.IntN(org.ChipBits - 1),
			or:   rng.IntN(2) == 0,
		}
		b.line2 = b.line + 1
		if m.Format == pattern.RGB555 && (b.line%8 == 7 || b.line2%8 == 7) {
			m.Format = pattern.RGB565 // bit 15 of the other is not shown
		}
		f := show(t, m, "random-1")
		var screen *raster.RGB
		if b.kind == memory.AddressLine {
			b.chip, b.line = -1, 2+rng.IntN(10)
			screen = stuckAddress(f.RGB(), 2, org.BusBits/8, b.line)
		} else {
			screen = brokenScreen(f.RGB(), m.Format, org, &b, rng)
		}
		d := anyRecorder(rng)
		r := compared(t, f, d.record(screen, rng), Options{Memory: &org})
		if slices.ContainsFunc(r.Findings, func(g Finding) bool {
			switch {
			case g.Kind != b.kind || g.Chip != b.chip:
				return false
			case b.kind == memory.AddressLine:
				return g.AddressLine == b.line
			case b.kind == memory.LinesShorted:
				return slices.Equal(g.Lines, []int{b.line, b.line2})
			case b.kind == memory.ChipDead:
				return true
			}
			return slices.Equal(g.Lines, []int{b.line})
		}) {
			hit++
			continue
		}
		t.Logf(
			"missed %+v of %d×%d bits in %s through %+v: found %q",
			b,
			org.ChipBits,
			org.BusBits,
			m,
			d,
			brief(r.Findings),
		)
	}
	t.Logf("%d of %d faults named, %d false alarms in %d", hit, faults, alarms, clean)
	if 100*hit < 95*faults {
		t.Errorf("%d of %d faults named", hit, faults)
	}
}
