package bus

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
)

// A TimingReading is what a monitor's menu or a counter shows of a running
// mode. Zero means not read. The resolutions are the last digit shown, in
// hertz: 100 for "48.4 kHz".
type TimingReading struct {
	LineHz            float64
	LineResolution    float64
	RefreshHz         float64
	RefreshResolution float64
	PixelClockHz      float64 // where a counter reads the dot clock itself
	PixelResolution   float64
	InstrumentPPM     float64 // standard uncertainty of the time base
	HPolarity         Polarity
	VPolarity         Polarity
	Width, Height     int // when known; then CVT and GTF modes of this size join
}

// A TimingVerdict says what a deviation from a mode means.
type TimingVerdict string

// The verdicts of a match.
const (
	TimingAgrees   TimingVerdict = "agrees"          // within what the reading resolves
	TimingRounded  TimingVerdict = "monitor-rounds"  // line and refresh contradict each other by rounding only
	TimingSmall    TimingVerdict = "clock-tolerance" // a real deviation, inside the mode's tolerance
	TimingClockOff TimingVerdict = "pixel-clock-off" // line and refresh deviate together: the dot clock
	TimingOther    TimingVerdict = "another-mode"    // line and refresh deviate differently: not this mode's totals
)

// A TimingMatch is one mode compared with the reading.
type TimingMatch struct {
	Mode         string        `json:"mode"`
	Standard     string        `json:"standard"`
	DeviationPPM float64       `json:"deviation_ppm"` // of the pixel clock, from the best reading
	UncertainPPM float64       `json:"uncertainty_ppm"`
	LinePPM      float64       `json:"line_ppm"`
	RefreshPPM   float64       `json:"refresh_ppm"`
	PolarityOK   bool          `json:"polarity_ok"`
	Verdict      TimingVerdict `json:"verdict"`
	Timing       Timing        `json:"timing"`
	cost         float64
}

// A TimingReport lists the modes that fit, the best first.
type TimingReport struct {
	Matches []TimingMatch `json:"matches"`
	Text    string        `json:"text"`
}

const (
	// pixelTolerancePPM is the tolerance of a DMT pixel clock, ±0.5 % (VESA
	// DMT, from memory).
	pixelTolerancePPM = 5000
	// searchPPM is how far off a mode may be and still be named.
	searchPPM = 60000
)

// MatchTiming finds the modes that a reading fits. At least the line or the
// refresh frequency, better both, must be read.
//
// The pixel clock drives both frequencies: when both deviate by the same
// share, the dot clock is off; when they deviate differently, the totals are
// those of another mode, unless the display of the reading is coarse enough to
// explain it.
func MatchTiming(r TimingReading) (TimingReport, error) {
	if err := r.check(); err != nil {
		return TimingReport{}, err
	}
	var found []TimingMatch
	for _, t := range r.candidates() {
		if m, ok := r.compare(t); ok {
			found = append(found, m)
		}
	}
	slices.SortStableFunc(found, func(a, b TimingMatch) int { return cmp.Compare(a.cost, b.cost) })
	if len(found) > 8 {
		found = found[:8]
	}
	out := TimingReport{Matches: found, Text: "no known mode is near these frequencies"}
	if out.Matches == nil {
		out.Matches = []TimingMatch{}
	}
	if len(found) > 0 {
		out.Text = found[0].words()
	}
	return out, nil
}

func (r TimingReading) check() error {
	var errs []error
	for _, x := range []struct {
		name string
		v    float64
	}{{"line frequency", r.LineHz}, {"refresh rate", r.RefreshHz}, {"pixel clock", r.PixelClockHz}, {"line resolution", r.LineResolution},
		{"refresh resolution", r.RefreshResolution}, {"pixel clock resolution", r.PixelResolution}, {"instrument uncertainty", r.InstrumentPPM}} {
		if !(x.v >= 0) || math.IsInf(x.v, 0) {
			errs = append(errs, fmt.Errorf("%s %g is not a positive number", x.name, x.v))
		}
	}
	if r.LineHz == 0 && r.RefreshHz == 0 {
		errs = append(errs, errors.New("neither line frequency nor refresh rate is given"))
	}
	return errors.Join(errs...)
}

// candidates returns every standard mode, and the formula modes of the size
// and rate that were read.
func (r TimingReading) candidates() []Timing {
	var out []Timing
	for _, t := range standardModes() {
		if r.Width > 0 && t.Width != r.Width || r.Height > 0 && t.Height != r.Height {
			continue
		}
		out = append(out, t)
	}
	sizes := [][2]int{{r.Width, r.Height}}
	if r.Width == 0 || r.Height == 0 {
		sizes = [][2]int{{640, 480}, {800, 600}, {1024, 768}, {1152, 864}, {1280, 1024}, {1600, 1200}}
	}
	for _, s := range sizes {
		for _, hz := range []float64{50, 56, 60, 65, 66, 67, 70, 72, 75, 80, 85, 90, 100, 110, 120} {
			if r.RefreshHz > 0 && math.Abs(ppm(r.RefreshHz, hz)) > searchPPM {
				continue
			}
			if t, err := CVT(s[0], s[1], hz, NormalBlanking); err == nil {
				out = append(out, t)
			}
			if t, err := GTF(s[0], s[1], hz); err == nil {
				out = append(out, t)
			}
			if t, err := CVT(s[0], s[1], hz, ReducedBlanking); err == nil && hz <= 60 {
				out = append(out, t)
			}
		}
	}
	return out
}

