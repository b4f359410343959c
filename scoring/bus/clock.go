package bus

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"proveout/plans"
	"proveout/plans/fact"
	"proveout/scoring/conformity"
)

// referenceHz is the common reference crystal, four times the NTSC colour
// subcarrier: 315/22 MHz.
const referenceHz = 315e6 / 22

// CheckSynthesizer reports what makes the ranges of a synthesizer impossible.
func CheckSynthesizer(s plans.Synthesizer) error {
	var errs []error
	span := func(name string, is, within plans.Span) {
		if is.Low < within.Low || is.High < is.Low || is.High > within.High {
			errs = append(errs, fmt.Errorf("range of %s, %d to %d, is not within %d to %d",
				name, is.Low, is.High, within.Low, within.High))
		}
	}
	span("N", s.N, plans.Span{Low: 1, High: 1 << 16})
	span("M", s.M, plans.Span{Low: 1, High: 1 << 12})
	span("K", s.K, plans.Span{Low: 0, High: 10})
	for _, hz := range []float64{s.Reference, s.VCOMin, s.VCOMax, s.CompareMin} {
		if !(hz >= 0) || math.IsInf(hz, 0) {
			errs = append(errs, fmt.Errorf("frequency %g Hz is not a positive number", hz))
		}
	}
	return errors.Join(errs...)
}

// A Setting is one setting of a synthesizer.
type Setting struct {
	N   int     `json:"n"`
	M   int     `json:"m"`
	K   int     `json:"k"`
	Hz  float64 `json:"hz"`
	PPM float64 `json:"ppm"` // from the frequency that was looked for
}

// Nearest returns up to count settings of a synthesizer nearest to a frequency,
// each frequency once, with the smallest dividers that give it. N and M are the
// divider moduli; registers commonly hold two less (common practice, no
// source).
//
// For given M and K the frequencies are equidistant, so the nearest ones lie
// around one N: only these are looked at.
func Nearest(s plans.Synthesizer, hz float64, count int) ([]Setting, error) {
	if err := CheckSynthesizer(s); err != nil {
		return nil, err
	}
	if !(hz > 0) || math.IsInf(hz, 0) {
		return nil, fmt.Errorf("frequency %g Hz is not a positive number", hz)
	}
	reference := cmp.Or(s.Reference, referenceHz)
	var best []Setting
	for k := s.K.Low; k <= s.K.High; k++ {
		for m := s.M.Low; m <= s.M.High; m++ {
			if reference/float64(m) < s.CompareMin {
				break
			}
			low, high := feedback(s, reference/float64(m))
			if low > high {
				continue
			}
			divider := float64(m << uint(k))
			ideal := int(min(max(hz/(reference/divider), float64(low)), float64(high)))
			for n := max(low, ideal-count/2-1); n <= min(high, ideal+count/2+2); n++ {
				f := float64(n) * reference / divider
				best = append(best, Setting{N: n, M: m, K: k, Hz: f, PPM: ppm(f, hz)})
			}
		}
		best = nearestOf(best, hz, count)
	}
	return best, nil
}

// feedback returns the range of N that the ranges and the VCO leave when the
// comparison runs at a frequency.
func feedback(s plans.Synthesizer, compareHz float64) (low, high int) {
	low, high = s.N.Low, s.N.High
	if n := math.Ceil(s.VCOMin / compareHz); n > float64(low) {
		low = int(min(n, float64(high+1)))
	}
	if n := math.Floor(s.VCOMax / compareHz); s.VCOMax > 0 && n < float64(high) {
		high = int(max(n, 0))
	}
	return low, high
}

