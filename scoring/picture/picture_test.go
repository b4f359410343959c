package picture

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"runtime/debug"
	"slices"
	"strings"
	"testing"

	"proveout/plans/fact"
	"proveout/scoring/memory"
	"proveout/scoring/picture/lines"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
	"proveout/scoring/picture/simulate"
)

// allChecks says that the full checks are wanted: with the same tests on more
// and larger pictures. The race detector runs without them.
var allChecks = os.Getenv("PROVEOUT_ALL_CHECKS") == "1"

// usuallyOr is how many of something the usual run and the full checks try.
func usuallyOr(usually, all int) int {
	if allChecks {
		return all
	}
	return usually
}

func onlyInAllChecks(t *testing.T) {
	if !allChecks {
		t.Skip("PROVEOUT_ALL_CHECKS=1 tries this")
	}
}

// underRace says that the race detector is on, under which pictures take ten
// times as long.
var underRace = func() bool {
	info, ok := debug.ReadBuildInfo()
	return ok && slices.Contains(info.Settings, debug.BuildSetting{Key: "-race", Value: "true"})
}()

// notUnderRace leaves out what goes no other way through code that runs on both
// cores than the tests that stay.
func notUnderRace(t *testing.T) {
	if underRace {
		t.Skip("slow under the race detector; the usual run tries this")
	}
}

func bank(first, n int) memory.Bank {
	var b memory.Bank
	for i := range n {
		b.Designators = append(b.Designators, fmt.Sprintf("U%d", first+i))
	}
	return b
}

var (
	wide = memory.Organisation{
		Words:    1 << 20,
		ChipBits: 16,
		BusBits:  64,
		Banks:    []memory.Bank{bank(1, 4), bank(5, 4)},
	}
	wider  = memory.Organisation{Words: 512 << 10, ChipBits: 32, BusBits: 128, Banks: []memory.Bank{bank(11, 4)}}
	narrow = memory.Organisation{Words: 512 << 10, ChipBits: 8, BusBits: 64, Banks: []memory.Bank{bank(1, 8)}}
	split  = memory.Organisation{
		Words:    12 << 10,
		ChipBits: 16,
		BusBits:  64,
		Banks:    []memory.Bank{bank(1, 4), bank(5, 4), bank(9, 4), bank(13, 4)},
	}
)

func small(f pattern.Format) pattern.Mode { return pattern.Mode{Width: 320, Height: 240, Format: f} }

