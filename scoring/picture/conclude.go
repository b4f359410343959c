package picture

import (
	"math"
	"slices"

	"proveout/plans/fact"
	"proveout/scoring/memory"
	"proveout/scoring/picture/align"
	"proveout/scoring/picture/lines"
	"proveout/scoring/picture/metric"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
)

// sameSize reports whether the capture has a pixel for each of the screen.
func (c *comparison) sameSize() bool {
	return c.wanted.Width == c.capture.Width && c.wanted.Height == c.capture.Height
}

// decideRoute names the route when the caller did not.
func (c *comparison) decideRoute(fit align.Fit) {
	if c.r.Route != Auto {
		return
	}
	c.r.Route = Analogue
	inPlace := fit.Exact() && fit.ShiftX == 0 && fit.ShiftY == 0
	if inPlace && c.sameSize() && c.r.NoiseSD < 0.5 && c.report.Sharp {
		c.r.Route = Digital
	}
}

// takeLines copies judgement and findings of the memory.
func (c *comparison) takeLines() {
	if !c.random() {
		return
	}
	c.dropConverter()
	if c.blamesLines() && c.shownElsewhere() {
		c.report.Findings = nil
		for i := range c.report.Lines {
			if l := &c.report.Lines[i]; l.State == lines.Bad {
				l.State = lines.NotJudged
			}
		}
	}
	for _, f := range c.report.Findings {
		if c.known {
			c.r.find(Finding{Fault: f})
		} else {
			c.r.find(asStripe(f))
		}
	}
	if c.known {
		c.takeJudgement()
	}
}

// dropConverter takes back converter bits that something else explains as well: when all
// bits of a channel are weak, the capture turned it down, as compression does; and when
// the one random bit of a pattern that is laid by its edges alone is seen nowhere, the
// pattern may lie a little beside its place.
func (c *comparison) dropConverter() {
	missing, fields := [3]int{}, c.f.Mode.Format.Fields()
	channelOf := func(f memory.Fault) int {
		return slices.IndexFunc(fields[:], func(at pattern.Field) bool {
			return f.Kind == ConverterBit && f.Lines[0] >= at.Shift && f.Lines[0] < at.Shift+at.Bits
		})
	}
	for _, f := range c.report.Findings {
		if channel := channelOf(f); channel >= 0 {
			missing[channel]++
		}
	}
	for channel, at := range fields {
		laid := c.f.Pattern.Kind == pattern.BitPlane && c.texture() == align.Coarse
		if missing[channel] == 0 || missing[channel] < at.Bits && !laid {
			continue
		}
		c.report.Findings = slices.DeleteFunc(c.report.Findings, func(f memory.Fault) bool { return channelOf(f) == channel })
		c.unsettled = true
		c.r.doubt(fact.New("picture.bits-weak", "colour", lines.Colour(channel)))
	}
}

// blamesLines reports whether all that was found is single data lines and converter bits.
func (c *comparison) blamesLines() bool {
	ofLine := func(f memory.Fault) bool {
		switch f.Kind {
		case memory.LineStuck0, memory.LineStuck1, memory.LineOpen, memory.LinesShorted, memory.LinesSwapped,
			ConverterBit:
			return true
		}
		return false
	}
	all := c.report.Findings
	return len(all) > 0 && !slices.ContainsFunc(all, func(f memory.Fault) bool { return !ofLine(f) })
}

// shownElsewhere reports whether, with the faults of lines explained, a part of the
// picture still shows what belongs to another place: lines look bad there that are not.
func (c *comparison) shownElsewhere() bool {
	const traced = 0.9 // confidence
	before := len(c.r.Findings)
	if rest := c.rest(); rest == nil || !c.displaced(rest) {
		return false
	}
	if c.r.Findings[before].Confidence > traced {
		return true
	}
	c.r.Findings = c.r.Findings[:before]
	return false
}

func (c *comparison) takeJudgement() {
	c.r.Lines, c.r.LinesJudged = c.report.Lines, Judged{}
	for _, l := range c.r.Lines {
		c.r.LinesJudged.add(l.State)
	}
}