// reads returns the standard uncertainty of a reading in ppm: half a last
// digit taken as rectangular, and the instrument.
func (r TimingReading) uncertainty(value, resolution float64) float64 {
	if value == 0 {
		return math.Inf(1)
	}
	return math.Hypot(resolution/2/math.Sqrt(3)/value*1e6, r.InstrumentPPM)
}

func (r TimingReading) compare(t Timing) (TimingMatch, bool) {
	m := TimingMatch{Mode: t.Mode(), Standard: t.Name(), Timing: t, PolarityOK: true}
	uLine, uRefresh, uPixel := r.uncertainty(r.LineHz, r.LineResolution), r.uncertainty(r.RefreshHz, r.RefreshResolution), r.uncertainty(r.PixelClockHz, r.PixelResolution)
	both := r.LineHz > 0 && r.RefreshHz > 0
	m.DeviationPPM, m.UncertainPPM = math.NaN(), math.Inf(1)
	best := func(x, nominal, u float64) float64 {
		d := ppm(x, nominal)
		if x > 0 && (u < m.UncertainPPM || math.IsInf(m.UncertainPPM, 1)) {
			m.DeviationPPM, m.UncertainPPM = d, u
		}
		if x == 0 {
			return 0
		}
		return d
	}
	m.RefreshPPM = best(r.RefreshHz, t.RefreshHz(), uRefresh)
	m.LinePPM = best(r.LineHz, t.LineHz(), uLine)
	pixelPPM := best(r.PixelClockHz, t.PixelClockHz, uPixel)
	if math.Abs(m.LinePPM) > searchPPM || math.Abs(m.RefreshPPM) > searchPPM || math.Abs(pixelPPM) > searchPPM {
		return m, false
	}
	// A reading never rounds worse than a whole digit, √3 standard
	// uncertainties; the rest of the factor is the instrument's.
	apart := 0.0
	if both {
		apart = math.Abs(m.LinePPM-m.RefreshPPM) / max(2*math.Hypot(uLine, uRefresh), 20)
	}
	inside := func(d, u float64) bool { return math.Abs(d) <= max(2*u, 20) }
	agrees := (r.LineHz == 0 || inside(m.LinePPM, uLine)) && (r.RefreshHz == 0 || inside(m.RefreshPPM, uRefresh)) && (r.PixelClockHz == 0 || inside(pixelPPM, uPixel))
	coarse := math.Abs(m.LinePPM) <= 2*uLine || math.Abs(m.RefreshPPM) <= 2*uRefresh
	switch {
	case agrees && max(uLine*float64(sign(r.LineHz)), uRefresh*float64(sign(r.RefreshHz))) > 500 && math.Abs(m.LinePPM)+math.Abs(m.RefreshPPM) > 200:
		m.Verdict = TimingRounded
	case agrees:
		m.Verdict = TimingAgrees
	case both && apart > 1 && !coarse || both && apart > 2:
		m.Verdict = TimingOther
	case math.Abs(m.DeviationPPM) <= pixelTolerancePPM:
		m.Verdict = TimingSmall
	default:
		m.Verdict = TimingClockOff
	}
	if r.HPolarity != "" && t.HPolarity != "" && r.HPolarity != t.HPolarity || r.VPolarity != "" && t.VPolarity != "" && r.VPolarity != t.VPolarity {
		m.PolarityOK = false
	}
	m.cost = apart + math.Abs(m.DeviationPPM)/1000
	if !m.PolarityOK {
		m.cost += 5
	}
	switch t.Standard { // between modes that fit alike, the listed one
	case "DMT":
	case "legacy":
		m.cost += 0.05
	default:
		m.cost += 0.3
	}
	for _, p := range []*float64{&m.DeviationPPM, &m.UncertainPPM, &m.LinePPM, &m.RefreshPPM} {
		*p = roundTo(*p, 1)
	}
	return m, true
}

func sign(x float64) int {
	if x > 0 {
		return 1
	}
	return 0
}

func (m TimingMatch) words() string {
	s := m.Mode + " (" + m.Standard + "): "
	switch m.Verdict {
	case TimingAgrees:
		s += "the reading agrees"
	case TimingRounded:
		s += "the reading agrees within its last digit; the monitor rounds"
	case TimingSmall:
		s += fmt.Sprintf("the pixel clock deviates by %.0f ppm, inside the ±0.5 %% of the mode", m.DeviationPPM)
	case TimingClockOff:
		s += fmt.Sprintf("line and refresh deviate together by %.0f ppm: the pixel clock is off; check the reference crystal and the clock generator", m.DeviationPPM)
	case TimingOther:
		s += "line and refresh do not fit together: not the totals of a known mode"
	}
	if !m.PolarityOK {
		s += "; the sync polarity is not this mode's"
	}
	return s
}
