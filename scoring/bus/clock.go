package bus

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"proveout/scoring/conformity"
)

// ReferenceHz is the common reference crystal, four times the NTSC colour
// subcarrier: 315/22 MHz.
const ReferenceHz = 315e6 / 22

// A Synthesizer makes clocks from a reference: f = reference · N / (M · 2^K).
// N and M are the divider moduli; registers commonly hold two less (common
// practice, no source).
type Synthesizer struct {
	ReferenceHz  float64 // 0: ReferenceHz
	NMin, NMax   int
	MMin, MMax   int
	KMin, KMax   int
	VCOMinHz     float64 // of reference·N/M; 0: no limit
	VCOMaxHz     float64 // 0: no limit
	CompareMinHz float64 // of reference/M; 0: no limit
}

// Check reports what makes the ranges impossible.
func (s Synthesizer) Check() error {
	var errs []error
	span := func(name string, low, high, least, most int) {
		if low < least || high < low || high > most {
			errs = append(errs, fmt.Errorf("range of %s, %d to %d, is not within %d to %d", name, low, high, least, most))
		}
	}
	span("N", s.NMin, s.NMax, 1, 1<<16)
	span("M", s.MMin, s.MMax, 1, 1<<12)
	span("K", s.KMin, s.KMax, 0, 10)
	for _, f := range []float64{s.ReferenceHz, s.VCOMinHz, s.VCOMaxHz, s.CompareMinHz} {
		if !(f >= 0) || math.IsInf(f, 0) {
			errs = append(errs, fmt.Errorf("frequency %g Hz is not a positive number", f))
		}
	}
	return errors.Join(errs...)
}

func (s Synthesizer) reference() float64 {
	if s.ReferenceHz == 0 {
		return ReferenceHz
	}
	return s.ReferenceHz
}

// A Setting is one setting of a synthesizer.
type Setting struct {
	N   int     `json:"n"`
	M   int     `json:"m"`
	K   int     `json:"k"`
	Hz  float64 `json:"hz"`
	PPM float64 `json:"ppm"` // from the frequency that was looked for
}

// Nearest returns up to count settings nearest to a frequency, each frequency
// once, with the smallest dividers that give it.
func (s Synthesizer) Nearest(hz float64, count int) ([]Setting, error) {
	if err := s.Check(); err != nil {
		return nil, err
	}
	if !(hz > 0) || math.IsInf(hz, 0) {
		return nil, fmt.Errorf("frequency %g Hz is not a positive number", hz)
	}
	count = min(max(count, 1), 64)
	ref := s.reference()
	var all []Setting
	for k := s.KMin; k <= s.KMax; k++ {
		for m := s.MMin; m <= s.MMax; m++ {
			if ref/float64(m) < s.CompareMinHz {
				break
			}
			low, high := s.feedback(ref / float64(m))
			if low > high {
				continue
			}
			step := ref / float64(m<<uint(k))
			ideal := int(min(max(hz/step, float64(low)), float64(high)))
			for n := max(low, ideal-count/2-1); n <= min(high, ideal+count/2+2); n++ {
				f := float64(n) * ref / float64(m<<uint(k))
				all = append(all, Setting{N: n, M: m, K: k, Hz: f, PPM: roundTo(ppm(f, hz), 2)})
			}
		}
		if len(all) > 1<<15 {
			all = nearestOf(all, hz, count)
		}
	}
	return nearestOf(all, hz, count), nil
}

// feedback returns the range of N that the ranges and the VCO leave when the
// comparison runs at a frequency.
func (s Synthesizer) feedback(compareHz float64) (low, high int) {
	low, high = s.NMin, s.NMax
	if n := math.Ceil(s.VCOMinHz / compareHz); n > float64(low) {
		low = int(min(n, float64(s.NMax+1)))
	}
	if n := math.Floor(s.VCOMaxHz / compareHz); s.VCOMaxHz > 0 && n < float64(high) {
		high = int(max(n, 0))
	}
	return low, high
}

// nearestOf keeps the nearest settings, one for each frequency.
func nearestOf(all []Setting, hz float64, count int) []Setting {
	slices.SortFunc(all, func(a, b Setting) int {
		// The same ratio can differ in the last digit when written with other dividers.
		if math.Abs(a.Hz-b.Hz) > 1e-9*hz {
			if c := cmp.Compare(math.Abs(a.Hz-hz), math.Abs(b.Hz-hz)); c != 0 {
				return c
			}
			return cmp.Compare(a.Hz, b.Hz)
		}
		if c := cmp.Compare(a.K, b.K); c != 0 {
			return c
		}
		return cmp.Compare(a.M, b.M)
	})
	var out []Setting
	for _, s := range all {
		if len(out) == count {
			break
		}
		if !slices.ContainsFunc(out, func(o Setting) bool { return math.Abs(o.Hz-s.Hz) <= 1e-9*hz }) {
			out = append(out, s)
		}
	}
	return out
}

// A ClockVariant is a clock that another variant of the family runs at.
type ClockVariant struct {
	Name string
	Hz   float64
}

