package picture

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"proveout/scoring/memory"
	"proveout/scoring/picture/align"
	"proveout/scoring/picture/lines"
	"proveout/scoring/picture/metric"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
)

// Options say what is known beside pattern and capture. The zero value is good
// for most.
type Options struct {
	Memory *memory.Organisation // of the frame buffer; nil: stripes are reported without chips
	Base   int64                // byte address of the first pixel
	Route  Route
}

// Compare judges one capture against the frame that was on the screen. An error
// means that the question makes no sense (a picture larger than the memory);
// a capture that shows nothing useful gives a Result that is not registered.
func Compare(f *pattern.Frame, capture *raster.RGB, o Options) (*Result, error) {
	if err := f.Mode.Check(); err != nil {
		return nil, err
	}
	buffer, known, err := bufferOf(f, o)
	if err != nil {
		return nil, err
	}
	r := &Result{Pattern: f.Pattern.Name(), Mode: f.Mode.String(), Scale: 1, ScaleXY: [2]float64{1, 1}, Route: o.Route, Findings: []Finding{}}
	r.named = named(f.Pattern)
	if f.Pattern.Kind == 0 {
		r.Pattern = "own picture"
	}
	r.Gain, r.Gamma = [3]float64{1, 1, 1}, [3]float64{1, 1, 1}
	if known {
		r.LinesJudged.NotJudged = len(buffer.Org.Banks) * buffer.Org.BusBits
	}
	wanted := f.RGB()
	r.Wanted = wanted
	c := &comparison{f: f, wanted: wanted, capture: capture, buffer: buffer, known: known, r: r}
	fit, ok := c.run()
	c.measureRaw(ok, fit)
	if ok {
		c.remeasure(fit)
		c.verdict()
	}
	return r, nil
}

// bufferOf returns where the frame lies in memory; without an organisation a
// made-up one serves to find stripes.
func bufferOf(f *pattern.Frame, o Options) (lines.Buffer, bool, error) {
	b := lines.Buffer{Mode: f.Mode, Base: o.Base}
	if o.Memory != nil {
		b.Org = *o.Memory
		if err := b.Check(); err != nil {
			return b, false, err
		}
		return b, true, nil
	}
	b.Base = 0
	b.Org = memory.Organisation{Words: f.Mode.Bytes()/16 + 16, ChipBits: 8, BusBits: 128,
		Banks: []memory.Bank{{Designators: make([]string, 16)}}}
	return b, false, nil
}

// A comparison is one run of Compare.
type comparison struct {
	f       *pattern.Frame
	wanted  *raster.RGB
	capture *raster.RGB
	buffer  lines.Buffer
	known   bool
	r       *Result
	bytes   []byte // of the frame buffer
	grid    *raster.Grid
	report  *lines.Report
	missing [3]bool
}

// written is the frame with where it lies in memory.
func (c *comparison) written() lines.Written {
	if c.bytes == nil {
		c.bytes = c.f.Bytes()
	}
	return lines.Written{Buffer: c.buffer, Codes: c.f.Codes, Bytes: c.bytes}
}

// measureRaw measures the capture as it came when the sizes agree: whole when
// nothing was corrected and these are the measures that count, else sampled.
func (c *comparison) measureRaw(ok bool, fit align.Fit) {
	r := c.r
	if c.wanted.Width != c.capture.Width || c.wanted.Height != c.capture.Height {
		return
	}
	band := 16 // rows
	if ok && !c.corrected(fit) {
		band = 256
	}
	if s, err := metric.Sampled(c.wanted, c.capture, band); err == nil {
		r.Raw, r.Score = &s, s
	}
}

// corrected reports whether place or levels were put right.
func (c *comparison) corrected(fit align.Fit) bool {
	if c.r.Gamma != [3]float64{1, 1, 1} || !fit.Exact() || fit.ShiftX != 0 || fit.ShiftY != 0 {
		return true
	}
	for ch := range 3 {
		if math.Abs(c.r.Gain[ch]-1) > 0.002 || math.Abs(c.r.Offset[ch]) > 0.3 {
			return true
		}
	}
	return false
}