// asStripe turns a finding on a made-up memory into what is seen.
func asStripe(f memory.Fault) Finding {
	kind := Stripe
	switch f.Kind {
	case ConverterBit:
		return Finding{Fault: f}
	case memory.AddressLine:
		kind = Displaced
	case memory.ChipWeak:
		kind = Noise
	}
	what := fact.New("picture.kind." + string(f.Kind))
	g := plain(kind, fact.New("picture.repeat-with-bus", "what", what), fact.New("picture.look-give-family"))
	g.Confidence, g.Evidence = f.Confidence, f.Evidence
	return g
}

// curves reports the transfer curve of each channel with its missing and
// non-monotonic levels.
func (c *comparison) curves() {
	if !c.random() && c.f.Pattern.Kind != pattern.Ramp {
		return
	}
	const clearly = 4 // standard errors
	for channel, points := range c.report.Levels {
		if c.missing[channel] || len(points) < 3 {
			continue
		}
		curve := Curve{Channel: channelNames[channel], Missing: []int{}, NonMonotonic: []int{}}
		for i, p := range points {
			curve.Points = append(curve.Points, CurvePoint{int(p.Written), p.Mean})
			if i == 0 {
				continue
			}
			q := points[i-1]
			step, seen := float64(p.Written)-float64(q.Written), p.Mean-q.Mean
			se := c.report.Clean[channel] * math.Sqrt(1/float64(max(1, p.Count))+1/float64(max(1, q.Count)))
			switch {
			case seen < -clearly*se-0.2*step:
				curve.NonMonotonic = append(curve.NonMonotonic, int(p.Written))
			case seen < 0.25*step && step-seen > clearly*se:
				curve.Missing = append(curve.Missing, int(p.Written))
			}
		}
		c.r.Transfer = append(c.r.Transfer, curve)
	}
}

var channelNames = [3]string{"red", "green", "blue"}

// measure measures the capture as it came when the sizes agree: whole when nothing
// was corrected and these are the measures that count, else sampled. A capture
// that was corrected is measured again, with place and levels put right, over the
// part that was captured.
func (c *comparison) measure(fit align.Fit) {
	r := c.r
	corrected := r.Registered && c.corrected(fit)
	if c.sameSize() {
		band := 16 // rows
		if r.Registered && !corrected {
			band = metric.Whole
		}
		if s, err := metric.Compare(c.wanted, c.capture, band); err == nil {
			r.Raw, r.Score = &s, s
		}
	}
	if !r.Registered {
		return
	}
	if r.Aligned == nil {
		r.Aligned = c.report.Correct(c.grid)
	}
	if r.Raw != nil && !corrected {
		return
	}
	if s, err := metric.Compare(cut(c.wanted, c.grid), cut(r.Aligned, c.grid), 24); err == nil {
		s.Worst.X += c.grid.X0
		s.Worst.Y += c.grid.Y0
		r.Score = s
	}
}

// corrected reports whether place or levels were put right.
func (c *comparison) corrected(fit align.Fit) bool {
	if c.r.Gamma != [3]float64{1, 1, 1} || !fit.Exact() || fit.ShiftX != 0 || fit.ShiftY != 0 {
		return true
	}
	for channel := range 3 {
		if math.Abs(c.r.Gain[channel]-1) > 0.002 || math.Abs(c.r.Offset[channel]) > 0.3 {
			return true
		}
	}
	return false
}

// cut is the part of a picture that a grid has inside.
func cut(p *raster.RGB, g *raster.Grid) *raster.RGB {
	if g.X0 == 0 && g.Y0 == 0 && g.X1 == p.Width && g.Y1 == p.Height {
		return p
	}
	q := raster.New(max(1, g.X1-g.X0), max(1, g.Y1-g.Y0))
	for y := range q.Height {
		copy(q.Pix[3*y*q.Width:3*(y+1)*q.Width], p.Pix[3*((y+g.Y0)*p.Width+g.X0):])
	}
	return q
}