// A ClockReading is a clock as read, with what it is compared with.
type ClockReading struct {
	NominalHz     float64
	ReadHz        float64
	ResolutionHz  float64 // last digit shown: 1e6 for a reading in whole MHz
	TolerancePPM  float64 // of the nominal clock, both ways
	InstrumentPPM float64 // limits of the instrument, taken as rectangular
	Synthesizer   *Synthesizer
	Variants      []ClockVariant
}

// Counted turns a count of a test output into a frequency and its resolution:
// counts in a gate of so many seconds, of a clock divided by divider.
func Counted(counts int64, gateSeconds, divider float64) (hz, resolutionHz float64, err error) {
	if counts < 0 || !(gateSeconds > 0) || !(divider > 0) || math.IsInf(gateSeconds, 0) || math.IsInf(divider, 0) {
		return 0, 0, fmt.Errorf("%d counts in %g s of a clock divided by %g is no measurement", counts, gateSeconds, divider)
	}
	return float64(counts) / gateSeconds * divider, divider / gateSeconds, nil
}

// A ClockKind says what a clock reading turned out to be.
type ClockKind string

// What a reading can be.
const (
	ClockNominal   ClockKind = "nominal"             // the reading agrees with the nominal clock
	ClockSetting   ClockKind = "synthesizer-setting" // the setting nearest to nominal that the synthesizer can make
	ClockOfVariant ClockKind = "variant"             // the clock of another variant
	ClockDrift     ClockKind = "drift"               // near nominal but off: reference or synthesizer
	ClockOther     ClockKind = "other-setting"       // too far off for drift: another setting
)

// A ClockReport judges a clock reading.
type ClockReport struct {
	DeviationPPM float64            `json:"deviation_ppm"`
	Verdict      conformity.Verdict `json:"verdict"`
	Kind         ClockKind          `json:"kind"`
	Nearest      *Setting           `json:"nearest,omitempty"`         // to the nominal clock
	ReadingFits  *Setting           `json:"reading_setting,omitempty"` // nearest to the reading, with the smallest dividers
	ReadingU     float64            `json:"reading_u"`                 // standard uncertainty of the reading, Hz
	Variant      string             `json:"variant,omitempty"`
	Text         string             `json:"text"`
}

// driftPPM is the most that a worn or loaded crystal is taken to drift; more
// is another setting. Common practice, no source.
const driftPPM = 2000

// JudgeClock compares a clock reading with the nominal clock. Its verdict
// takes the reading ± twice its standard uncertainty: wholly inside the
// tolerance passes, wholly outside fails, else it is inconclusive (JCGM
// 106:2012, guarded acceptance and rejection). The resolution of the display
// is half a last digit, rectangular (JCGM 100:2008, 4.3.7).
//
// A clock outside the tolerance still passes when it is the setting nearest to
// nominal that the synthesizer can make.
func JudgeClock(r ClockReading) (ClockReport, error) {
	if err := r.check(); err != nil {
		return ClockReport{}, err
	}
	u := math.Hypot(r.ResolutionHz/2/math.Sqrt(3), r.InstrumentPPM*1e-6*r.ReadHz/math.Sqrt(3))
	out := ClockReport{DeviationPPM: roundTo(ppm(r.ReadHz, r.NominalHz), 1), ReadingU: u}
	limit, off := r.TolerancePPM*1e-6*r.NominalHz, math.Abs(r.ReadHz-r.NominalHz)
	switch {
	case off+2*u <= limit:
		out.Verdict = conformity.Pass
	case off-2*u > limit:
		out.Verdict = conformity.Fail
	default:
		out.Verdict = conformity.Inconclusive
	}
	if r.Synthesizer != nil {
		near, err := r.Synthesizer.Nearest(r.NominalHz, 1)
		if err != nil {
			return ClockReport{}, err
		}
		if len(near) > 0 {
			out.Nearest = &near[0]
		}
		fits, err := r.Synthesizer.Nearest(r.ReadHz, 1)
		if err != nil {
			return ClockReport{}, err
		}
		if len(fits) > 0 {
			out.ReadingFits = &fits[0]
		}
	}
	r.recognise(&out, u)
	return out, nil
}

func (r ClockReading) check() error {
	var errs []error
	for _, x := range []struct {
		name  string
		v     float64
		least float64
	}{{"nominal clock", r.NominalHz, 1}, {"clock reading", r.ReadHz, 0}, {"resolution", r.ResolutionHz, 0}, {"tolerance", r.TolerancePPM, 0}, {"instrument limit", r.InstrumentPPM, 0}} {
		if !(x.v >= x.least) || math.IsInf(x.v, 0) {
			errs = append(errs, fmt.Errorf("%s %g is not a positive number", x.name, x.v))
		}
	}
	if r.ReadHz == 0 {
		errs = append(errs, errors.New("the clock reads 0 Hz: nothing runs, or nothing was read"))
	}
	if r.Synthesizer != nil {
		errs = append(errs, r.Synthesizer.Check())
	}
	return errors.Join(errs...)
}