// run registers and analyses; ok is false when the capture is not registered.
func (c *comparison) run() (fit align.Fit, ok bool) {
	if c.r.Route == Photograph {
		return c.fromPhotograph()
	}
	if p, ok := c.foreignAtOnce(); ok {
		c.frozen(p)
		return fit, false
	}
	fit, err := c.register()
	if errors.Is(err, align.ErrNoMatch) && c.r.Route == Auto && c.capture.Width > c.wanted.Width*6/5 {
		if fit, ok = c.fromPhotograph(); ok || c.r.shows != "" {
			return fit, ok
		}
		c.r.Route = Auto
	}
	if err != nil {
		c.unregistered(err)
		return fit, false
	}
	fit = c.settle(fit)
	r := c.r
	r.Registered = true
	r.Shift, r.ScaleXY = [2]float64{fit.ShiftX, fit.ShiftY}, [2]float64{fit.ScaleX, fit.ScaleY}
	r.Scale = (fit.ScaleX + fit.ScaleY) / 2
	r.Phase = [2]float64{phase(fit.ScaleX, fit.ShiftX), phase(fit.ScaleY, fit.ShiftY)}
	if p, ok := c.foreign(c.grid); ok {
		c.frozen(p)
		return fit, false
	}
	c.geometry()
	c.channels()
	task := lines.LevelsOnly
	if c.random() {
		task = lines.Everything
	}
	rep, err := lines.Analyse(c.written(), c.grid, c.missing, task)
	if err != nil {
		c.unregistered(err)
		return fit, false
	}
	c.report = rep
	r.Gain, r.Offset, r.Gamma = rep.Transfer.Gain, rep.Transfer.Offset, rep.Transfer.Gamma
	r.NoiseSD = rep.Transfer.Noise * smoothing(fit)
	r.Blur = spread(rep.Transfer.Taps)
	if !c.random() {
		r.NoiseSD = c.flatNoise() * smoothing(fit)
	}
	c.decideRoute(fit)
	c.sampling()
	c.takeLines()
	c.leftovers()
	c.curves()
	return fit, true
}

// settle reads the capture at its place, and moves that place when a lost
// address line made half of the picture look as if it lay elsewhere.
func (c *comparison) settle(fit align.Fit) align.Fit {
	c.grid = align.Resample(c.capture, fit, c.f.Mode.Width, c.f.Mode.Height)
	if !c.known || !c.random() || c.texture() != align.Fine {
		return fit
	}
	dx, dy := lines.Misplaced(c.written(), c.grid)
	if dx == 0 && dy == 0 {
		return fit
	}
	fit.ShiftX += fit.ScaleX * float64(dx)
	fit.ShiftY += fit.ScaleY * float64(dy)
	c.grid = align.Resample(c.capture, fit, c.f.Mode.Width, c.f.Mode.Height)
	return fit
}

