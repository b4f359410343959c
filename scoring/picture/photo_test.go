package picture

import (
	"math/rand/v2"
	"slices"
	"testing"

	"proveout/scoring/memory"
	"proveout/scoring/picture/lines"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
	"proveout/scoring/picture/simulate"
)

func camera(rng *rand.Rand) simulate.Camera {
	return simulate.Camera{
		PixelsPerPixel: 3 + 3*rng.Float64(),
		TiltX:          30*rng.Float64() - 15,
		TiltY:          30*rng.Float64() - 15,
		Roll:           6*rng.Float64() - 3,
		Distortion:     0.08*rng.Float64() - 0.04,
		Vignetting:     0.4 * rng.Float64(),
		Slope:          0.2*rng.Float64() - 0.1,
		Blur:           0.5 + rng.Float64(),
		Noise:          6,
		Exposure:       0.75 + 0.2*rng.Float64(),
		Black:          8 * rng.Float64(),
		Quality:        85,
	}
}

func photographed(
	t testing.TB,
	f *pattern.Frame,
	org memory.Organisation,
	c simulate.Camera,
	seed uint64,
	faults ...simulate.Fault,
) *raster.RGB {
	screen, err := simulate.Card(f, org, 0, faults, seed)
	if err != nil {
		t.Fatal(err)
	}
	p, err := simulate.Photo(screen, c, seed)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestPhotographs(t *testing.T) {
	onlyInAllChecks(t) // a second camera photographs in the usual run
	const n = 6
	rng := rand.New(rand.NewPCG(3, 4))
	kinds := []memory.Kind{
		memory.LineStuck0, memory.LineOpen, memory.LinesShorted, memory.ChipDead, memory.LineStuck1,
	}
	m := small(pattern.RGB565)
	judged, badClean, named, faulty, found := 0, 0, 0, 0, 0
	for i := range n {
		f := show(t, m, "random-1")
		cam := camera(rng)
		org := []memory.Organisation{wide, narrow}[i/2%2]
		var faults []simulate.Fault
		if i%2 == 1 {
			ft := simulate.Fault{
				Kind:  kinds[i/2%5],
				Chip:  rng.IntN(4),
				Line:  3 + rng.IntN(5),
				Line2: rng.IntN(3),
			}
			faults = append(faults, ft)
			faulty++
		}
		p := photographed(t, f, org, cam, uint64(i), faults...)
		r := compared(t, f, p, Options{Memory: &org, Route: Photograph})
		t.Logf(
			"%d %+v: registered %v %v lines %+v noise %.1f scale %.2f %q",
			i,
			cam,
			r.Registered,
			r.Reason,
			r.LinesJudged,
			r.NoiseSD,
			r.Scale,
			brief(r.Findings),
		)
		if !r.Registered {
			continue
		}
		found++
		upper := 0
		for _, l := range r.Lines {
			if l.State != lines.NotJudged &&
				slices.ContainsFunc(
					l.PixelBits,
					func(b int) bool { return b >= 1 && b <= 4 || b >= 7 && b <= 10 || b >= 12 },
				) {
				upper++
			}
		}
		if len(faults) == 1 && faults[0].Kind != memory.ChipDead {
			for _, l := range r.Lines {
				if l.Chip == faults[0].Chip && l.Line == faults[0].Line && l.Bank == 0 &&
					l.State == lines.NotJudged {
					faulty-- // it does not say that it could judge this line
					break
				}
			}
		}
		if upper >= 47 {
			judged++
		}
		if len(faults) == 0 && (r.LinesJudged.Bad > 0 || len(r.Findings) > 0) {
			badClean++
		}
		for _, g := range r.Findings {
			if len(faults) == 1 && g.Kind == faults[0].Kind && g.Chip == faults[0].Chip &&
				(len(g.Lines) > 2 || slices.Contains(g.Lines, faults[0].Line)) {
				named++
				break
			}
		}
	}
	t.Logf(
		"%d of %d registered, upper bits judged in %d, %d of %d faults named, %d alarms",
		found,
		n,
		judged,
		named,
		faulty,
		badClean,
	)
	if found < n || judged*10 < 9*n || named*10 < 8*faulty || badClean > 0 {
		t.Error("not good enough")
	}
}