// verdict decides whether the picture is faultless, and whether it is shown to be
// clean: a picture that judged no data line, or not every one that it shows, is not.
func (c *comparison) verdict() {
	r := c.r
	r.Faultless = len(r.Findings) == 0 && r.LinesJudged.Bad == 0 && len(r.Chain) == 0 && !c.unsettled
	if r.Faultless && c.random() && r.NoiseSD > 20 {
		r.Faultless = false
		r.doubt(fact.New("picture.too-noisy", "levels", fact.In(r.NoiseSD, "").To(1)))
	}
	inside := (c.grid.X1 - c.grid.X0) * (c.grid.Y1 - c.grid.Y0)
	if share := float64(inside) / float64(c.grid.Width*c.grid.Height); share < 0.75 {
		r.Faultless = false
		r.doubt(fact.New("picture.partly-captured", "share", fact.In(100*share, "%").To(1)))
	}
	if r.Blur > 0.9 && r.Blur <= mostBlur {
		r.doubt(fact.New("picture.columns-touch"))
	}
	r.Clean = r.Faultless && allJudged(c.report.Lines)
	switch {
	case !r.Faultless || r.Clean:
	case r.Route == Photograph && r.LinesJudged.Good == 0 && !r.TestsLines() && c.known:
		r.doubt(fact.New("picture.photograph-judged-none"))
	case !c.random():
		r.doubt(fact.New("picture.judges-none"))
	case c.known:
		r.doubt(fact.New("picture.not-judged", "n", OpenLines(r.Lines)))
	default:
		r.doubt(fact.New("picture.bits-not-judged"))
	}
}

// TestsLines reports whether a photograph of a bit solid tested any line.
func (r *Result) TestsLines() bool {
	return slices.ContainsFunc(r.Lines, func(l lines.Line) bool { return l.Alone != [2]*float64{} })
}

// allJudged reports whether every data line that a picture shows, and at least one,
// was judged good.
func allJudged(all []lines.Line) bool {
	good := func(l lines.Line) bool { return l.State == lines.Good }
	bad := func(l lines.Line) bool { return l.State == lines.Bad }
	return OpenLines(all) == 0 && slices.ContainsFunc(all, good) && !slices.ContainsFunc(all, bad)
}

// OpenLines counts the data lines that are shown and not judged.
func OpenLines(all []lines.Line) (n int) {
	for _, l := range all {
		if l.Shown && l.State == lines.NotJudged {
			n++
		}
	}
	return n
}

// Unjudged lists the data lines that were not judged, by chip: those that the
// pictures show, and those that hold nothing of them.
func Unjudged(all []lines.Line) (open, hidden fact.List) {
	var chips []string
	at := map[string]*[2][]int{}
	size := map[string]int{}
	for _, l := range all {
		name := l.Designator
		if at[name] == nil {
			at[name] = &[2][]int{}
			chips = append(chips, name)
		}
		size[name]++
		switch {
		case l.State != lines.NotJudged:
		case l.Shown:
			at[name][0] = append(at[name][0], l.Line)
		default:
			at[name][1] = append(at[name][1], l.Line)
		}
	}
	var parts [2][]fact.Arg
	for _, name := range chips {
		for k, which := range at[name] {
			switch {
			case len(which) == 0:
			case len(which) == size[name]:
				parts[k] = append(parts[k], fact.Name(name))
			default:
				parts[k] = append(parts[k], fact.New("picture.chip-lines-named", "chip", name, "lines", lines.DataLines(which)))
			}
		}
	}
	return fact.ListOf(fact.Semicolon, parts[0]), fact.ListOf(fact.Semicolon, parts[1])
}

// JudgesNone reports whether a doubt says no more than that a picture tells
// nothing of data lines, or not of all: other pictures may.
func JudgesNone(doubt fact.Fact) bool {
	switch doubt.Key {
	case "picture.judges-none", "picture.photograph-judges-none", "picture.not-judged":
		return true
	}
	return false
}