// fromPhotograph finds the screen in a photograph and reads lines out of it.
func (c *comparison) fromPhotograph() (align.Fit, bool) {
	r := c.r
	r.Route = Photograph
	s, err := align.Rectify(c.f, c.capture, c.texture())
	if err != nil {
		c.unregistered(err)
		return align.Fit{}, false
	}
	c.grid = s.Grid
	if p, ok := c.foreign(c.grid); ok {
		c.frozen(p)
		return align.Fit{}, false
	}
	c.channels()
	task := lines.LevelsOnly
	if c.random() && c.texture() == align.Fine {
		task = lines.FromPhotograph
	}
	rep, err := lines.Analyse(c.written(), c.grid, c.missing, task)
	if err != nil {
		c.unregistered(err)
		return align.Fit{}, false
	}
	c.report = rep
	r.Registered, r.Reason = true, ""
	r.Shift, r.Scale, r.ScaleXY = s.Corner, s.Scale, [2]float64{s.Scale, s.Scale}
	r.Gamma = rep.Transfer.Gamma
	for ch := range 3 {
		r.Gain[ch], r.Offset[ch] = 1, 0
		if s.Gain[ch] > 0 {
			r.Gain[ch], r.Offset[ch] = s.Gain[ch], s.Offset[ch]
		}
		r.NoiseSD += rep.Clean[ch] * max(0.1, s.Centre[ch]) * r.Gain[ch] / 3
	}
	if c.random() && c.texture() != align.Fine {
		r.Doubts = append(r.Doubts, "a photograph of this pattern judges no data lines: photograph the random patterns")
	}
	switch {
	case task == lines.FromPhotograph:
		c.takeLines()
	case c.f.Pattern.Kind == pattern.BitSolid && c.known:
		c.solid(s)
	}
	r.Aligned = s.Levels
	return align.Fit{ScaleX: s.Scale, ScaleY: s.Scale, ShiftX: s.Corner[0], ShiftY: s.Corner[1]}, true
}

// flatNoise is the noise of a pattern whose fine detail the sampling changes:
// from the median absolute residual, which edges hardly move.
func (c *comparison) flatNoise() float64 {
	total, n := 0.0, 0.0
	for ch := range 3 {
		if c.missing[ch] {
			continue
		}
		var count [1024]int
		all := 0
		for _, r := range c.report.Residual[ch] {
			if r == r {
				count[min(1023, int(math.Abs(float64(r))*8))]++
				all++
			}
		}
		half := 0
		for k, v := range count {
			if half += v; all > 0 && 2*half >= all {
				if k > 0 {
					total += 1.4826 * (float64(k) + 0.5) / 8 * c.report.Transfer.Gain[ch]
				}
				break
			}
		}
		n++
	}
	return total / max(1, n)
}

func phase(scale, shift float64) float64 {
	x := scale/2 + shift - 0.5
	p := x - math.Floor(x)
	if p > 0.999 {
		return 0
	}
	return p
}

// smoothing is by how much reading between capture pixels lowers the noise,
// undone: linear reading at phase p keeps √(p²+(1-p)²) of it in each direction.
func smoothing(f align.Fit) float64 {
	axis := func(scale, shift float64) float64 {
		var s float64
		const n = 64
		for i := range n {
			x := scale*(float64(i)+0.5) + shift - 0.5
			p := x - math.Floor(x)
			s += p*p + (1-p)*(1-p)
		}
		return math.Sqrt(s / n)
	}
	return 1 / (axis(f.ScaleX, f.ShiftX) * axis(f.ScaleY, f.ShiftY))
}

// spread is the standard deviation of the smoothing across.
func spread(t [5]float64) float64 {
	v := 0.0
	for i, w := range t {
		v += w * float64((i-2)*(i-2))
	}
	if v < 0.003 {
		return 0
	}
	return math.Sqrt(v)
}

// random reports whether every bit of the content is pseudo-random, so that
// lines can be read out.
func (c *comparison) random() bool {
	switch c.f.Pattern.Kind {
	case pattern.Random, pattern.RandomComplement, pattern.BitPlane:
		return true
	}
	return false
}

// texture says how the pattern can be matched.
func (c *comparison) texture() align.Texture {
	switch c.f.Pattern.Kind {
	case pattern.Random, pattern.RandomComplement, pattern.Text:
		return align.Fine
	case pattern.BitPlane:
		ch, bit, _ := c.f.Pattern.Plane()
		if pattern.Widen(1<<bit, c.f.Mode.Format.Fields()[ch].Bits) >= 100 {
			return align.Fine
		}
	}
	return align.Coarse
}