// recognise says what the reading is.
func (r ClockReading) recognise(out *ClockReport, u float64) {
	reach := max(2*u, 50e-6*r.NominalHz) // nothing is set closer than a crystal is cut
	agrees := func(hz float64) bool { return math.Abs(r.ReadHz-hz) <= reach }
	variant := ""
	for _, v := range r.Variants {
		if v.Hz > 0 && agrees(v.Hz) && (variant == "" || math.Abs(r.ReadHz-v.Hz) < math.Abs(r.ReadHz-r.NominalHz)) {
			variant = v.Name
		}
	}
	mhz := func(hz float64) string { return fmt.Sprintf("%.4g MHz", hz/1e6) }
	switch {
	case out.Verdict == conformity.Pass || out.Verdict == conformity.Inconclusive && agrees(r.NominalHz):
		out.Kind = ClockNominal
		out.Text = fmt.Sprintf("the reading agrees with %s", mhz(r.NominalHz))
		if out.Verdict == conformity.Inconclusive {
			out.Text += "; it is too coarse for the tolerance: read more digits or count a test output"
		}
	case out.Nearest != nil && agrees(out.Nearest.Hz):
		out.Kind, out.Verdict = ClockSetting, conformity.Pass
		out.Text = fmt.Sprintf("the nearest setting to %s that the synthesizer can make: %.6g MHz with N=%d, M=%d, K=%d", mhz(r.NominalHz), out.Nearest.Hz/1e6, out.Nearest.N, out.Nearest.M, out.Nearest.K)
	case variant != "":
		out.Kind, out.Variant = ClockOfVariant, variant
		out.Verdict = conformity.Inconclusive
		out.Text = fmt.Sprintf("the clock of the variant %q, not drift: look whether the card is that variant or carries its firmware", variant)
	case math.Abs(out.DeviationPPM) <= driftPPM:
		out.Kind = ClockDrift
		out.Text = "off by a little: the reference crystal and its load capacitors, or the synthesizer"
	default:
		out.Kind = ClockOther
		out.Text = "too far off for drift: another setting, by firmware, straps or driver"
		if out.ReadingFits != nil && agrees(out.ReadingFits.Hz) {
			out.Text += fmt.Sprintf("; N=%d, M=%d, K=%d makes it", out.ReadingFits.N, out.ReadingFits.M, out.ReadingFits.K)
		}
	}
}

// A ClockPair is core and memory clock read at the same time.
type ClockPair struct {
	CoreHz, MemoryHz float64
	CoreU, MemoryU   float64 // standard uncertainties, Hz
}

// A Coupling says whether core and memory share one clock.
type Coupling struct {
	Coupled conformity.Verdict `json:"coupled"` // pass: coupled, fail: independent, inconclusive: cannot tell
	Ratio   string             `json:"ratio,omitempty"`
	Text    string             `json:"text"`
}

// CompareClocks says whether core and memory clock are coupled. One pair can
// only contradict a coupling or suggest it; pairs read at different settings
// settle it.
func CompareClocks(pairs []ClockPair) (Coupling, error) {
	if len(pairs) == 0 {
		return Coupling{}, errors.New("no pair of clocks")
	}
	for i, p := range pairs {
		if !(p.CoreHz > 0 && p.MemoryHz > 0 && p.CoreU >= 0 && p.MemoryU >= 0) {
			return Coupling{}, fmt.Errorf("clock pair %d: %g Hz and %g Hz with %g Hz and %g Hz of uncertainty", i+1, p.CoreHz, p.MemoryHz, p.CoreU, p.MemoryU)
		}
	}
	moved := false
	for _, p := range pairs[1:] {
		moved = moved || math.Abs(p.CoreHz-pairs[0].CoreHz) > 3*math.Hypot(p.CoreU, pairs[0].CoreU)+1e-4*p.CoreHz ||
			math.Abs(p.MemoryHz-pairs[0].MemoryHz) > 3*math.Hypot(p.MemoryU, pairs[0].MemoryU)+1e-4*p.MemoryHz
	}
	for _, r := range [][2]int{{1, 1}, {1, 2}, {2, 1}, {2, 3}, {3, 2}, {3, 4}, {4, 3}} {
		want := float64(r[0]) / float64(r[1])
		ok := true
		for _, p := range pairs {
			off := math.Abs(p.CoreHz - want*p.MemoryHz)
			ok = ok && off <= 2*math.Hypot(p.CoreU, want*p.MemoryU)+50e-6*p.CoreHz
		}
		if !ok {
			continue
		}
		ratio := fmt.Sprintf("%d:%d", r[0], r[1])
		if moved {
			return Coupling{conformity.Pass, ratio, "core and memory moved together in the ratio " + ratio + ": one clock drives both"}, nil
		}
		return Coupling{conformity.Inconclusive, ratio, "core and memory stand in the ratio " + ratio + ": one clock, or two set alike; read a second setting to tell"}, nil
	}
	return Coupling{conformity.Fail, "", "core and memory stand in no simple ratio: each has its own clock"}, nil
}