func show(t testing.TB, m pattern.Mode, name string) *pattern.Frame {
	p, err := pattern.ParseName(name, m)
	if err != nil {
		t.Fatal(err)
	}
	f, err := p.Render()
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func captured(
	t testing.TB,
	f *pattern.Frame,
	org memory.Organisation,
	d simulate.Device,
	seed uint64,
	faults ...simulate.Fault,
) *raster.RGB {
	screen, err := simulate.Card(f, org, 0, faults, seed)
	if err != nil {
		t.Fatal(err)
	}
	c, err := simulate.Capture(screen, d, seed)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func compared(t testing.TB, f *pattern.Frame, c *raster.RGB, o Options) *Result {
	r, err := Compare(f, c, o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// brief lists findings for messages.
func brief(fs []Finding) (out []string) {
	for _, f := range fs {
		out = append(out, fmt.Sprintf("%s %s %v: %v", f.Kind, f.Designator, f.Lines, f.Where))
	}
	return out
}

var analogue = simulate.Device{
	Gain:   [3]float64{1.1, 0.9, 1},
	Offset: [3]float64{5, -6, 9},
	Noise:  5,
	ShiftX: -7,
	ShiftY: 4,
	Blur:   0.5,
	Scale:  1.3,
}

func TestCleanDigitalPictureOfEveryPattern(t *testing.T) {
	notUnderRace(t)
	for _, m := range []pattern.Mode{small(pattern.RGB565), small(pattern.Palette8)} {
		for _, p := range pattern.All(m) {
			if p.Kind >= pattern.BitPlane && p.Variant&15 > 2 ||
				!allChecks && p.Kind == pattern.Solid && p.Variant > 2 {
				continue
			}
			f, err := p.Render()
			if err != nil {
				t.Fatal(err)
			}
			r := compared(t, f, f.RGB(), Options{Memory: &wide})
			random := p.Kind == pattern.Random || p.Kind == pattern.RandomComplement // all other patterns judge no line, or few
			if !r.Registered || !r.Faultless || r.Clean != random || r.Route != Digital || r.MAE != 0 || r.SSIM < 1-1e-9 ||
				r.Shift != [2]float64{} ||
				r.Scale != 1 {
				t.Errorf(
					"%s %s: registered %v (%v) clean %v route %s MAE %g SSIM %g %q %q",
					m,
					p.Name(),
					r.Registered,
					r.Reason,
					r.Clean,
					r.Route,
					r.MAE,
					r.SSIM,
					brief(r.Findings),
					r.Doubts,
				)
			}
			if random &&
				r.LinesJudged != (Judged{64, 0, 64}) {
				t.Errorf("%s %s: lines %+v", m, p.Name(), r.LinesJudged)
			}
		}
	}
}

func TestCleanAnalogueCaptureOfEveryKind(t *testing.T) {
	notUnderRace(t)
	m := small(pattern.RGB565)
	names := []string{
		"random-1",
		"random-inverse-1",
		"ramp",
		"grid",
		"text",
		"checker",
		"columns",
		"rows",
		"solid-white",
		"solid-blue",
		"plane-green-5",
		"bit-red-4",
	}
	if !allChecks {
		names = []string{"random-1", "ramp"}
	}
	for _, name := range names {
		f := show(t, m, name)
		r := compared(t, f, captured(t, f, wide, analogue, 3), Options{Memory: &wide})
		if !r.Registered || !r.Faultless || r.Route != Analogue {
			t.Errorf(
				"%s: registered %v (%v) clean %v route %s shift %v scale %v %q %q",
				name,
				r.Registered,
				r.Reason,
				r.Clean,
				r.Route,
				r.Shift,
				r.ScaleXY,
				brief(r.Findings),
				r.Doubts,
			)
		}
		if name == "random-1" {
			for ch := range 3 {
				if d := r.Gain[ch] - analogue.Gain[ch]; d > 0.01 || d < -0.01 {
					t.Errorf("gain %v", r.Gain)
				}
				if d := r.Offset[ch] - analogue.Offset[ch]; d > 1 || d < -1 {
					t.Errorf("offset %v", r.Offset)
				}
			}
			if r.NoiseSD < 4.5 || r.NoiseSD > 5.8 || r.Shift != [2]float64{-7, 4} || r.Scale != 1.3 {
				t.Errorf("noise %.2f shift %v scale %v", r.NoiseSD, r.Shift, r.Scale)
			}
		}
	}
}

// Findings that are not of the memory.
func TestOtherFaults(t *testing.T) {
	notUnderRace(t)
	f := show(t, small(pattern.RGB565), "random-1")
	for k, d := range []simulate.Device{{}, {Noise: 8, Blur: 0.7, ShiftX: 12, ShiftY: -12}, analogue} {
		for i, ft := range []simulate.Fault{
			{Kind: simulate.ConverterBit, Channel: 1, Bit: 4},
			{Kind: simulate.ChannelMissing, Channel: 2},
			{Kind: simulate.ChannelSwapped, Channel: 0},
			{Kind: simulate.Black},
			{Kind: simulate.Displaced, Amount: 24},
			{Kind: simulate.Stripe, Period: 8, Amount: 12},
			{Kind: simulate.Noise, Rate: 0.003},
			{Kind: simulate.Geometry, Amount: 20},
		} {
			if !allChecks && (i+k)%3 != 0 { // each fault through one of the devices
				continue
			}
			r := compared(t, f, captured(t, f, narrow, d, 9, ft), Options{Memory: &narrow})
			if !slices.ContainsFunc(r.Findings, func(g Finding) bool { return g.Kind == ft.Kind }) || r.Clean ||
				len(r.Findings) > 1 {
				t.Errorf(
					"%s with noise %g: registered %v %v; lines %+v; found %q",
					ft.Kind,
					d.Noise,
					r.Registered,
					r.Reason,
					r.LinesJudged,
					brief(r.Findings),
				)
			}
		}
	}
}

func TestMemoryFaultsThroughCompare(t *testing.T) {
	for _, tt := range []struct {
		org   memory.Organisation
		mode  pattern.Mode
		fault simulate.Fault
		lines []int
	}{
		{wide, small(pattern.RGB565), simulate.Fault{Kind: memory.LineStuck0, Chip: 2, Line: 11}, []int{11}},
		{
			wide, small(pattern.RGB565),
			simulate.Fault{Kind: memory.LinesShorted, Chip: 1, Line: 5, Line2: 4, Wired: simulate.WiredOr}, []int{4, 5},
		},
		{wider, small(pattern.XRGB8888), simulate.Fault{Kind: memory.LineOpen, Chip: 3, Line: 7}, []int{7}},
		{narrow, small(pattern.RGB888), simulate.Fault{Kind: memory.LinesSwapped, Chip: 6, Line: 1, Line2: 3}, []int{1, 3}},
		{narrow, small(pattern.Palette8), simulate.Fault{Kind: memory.ChipDead, Chip: 5}, nil},
		{split, small(pattern.RGB565), simulate.Fault{Kind: memory.BankLost, Bank: 1}, nil},
		{wide, small(pattern.RGB565), simulate.Fault{Kind: memory.AddressLine, Chip: -1, AddressLine: 5}, nil},
		{narrow, small(pattern.RGB565), simulate.Fault{Kind: memory.ChipWeak, Chip: 4, Rate: 0.01}, nil},
	} {
		f := show(t, tt.mode, "random-1")
		devices := []simulate.Device{analogue, {}}
		if !allChecks {
			devices = devices[1:]
		}
		for _, d := range devices {
			r := compared(t, f, captured(t, f, tt.org, d, 4, tt.fault), Options{Memory: &tt.org})
			if len(r.Findings) != 1 || r.Findings[0].Kind != tt.fault.Kind || r.Clean ||
				tt.lines != nil && !slices.Equal(r.Findings[0].Lines, tt.lines) {
				t.Errorf(
					"%+v noise %g: registered %v %v lines %+v found %q",
					tt.fault,
					d.Noise,
					r.Registered,
					r.Reason,
					r.LinesJudged,
					brief(r.Findings),
				)
			}
		}
	}
}

func TestJSONNames(t *testing.T) {
	f := show(t, small(pattern.RGB565), "random-1")
	r := compared(
		t,
		f,
		captured(t, f, wide, simulate.Device{}, 1, simulate.Fault{Kind: memory.LineStuck1, Chip: 1, Line: 15}),
		Options{Memory: &wide},
	)
	b, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	var m map[string]any
	if err := json.Unmarshal(b, &m); err != nil {
		t.Fatal(err)
	}
	for _, k := range strings.Fields("registered shift scale gain offset noise_sd route lines_judged " +
		"mae psnr_db ssim delta_e clean findings") {
		if _, ok := m[k]; !ok {
			t.Errorf("no %q in %s", k, b[:400])
		}
	}
	j := m["lines_judged"].(map[string]any)
	if j["good"] != 63.0 || j["bad"] != 1.0 || j["not_judged"] != 64.0 {
		t.Errorf("lines_judged %v", j)
	}
	g := m["findings"].([]any)[0].(map[string]any)
	for _, k := range []string{"kind", "chip", "designator", "lines", "address_line", "confidence", "where", "advice"} {
		if _, ok := g[k]; !ok {
			t.Errorf("no %q in %v", k, g)
		}
	}
	if g["designator"] != "U2" || g["kind"] != "line-stuck-1" {
		t.Errorf("finding %v", g)
	}
	r = compared(t, f, f.RGB(), Options{})
	if b, err = json.Marshal(r); err != nil || !bytes.Contains(b, []byte(`"psnr_db":null`)) ||
		!bytes.Contains(b, []byte(`"findings":[]`)) {
		t.Errorf("%v %s", err, b)
	}
}

func TestInconclusiveCaptures(t *testing.T) {
	notUnderRace(t)
	f := show(t, small(pattern.RGB565), "random-1")
	other := show(t, small(pattern.RGB565), "ramp")
	r := compared(t, f, other.RGB(), Options{Memory: &wide})
	another := fact.New("picture.another-pattern", "pattern", "ramp", "mode", "320x240x16")
	if r.Registered || r.Clean || !same(r.Reason, another) || r.LinesJudged != (Judged{0, 0, 128}) {
		t.Errorf("%v %v %+v", r.Registered, r.Reason, r.LinesJudged)
	}
	rng := rand.New(rand.NewPCG(1, 1))
	junk := raster.New(400, 300)
	for i := range junk.Pix {
		junk.Pix[i] = uint8(rng.Uint32())
	}
	if r = compared(t, f, junk, Options{Memory: &wide}); r.Registered || r.Clean || r.Reason.IsZero() {
		t.Errorf("snow: %+v", r)
	}
	tiny := memory.Organisation{Words: 16, ChipBits: 8, BusBits: 8, Banks: []memory.Bank{bank(1, 1)}}
	if _, err := Compare(f, junk, Options{Memory: &tiny}); err == nil {
		t.Error("a picture larger than the memory is accepted")
	}
}

func TestCombineAndMarked(t *testing.T) {
	a, b := show(t, small(pattern.RGB565), "random-1"), show(t, small(pattern.RGB565), "random-inverse-1")
	ft := simulate.Fault{Kind: memory.LineOpen, Chip: 3, Line: 9}
	ra := compared(t, a, captured(t, a, wide, analogue, 1, ft), Options{Memory: &wide})
	rb := compared(t, b, captured(t, b, wide, analogue, 2, ft), Options{Memory: &wide})
	c := Combine([]*Result{ra, rb})
	if len(c.Findings) != 1 || c.Findings[0].Kind != memory.LineOpen || c.Findings[0].Designator != "U4" ||
		c.Clean ||
		c.LinesJudged.Bad != 1 ||
		c.LinesJudged.Good < 60 {
		t.Errorf("%+v %q", c.LinesJudged, brief(c.Findings))
		for _, l := range c.Lines {
			if l.State == lines.NotJudged && l.SE != nil {
				t.Logf("%s D%d follows %.3f ± %.3f", l.Designator, l.Line, *l.Follows, *l.SE)
			}
		}
	}
	if c.Findings[0].Confidence < ra.Findings[0].Confidence {
		t.Error("two pictures are less sure than one")
	}
	if c = Combine(nil); c.Clean {
		t.Error("nothing is clean")
	}
	m := Marked(ra)
	if m == nil || m.Width != 320 || m.Height != 256 {
		t.Fatalf("marked picture %+v", m)
	}
	orange := 0
	for i := 0; i < 3*320*240; i += 3 {
		if m.Pix[i] > 200 && m.Pix[i+2] < 60 {
			orange++
		}
	}
	if orange < 1000 {
		t.Errorf("%d orange pixels on the map", orange)
	}
}

// Of a line that is shorted to one which in some lanes lies in the unused byte of the
// pixels, it is known what was written there.
func TestShortToTheUnusedByte(t *testing.T) {
	notUnderRace(t)
	f := show(t, small(pattern.XRGB8888), "random-1")
	for i, tt := range []struct{ bus, chips, chip, line, other int }{
		{48, 3, 1, 15, 7}, {80, 5, 4, 10, 3}, {80, 5, 1, 8, 6}, {48, 3, 0, 5, 13},
	} {
		if i >= usuallyOr(2, 4) {
			return
		}
		org := memory.Organisation{Words: 1 << 20, ChipBits: 16, BusBits: tt.bus, Banks: []memory.Bank{bank(1, tt.chips)}}
		ft := simulate.Fault{Kind: memory.LinesShorted, Chip: tt.chip, Line: tt.line, Line2: tt.other}
		r := compared(t, f, captured(t, f, org, simulate.Device{Noise: 1.5}, 1, ft), Options{Memory: &org})
		want := []int{min(tt.line, tt.other), max(tt.line, tt.other)}
		if len(r.Findings) != 1 || r.Findings[0].Kind != memory.LinesShorted || r.Findings[0].Chip != tt.chip ||
			!slices.Equal(r.Findings[0].Lines, want) {
			t.Errorf("%+v: %q", tt, brief(r.Findings))
		}
	}
}
