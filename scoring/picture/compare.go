package picture

import (
	"errors"
	"math"

	"proveout/plans/fact"
	"proveout/scoring/memory"
	"proveout/scoring/picture/align"
	"proveout/scoring/picture/lines"
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
//
// The capture is laid over the pattern first, by itself or as a photograph. Then
// faults are looked for from the coarse to the fine: another picture, edges that
// are missing, colours that are missing or exchanged, data lines, and last what
// all that leaves unexplained. The metrics come from what was put in its place.
func Compare(f *pattern.Frame, capture *raster.RGB, o Options) (*Result, error) {
	if err := f.Mode.Check(); err != nil {
		return nil, err
	}
	buffer, known, err := bufferOf(f, o)
	if err != nil {
		return nil, err
	}
	r := &Result{
		Pattern: f.Pattern.Name(), Mode: f.Mode.String(), Route: o.Route, Findings: []Finding{},
		Scale: 1, ScaleXY: [2]float64{1, 1}, Gain: [3]float64{1, 1, 1}, Gamma: [3]float64{1, 1, 1},
		named: f.Pattern, Wanted: f.RGB(),
	}
	if f.Pattern.Kind == 0 {
		r.Pattern = "own picture"
	}
	if known {
		r.LinesJudged.NotJudged = len(buffer.Org.Banks) * buffer.Org.BusBits
	}
	c := &comparison{f: f, wanted: r.Wanted, capture: capture, buffer: buffer, known: known, r: r}
	fit, err := c.run()
	if err != nil {
		return nil, err
	}
	c.measure(fit)
	if r.Registered {
		c.verdict()
	}
	return r, nil
}

// bufferOf returns where the frame lies in memory; without an organisation a
// made-up one serves to find stripes.
func bufferOf(f *pattern.Frame, o Options) (b lines.Buffer, known bool, err error) {
	b = lines.Buffer{Mode: f.Mode, Base: o.Base}
	if o.Memory != nil {
		b.Org = *o.Memory
		return b, true, b.Check()
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
	known   bool // where the picture lies in memory
	r       *Result
	bytes   []byte // of the frame buffer
	grid    *raster.Grid
	report  *lines.Report
	missing [3]bool

	unsettled bool // a doubt lets the picture not pass for faultless
}

// written is the frame with where it lies in memory.
func (c *comparison) written() lines.Written {
	if c.bytes == nil {
		c.bytes = c.f.Bytes()
	}
	return lines.Written{Buffer: c.buffer, Codes: c.f.Codes, Bytes: c.bytes}
}

// run registers and analyses.
func (c *comparison) run() (align.Fit, error) {
	r := c.r
	if r.Route == Photograph {
		return c.fromPhotograph()
	}
	if p, ok := c.foreignAtOnce(); ok {
		c.frozen(p)
		return align.Fit{}, nil
	}
	fit, err := c.register()
	if errors.Is(err, align.ErrNoMatch) && r.Route == Auto && c.capture.Width > c.wanted.Width*6/5 {
		if fit, err := c.fromPhotograph(); err != nil || r.Registered || r.shows.Kind != 0 {
			return fit, err
		}
		r.Route = Auto
	}
	if err != nil {
		c.unregistered(err)
		return align.Fit{}, nil
	}
	fit = c.settle(fit)
	r.Registered = true
	r.Shift, r.ScaleXY = [2]float64{fit.ShiftX, fit.ShiftY}, [2]float64{fit.ScaleX, fit.ScaleY}
	r.Scale = (fit.ScaleX + fit.ScaleY) / 2
	r.Phase = [2]float64{phase(fit.ScaleX, fit.ShiftX), phase(fit.ScaleY, fit.ShiftY)}
	if p, ok := c.foreign(); ok {
		c.frozen(p)
		return fit, nil
	}
	c.geometry()
	task := lines.LevelsOnly
	if changed := c.examineChain(fit); !changed {
		c.channels()
		if c.random() {
			task = lines.Everything
		}
	}
	if c.report, err = lines.Analyse(c.written(), c.grid, c.missing, task); err != nil {
		return fit, err
	}
	t := c.report.Transfer
	r.Gain, r.Offset, r.Gamma, r.Blur = t.Gain, t.Offset, t.Gamma, spread(t.Taps)
	r.NoiseSD = t.Noise * smoothing(fit)
	if !c.random() {
		r.NoiseSD = c.flatNoise() * smoothing(fit)
	}
	c.decideRoute(fit)
	if len(r.Chain) > 0 {
		return fit, nil // what is wrong with it may be of the chain
	}
	c.sampling()
	c.takeLines()
	if !c.random() && !c.levelsOff() {
		c.weakChannels()
	}
	c.leftovers()
	c.unexplained()
	c.curves()
	return fit, nil
}

// register lays the pattern over the capture. A picture of one's own of the size
// of the screen that offers nothing to match is taken to lie in its place.
func (c *comparison) register() (align.Fit, error) {
	if c.f.Pattern.Kind != 0 {
		return align.Find(c.wanted, c.capture, c.texture())
	}
	fit, err := align.Find(c.wanted, c.capture, align.Fine)
	if errors.Is(err, align.ErrNoMatch) && c.sameSize() {
		return align.Fit{ScaleX: 1, ScaleY: 1}, nil
	}
	return fit, err
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
func (c *comparison) fromPhotograph() (align.Fit, error) {
	r := c.r
	r.Route = Photograph
	s, err := align.Rectify(c.f, c.capture, c.texture())
	if err != nil {
		c.unregistered(err)
		return align.Fit{}, nil
	}
	c.grid = s.Grid
	if p, ok := c.foreign(); ok {
		c.frozen(p)
		return align.Fit{}, nil
	}
	c.photographedChannels(s)
	fine := c.random() && c.texture() == align.Fine
	task := lines.LevelsOnly
	if fine {
		task = lines.FromPhotograph
	}
	if c.report, err = lines.Analyse(c.written(), c.grid, c.missing, task); err != nil {
		return align.Fit{}, err
	}
	r.Registered, r.Reason = true, fact.Fact{}
	r.Shift, r.Scale, r.ScaleXY = s.Corner, s.Scale, [2]float64{s.Scale, s.Scale}
	r.Gamma = c.report.Transfer.Gamma
	for channel := range 3 {
		r.Gain[channel], r.Offset[channel] = 1, 0
		if s.Gain[channel] > 0 {
			r.Gain[channel], r.Offset[channel] = s.Gain[channel], s.Offset[channel]
		}
		r.NoiseSD += c.report.Clean[channel] * max(0.1, s.Centre[channel]) * r.Gain[channel] / 3
	}
	switch {
	case fine:
		c.takeLines()
	case c.random():
		r.doubt(fact.New("picture.photograph-judges-none"))
	case c.f.Pattern.Kind == pattern.BitSolid && c.known:
		c.solid(s)
	}
	r.Aligned = s.Levels
	return align.Fit{ScaleX: s.Scale, ScaleY: s.Scale, ShiftX: s.Corner[0], ShiftY: s.Corner[1]}, nil
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
		channel, bit, _ := c.f.Pattern.Plane()
		if pattern.Widen(1<<bit, c.f.Mode.Format.Fields()[channel].Bits) >= 100 {
			return align.Fine
		}
	}
	return align.Coarse
}

// unregistered says why nothing could be compared; a black capture is a finding.
func (c *comparison) unregistered(err error) {
	c.r.Registered = false
	c.r.Reason = reasonOf(err)
	if !errors.Is(err, align.ErrFlat) {
		if p, ok := c.lookFurther(); ok {
			c.frozen(p)
		} else if !c.turned() {
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
		c.r.Reason = fact.New("picture.one-brightness-of", "level", fact.In(mean, "").To(1))
	}
	f := c.r.find(plain(Black, fact.New("picture.whole-picture", "level", levels(mean)), fact.New("picture.look-black")))
	f.Strength, f.Confidence = mean, 0.9
	if !c.known || len(c.buffer.Org.Banks) < 2 {
		return
	}
	bankBytes := c.buffer.Org.BankBytes()
	first, last := c.buffer.Base/bankBytes, (c.buffer.Base+c.f.Mode.Bytes()-1)/bankBytes
	if first == last {
		where := fact.New("picture.bank-holds-all", "bank", first)
		f := c.r.find(plain(memory.BankLost, where, fact.New("picture.look-select")))
		f.Bank, f.Confidence = int(first), 0.3
	}
}

// reasonOf says why a capture could not be laid over its pattern.
func reasonOf(err error) fact.Fact {
	var coarse align.CoarseError
	var content align.ContentError
	switch {
	case errors.Is(err, align.ErrFlat):
		return fact.New("picture.one-brightness")
	case errors.Is(err, align.ErrNoMarks):
		return fact.New("picture.no-marks")
	case errors.As(err, &coarse):
		return fact.New("picture.too-few-pixels", "pixels", fact.In(coarse.PixelsPerPixel, "").To(0.1))
	case errors.As(err, &content):
		return fact.New("picture.other-content", "matched", content.Matched, "n", content.Tried)
	}
	return fact.New("picture.no-match")
}

// flatNoise is the noise of a pattern whose fine detail the sampling changes.
func (c *comparison) flatNoise() float64 {
	total, channels := 0.0, 0.0
	for channel, residuals := range c.report.Residual {
		if noise := usualNoise(residuals); noise == noise {
			total += noise * c.report.Transfer.Gain[channel]
			channels++
		}
	}
	return total / max(1, channels)
}

// usualNoise is the noise of residuals from the median of their sizes, which edges and
// faults hardly move; NaN when there are none.
func usualNoise(residuals []float32) float64 {
	const toNormal = 1.4826 // standard deviation of normal values whose median distance from 0 is 1
	const sample = 20_000   // pixels
	var distances []float64
	for i := 0; i < len(residuals); i += max(1, len(residuals)/sample) | 1 {
		if r := residuals[i]; r == r {
			distances = append(distances, math.Abs(float64(r)))
		}
	}
	if len(distances) == 0 {
		return math.NaN()
	}
	return toNormal * median(distances)
}

// phase is where between capture pixels the first pixel was read.
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
func spread(taps [5]float64) float64 {
	variance := 0.0
	for i, w := range taps {
		variance += w * float64((i-2)*(i-2))
	}
	if variance < 0.003 { // what rounding leaves of a dump
		return 0
	}
	return math.Sqrt(variance)
}
