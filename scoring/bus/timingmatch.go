package bus

import (
	"cmp"
	"math"
	"slices"

	"proveout/plans"
	"proveout/plans/fact"
	"proveout/scoring/conformity"
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
	Mode              plans.Mode // its size when known; then only modes of this size are looked at
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
	Mode         fact.Fact     `json:"mode"`
	Standard     string        `json:"standard"`
	DeviationPPM float64       `json:"deviation_ppm"` // of the pixel clock, as read, or else from the finest reading
	LinePPM      float64       `json:"line_ppm"`
	RefreshPPM   float64       `json:"refresh_ppm"`
	PolarityOK   bool          `json:"polarity_ok"`
	Verdict      TimingVerdict `json:"verdict"`
	Timing       Timing        `json:"timing"`
	cost         float64
	clock        bool // line and refresh fit together, but not the pixel clock beside them
}

// A TimingReport lists the modes that fit, the best first.
type TimingReport struct {
	Matches []TimingMatch `json:"matches"`
	Text    fact.Fact     `json:"text"`

	one bool // of line, frame and pixel clock only one was read
}

// Verdict is what the best match means for the card.
func (r TimingReport) Verdict() conformity.Verdict {
	if len(r.Matches) == 0 {
		return conformity.Fail
	}
	switch r.Matches[0].Verdict {
	case TimingAgrees, TimingRounded, TimingSmall:
		if r.one {
			return conformity.Inconclusive
		}
		return conformity.Pass
	case TimingClockOff:
		return conformity.Fail
	}
	return conformity.Inconclusive
}

const (
	// pixelTolerancePPM is the tolerance of a DMT pixel clock, ±0.5 % (VESA
	// DMT, from memory).
	pixelTolerancePPM = 5000
	// searchPPM is how far off a mode may be and still be named.
	searchPPM = 60000
	// leastPPM is the least deviation that means anything: formulas and tables
	// round their clocks. Common practice, no source.
	leastPPM = 20
	// mostMatches bounds the list.
	mostMatches = 8
)

// MatchTiming finds the modes that a reading fits. At least the line or the
// refresh frequency, better both, must be read.
//
// The pixel clock drives both frequencies: when both deviate by the same
// share, the dot clock is off; when they deviate differently, or differently
// from a pixel clock that was read, the totals are those of another mode, unless
// the display of the reading is coarse enough to explain it. One rate alone
// belongs to many modes and names none.
func MatchTiming(r TimingReading) (TimingReport, error) {
	if err := r.check(); err != nil {
		return TimingReport{}, err
	}
	found := []TimingMatch{}
	for _, t := range r.candidates() {
		if m, ok := r.compare(t); ok {
			found = append(found, m)
		}
	}
	slices.SortStableFunc(found, func(a, b TimingMatch) int { return cmp.Compare(a.cost, b.cost) })
	out := TimingReport{Matches: found[:min(len(found), mostMatches)], Text: fact.New("bus.no-mode-near")}
	out.one = r.PixelClockHz == 0 && (r.LineHz == 0 || r.RefreshHz == 0)
	switch {
	case len(found) == 0:
	case out.one && r.LineHz == 0:
		out.Text = fact.New("bus.frame-alone")
	case out.one:
		out.Text = fact.New("bus.line-alone")
	default:
		out.Text = found[0].Fact()
	}
	return out, nil
}

// check asks for numbers that can be compared.
func (r TimingReading) check() error {
	for _, x := range []float64{
		r.LineHz, r.LineResolution, r.RefreshHz, r.RefreshResolution,
		r.PixelClockHz, r.PixelResolution, r.InstrumentPPM,
	} {
		if !(x >= 0) || math.IsInf(x, 0) {
			return fact.New("bus.rates-below-0").Err()
		}
	}
	if r.LineHz == 0 && r.RefreshHz == 0 {
		return fact.New("bus.no-rate-given").Err()
	}
	return nil
}

// candidates returns every standard mode, and the formula modes of the size
// and rate that were read.
func (r TimingReading) candidates() []Timing {
	var out []Timing
	for _, t := range standardModes() {
		if (r.Mode.Width == 0 || t.Width == r.Mode.Width) && (r.Mode.Height == 0 || t.Height == r.Mode.Height) {
			out = append(out, t)
		}
	}
	sizes := [][2]int{{r.Mode.Width, r.Mode.Height}}
	if r.Mode.Width == 0 || r.Mode.Height == 0 {
		sizes = [][2]int{{640, 480}, {800, 600}, {1024, 768}, {1152, 864}, {1280, 1024}, {1600, 1200}}
	}
	for _, size := range sizes {
		for _, hz := range []float64{50, 56, 60, 65, 66, 67, 70, 72, 75, 80, 85, 90, 100, 110, 120} {
			if r.RefreshHz > 0 && math.Abs(ppm(r.RefreshHz, hz)) > searchPPM {
				continue
			}
			m := plans.Mode{Width: size[0], Height: size[1], Rate: hz}
			if t, err := cvt(m, normalBlanking); err == nil {
				out = append(out, t)
			}
			if t, err := gtf(m); err == nil {
				out = append(out, t)
			}
			if t, err := cvt(m, reducedBlanking); err == nil && hz <= 60 {
				out = append(out, t)
			}
		}
	}
	return out
}