func (c *comparison) register() (align.Fit, error) {
	if c.f.Pattern.Kind != 0 {
		return align.Find(c.wanted, c.capture, c.texture())
	}
	fit, err := align.Find(c.wanted, c.capture, align.Fine)
	if err != nil && c.wanted.Width == c.capture.Width && c.wanted.Height == c.capture.Height && !errors.Is(err, align.ErrFlat) {
		return align.Fit{ScaleX: 1, ScaleY: 1}, nil
	}
	return fit, err
}

// unregistered says why nothing could be compared; a black capture is a finding.
func (c *comparison) unregistered(err error) {
	c.r.Registered = false
	c.r.Reason = err.Error()
	if !errors.Is(err, align.ErrFlat) {
		if p, ok := c.lookFurther(); ok {
			c.frozen(p)
		} else {
			c.r.glance = glanceAt(c.capture)
		}
		return
	}
	mean := 0.0
	for _, v := range c.capture.Pix {
		mean += float64(v)
	}
	mean /= float64(len(c.capture.Pix))
	if mean > 60 {
		c.r.Reason = fmt.Sprintf("the capture is all of one brightness (mean level %.0f)", mean)
	}
	f := plain(Black, fmt.Sprintf("the whole picture, mean level %.1f", mean),
		"Check that the capture device and cable give a picture; then video connector, synchronisation, converter supply and the read-out of the frame buffer.")
	f.Strength, f.Confidence = mean, 0.9
	c.r.Findings = append(c.r.Findings, f)
	if c.known && len(c.buffer.Org.Banks) > 1 {
		first := int(c.buffer.Base / c.buffer.Org.BankBytes())
		if last := int((c.buffer.Base + c.f.Mode.Bytes() - 1) / c.buffer.Org.BankBytes()); first == last {
			g := plain(memory.BankLost, fmt.Sprintf("bank %d holds the whole picture", first), "A bank that is not selected looks the same: check its select line.")
			g.Bank, g.Confidence = first, 0.3
			c.r.Findings = append(c.r.Findings, g)
		}
	}
}

func plain(kind memory.Kind, where, advice string) Finding {
	return Finding{Finding: memory.Finding{Kind: kind, Chip: -1, Bank: -1, AddressLine: -1, Confidence: 0.95, Where: where, Advice: advice}}
}

// decideRoute names the route when the caller did not.
func (c *comparison) decideRoute(fit align.Fit) {
	if c.r.Route != Auto {
		return
	}
	c.r.Route = Analogue
	if fit.Exact() && fit.ShiftX == 0 && fit.ShiftY == 0 && c.capture.Width == c.wanted.Width && c.capture.Height == c.wanted.Height && c.r.NoiseSD < 0.5 && c.report.Sharp {
		c.r.Route = Digital
	}
}

// takeLines copies judgement and findings of the memory.
func (c *comparison) takeLines() {
	r := c.r
	if !c.random() {
		return
	}
	for _, f := range c.report.Findings {
		if !c.known {
			r.Findings = append(r.Findings, c.asStripe(f))
			continue
		}
		r.Findings = append(r.Findings, Finding{Finding: f})
	}
	if !c.known {
		return
	}
	c.takeLinesOf(c.report.Lines)
}

func (c *comparison) takeLinesOf(all []lines.Line) {
	r := c.r
	r.LinesJudged = Judged{}
	for _, l := range all {
		d := DataLine{Bank: l.Bank, Chip: l.Chip, Designator: l.Designator, Line: l.Line, State: l.State.String(), PixelBits: l.PixelBits}
		if !math.IsInf(l.SE, 0) && !math.IsNaN(l.SE) {
			follows, se := l.Follows, l.SE
			d.Follows, d.SE = &follows, &se
		}
		switch l.State {
		case lines.Good:
			r.LinesJudged.Good++
		case lines.Bad:
			r.LinesJudged.Bad++
		default:
			r.LinesJudged.NotJudged++
		}
		r.Lines = append(r.Lines, d)
	}
}