// nearestOf keeps the nearest settings, one for each frequency.
func nearestOf(all []Setting, hz float64, count int) []Setting {
	// The same ratio can differ in the last digit when written with other dividers.
	same := func(a, b Setting) bool { return math.Abs(a.Hz-b.Hz) <= 1e-9*hz }
	slices.SortFunc(all, func(a, b Setting) int {
		if same(a, b) {
			return cmp.Or(cmp.Compare(a.K, b.K), cmp.Compare(a.M, b.M))
		}
		return cmp.Or(cmp.Compare(math.Abs(a.Hz-hz), math.Abs(b.Hz-hz)), cmp.Compare(a.Hz, b.Hz))
	})
	var out []Setting
	for _, s := range all {
		if len(out) == count {
			break
		}
		if !slices.ContainsFunc(out, func(o Setting) bool { return same(o, s) }) {
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
	Synthesizer   *plans.Synthesizer
	Variants      []ClockVariant
}

// Counted turns a count of a test output into a frequency and its resolution:
// counts in a gate of so many seconds, of a clock divided by divider.
func Counted(counts int64, gateSeconds, divider float64) (hz, resolutionHz float64, err error) {
	if counts < 0 || !(gateSeconds > 0) || !(divider > 0) || math.IsInf(gateSeconds, 0) || math.IsInf(divider, 0) {
		return 0, 0, fmt.Errorf("%d counts in %g s of a clock divided by %g is no measurement",
			counts, gateSeconds, divider)
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
	ReadingFits  *Setting           `json:"reading_setting,omitempty"` // nearest to the reading
	ReadingU     float64            `json:"reading_u"`                 // standard uncertainty of the reading, Hz
	Variant      string             `json:"variant,omitempty"`
	Text         fact.Fact          `json:"text"`
}

const (
	// driftPPM is the most that a worn or loaded crystal is taken to drift;
	// more is another setting. Common practice, no source.
	driftPPM = 2000
	// settingPPM is how far from nominal the nearest setting of a synthesizer may
	// lie and still be what the maker set: their grids are a few tenths of a
	// percent wide. Common practice, no source.
	settingPPM = 10000
	// crystalPPM is how closely a crystal is cut: nothing is set closer.
	// Common practice, no source.
	crystalPPM = 50
)

// JudgeClock compares a clock reading with the nominal clock. Its verdict
// takes the reading ± twice its standard uncertainty: wholly inside the
// tolerance passes, wholly outside fails, else it is inconclusive (JCGM
// 106:2012, guarded acceptance and rejection). The resolution of the display
// is half a last digit, rectangular (JCGM 100:2008, 4.3.7).
//
// A clock outside the tolerance still passes when it is the setting nearest to
// nominal that the synthesizer can make, and this lies near nominal and the
// reading is fine enough to tell: the ranges of a synthesizer excuse a grid, not
// another clock.
func JudgeClock(r ClockReading) (ClockReport, error) {
	if err := r.check(); err != nil {
		return ClockReport{}, err
	}
	u := math.Hypot(r.ResolutionHz/2/math.Sqrt(3), r.InstrumentPPM*1e-6*r.ReadHz/math.Sqrt(3))
	out := ClockReport{
		DeviationPPM: ppm(r.ReadHz, r.NominalHz),
		ReadingU:     u,
		Verdict:      conformity.Inconclusive,
	}
	limit, off := r.TolerancePPM*1e-6*r.NominalHz, math.Abs(r.ReadHz-r.NominalHz)
	switch {
	case off+2*u <= limit:
		out.Verdict = conformity.Pass
	case off-2*u > limit:
		out.Verdict = conformity.Fail
	}
	if r.Synthesizer != nil {
		var err error
		if out.Nearest, err = setting(*r.Synthesizer, r.NominalHz); err != nil {
			return ClockReport{}, err
		}
		if out.ReadingFits, err = setting(*r.Synthesizer, r.ReadHz); err != nil {
			return ClockReport{}, err
		}
	}
	r.recognise(&out)
	return out, nil
}

// setting is the one nearest to a frequency, nil when there is none.
func setting(s plans.Synthesizer, hz float64) (*Setting, error) {
	near, err := Nearest(s, hz, 1)
	if err != nil || len(near) == 0 {
		return nil, err
	}
	return &near[0], nil
}

// check asks for numbers that can be compared.
func (r ClockReading) check() error {
	if r.ReadHz == 0 {
		return errors.New("the clock reads 0 Hz: nothing runs, or nothing was read")
	}
	for _, x := range []float64{r.NominalHz - 1, r.ReadHz, r.ResolutionHz, r.TolerancePPM, r.InstrumentPPM} {
		if !(x >= 0) || math.IsInf(x, 0) {
			return errors.New("a clock needs a nominal value, a reading, a resolution and limits, none below 0")
		}
	}
	return nil
}

// recognise says what the reading is. Another setting is asked about before
// drift: a clock that a setting explains to the last digit did not get there by
// an ageing crystal.
func (r ClockReading) recognise(out *ClockReport) {
	reach := max(2*out.ReadingU, crystalPPM*1e-6*r.NominalHz)
	agrees := func(hz float64) bool { return math.Abs(r.ReadHz-hz) <= reach }
	nominal := fact.In(r.NominalHz/1e6, "MHz")
	variant, off := r.variant(reach)
	switch {
	case out.Verdict == conformity.Pass:
		out.Kind, out.Text = ClockNominal, fact.New("bus.clock-agrees", "nominal", nominal)
	case out.Verdict == conformity.Inconclusive && agrees(r.NominalHz):
		out.Kind, out.Text = ClockNominal, fact.New("bus.clock-too-coarse", "nominal", nominal)
	case out.Nearest != nil && agrees(out.Nearest.Hz):
		r.nearestSetting(out, nominal)
	case variant != "":
		out.Kind, out.Variant, out.Verdict = ClockOfVariant, variant, conformity.Inconclusive
		out.Text = fact.New("bus.clock-of-variant", "variant", variant)
		if math.Abs(off) > reach {
			out.Text = fact.New("bus.clock-near-variant", "variant", variant, "off", fact.In(off/1e6, "MHz").WithSign())
		}
	case math.Abs(out.DeviationPPM) <= driftPPM:
		out.Kind, out.Text = ClockDrift, fact.New("bus.clock-drift")
	case out.ReadingFits != nil && agrees(out.ReadingFits.Hz):
		out.Kind, out.Text = ClockOther, fact.New("bus.clock-other-setting", "setting", out.ReadingFits.Fact())
	default:
		out.Kind, out.Text = ClockOther, fact.New("bus.clock-far-off")
	}
}

// nearestSetting judges a reading that agrees with the setting nearest to
// nominal.
func (r ClockReading) nearestSetting(out *ClockReport, nominal fact.Amount) {
	near := out.Nearest
	hz, off := fact.In(near.Hz/1e6, "MHz").To(1e-3), fact.In(near.PPM, "ppm").To(1).WithSign()
	out.Kind = ClockSetting
	switch {
	case math.Abs(near.PPM) > max(settingPPM, r.TolerancePPM):
		out.Verdict = conformity.Inconclusive
		out.Text = fact.New("bus.clock-setting-far", "nominal", nominal, "hz", hz, "off", off, "setting", near.Fact())
	case 2*out.ReadingU > max(r.TolerancePPM, math.Abs(near.PPM))*1e-6*r.NominalHz: // does not tell it from nominal
		out.Verdict = conformity.Inconclusive
		out.Text = fact.New("bus.clock-too-coarse", "nominal", nominal)
	default:
		out.Verdict = conformity.Pass
		out.Text = fact.New("bus.clock-nearest-setting", "nominal", nominal, "hz", hz, "setting", near.Fact())
	}
}

// variant returns the variant whose clock is nearest to the reading, nearer than
// nominal, and within reach or the tolerance of it, and how far off it is in Hz.
func (r ClockReading) variant(reach float64) (name string, off float64) {
	nearest := math.Abs(r.ReadHz - r.NominalHz)
	for _, v := range r.Variants {
		away := math.Abs(r.ReadHz - v.Hz)
		if v.Hz > 0 && away <= max(reach, r.TolerancePPM*1e-6*v.Hz) && away < nearest {
			name, off, nearest = v.Name, r.ReadHz-v.Hz, away
		}
	}
	return name, off
}

// Fact is the setting's dividers.
func (s Setting) Fact() fact.Fact {
	return fact.New("bus.dividers", "n", s.N, "m", s.M, "k", s.K)
}

// A ClockPair is core and memory clock read at the same time.
type ClockPair struct {
	CoreHz, MemoryHz float64
	CoreU, MemoryU   float64 // standard uncertainties, Hz
}

// CompareClocks says whether core and memory clock are coupled. One pair can
// only contradict a coupling or suggest it; pairs read at different settings
// settle it.
func CompareClocks(pairs []ClockPair) (fact.Fact, error) {
	if len(pairs) == 0 {
		return fact.Fact{}, errors.New("no pair of clocks")
	}
	for i, p := range pairs {
		if !(p.CoreHz > 0 && p.MemoryHz > 0 && p.CoreU >= 0 && p.MemoryU >= 0) {
			return fact.Fact{}, fmt.Errorf("clock pair %d: %g Hz and %g Hz with %g Hz and %g Hz of uncertainty",
				i+1, p.CoreHz, p.MemoryHz, p.CoreU, p.MemoryU)
		}
	}
	first, moved := pairs[0], false
	for _, p := range pairs[1:] {
		moved = moved || math.Abs(p.CoreHz-first.CoreHz) > 3*math.Hypot(p.CoreU, first.CoreU)+1e-4*p.CoreHz ||
			math.Abs(p.MemoryHz-first.MemoryHz) > 3*math.Hypot(p.MemoryU, first.MemoryU)+1e-4*p.MemoryHz
	}
	for _, r := range [][2]int{{1, 1}, {1, 2}, {2, 1}, {2, 3}, {3, 2}, {3, 4}, {4, 3}} {
		want := float64(r[0]) / float64(r[1])
		apart := slices.ContainsFunc(pairs, func(p ClockPair) bool {
			off := math.Abs(p.CoreHz - want*p.MemoryHz)
			return off > 2*math.Hypot(p.CoreU, want*p.MemoryU)+crystalPPM*1e-6*p.CoreHz
		})
		if apart {
			continue
		}
		ratio := fmt.Sprintf("%d:%d", r[0], r[1])
		if moved {
			return fact.New("bus.moved-together", "ratio", ratio), nil
		}
		return fact.New("bus.in-ratio", "ratio", ratio), nil
	}
	return fact.New("bus.no-ratio"), nil
}