// A deviation is how far one reading lies from a mode, in ppm.
type deviation struct {
	read      bool
	ppm       float64 // 0 when not read
	u         float64 // standard uncertainty: half a last digit, rectangular, and the instrument
	agrees    bool    // as far as the reading resolves; also when not read
	explained bool    // by u alone
}

func (r TimingReading) deviation(reading, resolution, nominal float64) deviation {
	if reading == 0 {
		return deviation{u: math.Inf(1), agrees: true, explained: true}
	}
	d := deviation{read: true, ppm: ppm(reading, nominal)}
	d.u = math.Hypot(resolution/2/math.Sqrt(3)/reading*1e6, r.InstrumentPPM)
	d.agrees = math.Abs(d.ppm) <= max(2*d.u, leastPPM)
	d.explained = math.Abs(d.ppm) <= 2*d.u
	return d
}

// apart is how far two readings lie apart, measured by what both resolve
// together; 0 when one was not read.
func (d deviation) apart(o deviation) float64 {
	if !d.read || !o.read {
		return 0
	}
	return math.Abs(d.ppm-o.ppm) / max(2*math.Hypot(d.u, o.u), leastPPM)
}

func (r TimingReading) compare(t Timing) (TimingMatch, bool) {
	refresh := r.deviation(r.RefreshHz, r.RefreshResolution, t.RefreshHz())
	line := r.deviation(r.LineHz, r.LineResolution, t.LineHz())
	pixel := r.deviation(r.PixelClockHz, r.PixelResolution, t.PixelClockHz)
	best := deviation{ppm: math.NaN(), u: math.Inf(1)} // the finest reading speaks for the clock
	for _, d := range []deviation{refresh, line, pixel} {
		if math.Abs(d.ppm) > searchPPM {
			return TimingMatch{}, false
		}
		if d.read && (d.u < best.u || math.IsInf(best.u, 1)) {
			best = d
		}
	}
	m := TimingMatch{
		Mode:         t.Mode(),
		Standard:     t.Name(),
		DeviationPPM: best.ppm,
		LinePPM:      line.ppm,
		RefreshPPM:   refresh.ppm,
		PolarityOK:   r.polarityFits(t),
		Timing:       t,
	}
	if pixel.read {
		m.DeviationPPM = pixel.ppm
	}
	apart := max(line.apart(refresh), pixel.apart(line), pixel.apart(refresh))
	m.clock = pixel.apart(line) > 1 && line.apart(refresh) <= 1
	m.Verdict = judgeTiming(line, refresh, pixel, best, apart)
	m.cost = apart + math.Abs(best.ppm)/1000
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
	return m, true
}

func (r TimingReading) polarityFits(t Timing) bool {
	fits := func(read, is Polarity) bool { return read == "" || is == "" || read == is }
	return fits(r.HPolarity, t.HPolarity) && fits(r.VPolarity, t.VPolarity)
}

// judgeTiming says what the deviations from a mode mean.
func judgeTiming(line, refresh, pixel, best deviation, apart float64) TimingVerdict {
	agrees := line.agrees && refresh.agrees && pixel.agrees
	// A display whose last digit is worth more than 500 ppm rounds, and line and
	// refresh then contradict each other without any fault of the clock.
	coarse := line.read && refresh.read && max(line.u, refresh.u) > 500
	switch {
	case agrees && coarse && math.Abs(line.ppm)+math.Abs(refresh.ppm) > 200:
		return TimingRounded
	case agrees:
		return TimingAgrees
	case apart > 2, apart > 1 && !line.explained && !refresh.explained:
		return TimingOther
	case math.Abs(best.ppm) <= pixelTolerancePPM:
		return TimingSmall
	}
	return TimingClockOff
}

// Fact says what the match means.
func (m TimingMatch) Fact() fact.Fact {
	off := fact.In(m.DeviationPPM, "ppm").To(1)
	var what fact.Fact
	switch m.Verdict {
	case TimingAgrees:
		what = fact.New("bus.timing-agrees")
	case TimingRounded:
		what = fact.New("bus.timing-rounded")
	case TimingSmall:
		what = fact.New("bus.timing-small", "off", off)
	case TimingClockOff:
		what = fact.New("bus.timing-clock-off", "off", off)
	default:
		what = fact.New("bus.timing-other")
		if m.clock {
			what = fact.New("bus.timing-clock-apart", "off", off.WithSign())
		}
	}
	if !m.PolarityOK {
		what = fact.New("bus.timing-polarity", "what", what)
	}
	return fact.New("bus.timing-match", "mode", m.Mode, "standard", m.Standard, "what", what)
}