// asStripe turns a finding on a made-up memory into what is seen.
func (c *comparison) asStripe(f memory.Finding) Finding {
	if f.Kind == lines.ConverterBit {
		return Finding{Finding: f}
	}
	kind := Stripe
	if f.Kind == memory.AddressLine {
		kind = Displaced
	}
	if f.Kind == memory.ChipWeak {
		kind = Noise
	}
	g := plain(kind, fmt.Sprintf("bits of the pixels that repeat with the width of the bus (%s)", f.Kind),
		"Give the family with its memory organisation, and the chip and the line can be named.")
	g.Confidence, g.Evidence = f.Confidence, f.Evidence
	return g
}

// curves reports the transfer curve of each channel with its missing and
// non-monotonic levels.
func (c *comparison) curves() {
	if !c.random() && c.f.Pattern.Kind != pattern.Ramp {
		return
	}
	for ch, pts := range c.report.Levels {
		if c.missing[ch] || len(pts) < 3 {
			continue
		}
		cv := Curve{Channel: [3]string{"red", "green", "blue"}[ch], Missing: []int{}, NonMonotonic: []int{}}
		for i, p := range pts {
			cv.Points = append(cv.Points, CurvePoint{int(p.Written), p.Mean})
			if i == 0 {
				continue
			}
			q := pts[i-1]
			step := float64(p.Written) - float64(q.Written)
			se := c.report.Clean[ch] * math.Sqrt(1/float64(max(1, p.Count))+1/float64(max(1, q.Count)))
			switch d := p.Mean - q.Mean; {
			case d < -4*se-0.2*step:
				cv.NonMonotonic = append(cv.NonMonotonic, int(p.Written))
			case d < 0.25*step && step-d > 4*se:
				cv.Missing = append(cv.Missing, int(p.Written))
			}
		}
		c.r.Transfer = append(c.r.Transfer, cv)
	}
}

// remeasure computes the metrics of the aligned capture with corrected levels,
// over the part that was captured.
func (c *comparison) remeasure(fit align.Fit) {
	r := c.r
	if r.Aligned == nil {
		r.Aligned = c.report.Correct(c.grid)
	}
	if r.Raw != nil && !c.corrected(fit) {
		return
	}
	a, b := cut(c.wanted, c.grid), cut(r.Aligned, c.grid)
	if s, err := metric.Sampled(a, b, 24); err == nil {
		r.Score = s
		r.Worst.X += c.grid.X0
		r.Worst.Y += c.grid.Y0
	}
}

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

// verdict decides whether the picture is clean.
func (c *comparison) verdict() {
	r := c.r
	r.Clean = len(r.Findings) == 0 && r.LinesJudged.Bad == 0
	tested := slices.ContainsFunc(r.Lines, func(l DataLine) bool { return l.Alone != [2]*float64{} })
	if r.Clean && r.Route == Photograph && r.LinesJudged.Good == 0 && !tested && c.known {
		r.Clean = false
		r.Doubts = append(r.Doubts, "the photograph judged no data line")
	}
	if r.Clean && c.random() && r.NoiseSD > 20 {
		r.Clean = false
		r.Doubts = append(r.Doubts, fmt.Sprintf("the noise of %.0f levels is too high to call the picture clean", r.NoiseSD))
	}
	if share := float64((c.grid.X1-c.grid.X0)*(c.grid.Y1-c.grid.Y0)) / float64(c.grid.Width*c.grid.Height); share < 0.75 {
		r.Clean = false
		r.Doubts = append(r.Doubts, fmt.Sprintf("only %.0f %% of the screen was captured", 100*share))
	}
	if r.Blur > 0.9 && r.Blur <= mostBlur {
		r.Doubts = append(r.Doubts, "dirty sampling: neighbouring columns run into one another; adjust the phase of the capture device")
	}
	if !c.random() && r.Clean {
		r.Doubts = append(r.Doubts, "this pattern judges no data lines: show the random patterns too")
	}
}
