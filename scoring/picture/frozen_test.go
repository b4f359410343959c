package picture

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"proveout/plans/fact"
	"proveout/scoring/memory"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
	"proveout/scoring/picture/simulate"
)

// form returns the finding of that kind and form.
func form(fs []Finding, k memory.Kind, f Form) *Finding {
	for i := range fs {
		if fs[i].Kind == k && fs[i].Form == f {
			return &fs[i]
		}
	}
	return nil
}

func TestFrozenPicture(t *testing.T) {
	notUnderRace(t)
	m := small(pattern.RGB565)
	for i, named := range []string{"random-1", "ramp"} {
		for k, shown := range []string{"", "text", "random-2"} {
			for n, d := range []simulate.Device{
				{},
				{Noise: 8, Blur: 0.7, ShiftX: 12, ShiftY: -12},
				{Noise: 3, Scale: 1.6, ShiftX: 5},
			} {
				if !allChecks && (3*i+2*k+n)%8 != 0 {
					continue
				}
				f := show(t, m, named)
				r := compared(
					t,
					f,
					captured(t, f, wide, d, 5, simulate.Fault{Kind: simulate.Frozen, Shows: shown}),
					Options{Memory: &wide},
				)
				if g := form(r.Findings, Black, Frozen); g == nil || len(r.Findings) > 1 || r.Registered ||
					r.Clean ||
					shown != "" && g.Where.Args["pattern"] != fact.Name(shown) ||
					r.LinesJudged.Good > 0 {
					t.Errorf(
						"%s shown for %s, noise %g: registered %v %v, %q",
						shown,
						named,
						d.Noise,
						r.Registered,
						r.Reason,
						brief(r.Findings),
					)
				}
			}
		}
	}
}

// remembered are results that were written down and read back.
func remembered(t *testing.T, results []*Result) []*Result {
	t.Helper()
	var out []*Result
	for _, r := range results {
		text, err := r.Memo()
		if err != nil {
			t.Fatal(err)
		}
		again, err := ReadMemo(text)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, again)
	}
	return out
}

func encoded(t *testing.T, v any) string {
	t.Helper()
	text, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// One capture of another picture may be the wrong file; several of them are a
// frozen screen.
func TestFrozenOverSeveralPictures(t *testing.T) {
	m := small(pattern.RGB565)
	stays := show(t, m, "ramp").RGB()
	var results []*Result
	for _, name := range []string{"ramp", "random-1"} {
		results = append(results, compared(t, show(t, m, name), stays, Options{Memory: &wide}))
	}
	alone := Combine(results[1:])
	if g := form(alone.Findings, Black, Frozen); g == nil || g.Confidence > 0.7 {
		t.Errorf("one capture: %+v", alone.Findings)
	}
	both := Combine(results)
	kept := Combine(remembered(t, results))
	if want, got := encoded(t, both), encoded(t, kept); got != want {
		t.Errorf("of results that were kept: %s, want %s", got, want)
	}
	if g := form(both.Findings, Black, Frozen); g == nil || g.Confidence < 0.9 || both.Clean ||
		len(both.Findings) != 1 {
		t.Errorf("two captures: %+v", both.Findings)
	}
	b, err := json.Marshal(both.Findings[0])
	if err != nil || !strings.Contains(string(b), `"kind":"black"`) ||
		!strings.Contains(string(b), `"form":"frozen"`) {
		t.Errorf("%v %s", err, b)
	}
}

func deskPicture() *raster.RGB {
	desk := raster.New(320, 240)
	for i := range desk.Pix {
		desk.Pix[i] = uint8(128 + 100*math.Sin(float64(i/3%320)/23)*math.Cos(float64(i/3/320)/17))
	}
	return desk
}

// Pictures are the same at a glance, or not.
func TestGlances(t *testing.T) {
	desk := deskPicture()
	// All of one brightness, or another picture: nothing can be said.
	grey := raster.New(320, 240)
	grey.Fill(0, 0, 320, 240, 90, 90, 90)
	for i := range grey.Pix {
		grey.Pix[i] += uint8(i * i % 13)
	}
	turned := raster.New(320, 240)
	for i := range turned.Pix {
		turned.Pix[i] = 255 - desk.Pix[i]
	}
	if !glanceAt(desk).like(glanceAt(desk)) || glanceAt(grey).like(glanceAt(grey)) ||
		glanceAt(desk).like(glanceAt(turned)) ||
		glanceAt(desk).like(nil) {
		t.Error("pictures are not told apart at a glance")
	}
}

// Captures that show a desk instead of the patterns say that it is the same desk.
func TestOnePictureForTwoPatterns(t *testing.T) {
	onlyInAllChecks(t)
	m, desk := small(pattern.RGB565), deskPicture()
	var results []*Result
	for _, name := range []string{"random-1", "random-2"} {
		f := show(t, m, name)
		c, err := simulate.Capture(desk, simulate.Device{Noise: 4}, uint64(len(results)+1))
		if err != nil {
			t.Fatal(err)
		}
		results = append(results, compared(t, f, c, Options{Memory: &wide}))
	}
	sum := Combine(remembered(t, results))
	if g := form(sum.Findings, Black, Frozen); g == nil || g.Undecided() || sum.Clean {
		t.Errorf("%q", brief(sum.Findings))
	}
}

func TestDirtySampling(t *testing.T) {
	notUnderRace(t)
	f := show(t, small(pattern.RGB565), "random-1")
	for k, d := range []simulate.Device{{}, {Noise: 8, Blur: 0.3, ShiftX: 12, ShiftY: -12}, analogue} {
		if k == 2 && !allChecks {
			continue
		}
		faults := []simulate.Fault{{Amount: 30}, {Amount: 30, Period: 64}, {Amount: 50}, {Amount: 40, Period: 200}}
		if !allChecks {
			faults = faults[k%2 : k%2+1]
		}
		for _, ft := range faults {
			ft.Kind = simulate.Sampling
			r := compared(t, f, captured(t, f, narrow, d, 9, ft), Options{Memory: &narrow})
			g := form(r.Findings, Noise, Sampling)
			if g == nil || len(r.Findings) > 1 || r.Clean ||
				(g.Where.Key == "picture.sampling-jitters") != (ft.Period == 0) ||
				r.LinesJudged.Bad > 0 {
				t.Errorf(
					"%+v noise %g: registered %v %v blur %.2f, %q",
					ft,
					d.Noise,
					r.Registered,
					r.Reason,
					r.Blur,
					brief(r.Findings),
				)
			}
		}
	}
	// Lines of one pixel that run into one another.
	r := compared(t, f, captured(t, f, narrow, simulate.Device{Noise: 2, Blur: 1.3}, 9), Options{Memory: &narrow})
	if form(r.Findings, Noise, Sampling) == nil || r.Clean {
		t.Errorf("blur 1.3: registered %v %v, blur %.2f, %q", r.Registered, r.Reason, r.Blur, brief(r.Findings))
	}
}
