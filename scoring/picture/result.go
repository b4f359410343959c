// Package picture proves that the picture of a card is clean, or reads out of it
// which chip and which data line is at fault.
//
// A test pattern, a capture of the screen that shows it and the memory
// organisation of the card come in; a [Result] goes out: how the capture lies
// over the pattern, image metrics, a judgement of every data line and findings
// with chip designators. Patterns are made by package pattern, captures read by
// package raster. The package reads no files and uses no clock; what it says are
// facts.
package picture

import (
	"fmt"

	"proveout/plans/fact"
	"proveout/scoring/memory"
	"proveout/scoring/picture/chain"
	"proveout/scoring/picture/lines"
	"proveout/scoring/picture/metric"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
)

// A Route is the way a picture came in.
type Route string

// The three routes. Auto lets [Compare] decide.
const (
	Auto       Route = ""
	Digital    Route = "digital"    // a dump or a screenshot: pixel for pixel
	Analogue   Route = "analogue"   // a capture device
	Photograph Route = "photograph" // of the monitor
)

// Kinds of findings that are not faults of the memory.
const (
	ConverterBit   memory.Kind = lines.ConverterBit
	ChannelMissing memory.Kind = "channel-missing"
	ChannelSwapped memory.Kind = "channel-swapped"
	ChannelWeak    memory.Kind = "channel-weak"
	Black          memory.Kind = "black"
	Displaced      memory.Kind = "displaced"
	Stripe         memory.Kind = "stripe"
	Noise          memory.Kind = "noise"
	Geometry       memory.Kind = "geometry"
	Unexplained    memory.Kind = "unexplained"
)

// A Form tells findings of one kind apart.
type Form string

// The forms: a [Black] finding is of a black picture or, Frozen, of one that is
// not the one that was to be shown; a [Noise] finding is of isolated pixels or,
// Sampling, of a capture whose columns were not taken at their time.
const (
	Frozen   Form = "frozen"
	Sampling Form = "sampling"
)

// regionOf is the part of the pattern that a grid has inside.
func regionOf(g *raster.Grid) *metric.Region {
	return &metric.Region{X: g.X0, Y: g.Y0, Width: g.X1 - g.X0, Height: g.Y1 - g.Y0}
}

// A Finding is one fault that the picture shows.
type Finding struct {
	memory.Fault
	Form     Form           `json:"form,omitempty"`
	Region   *metric.Region `json:"region,omitempty"`
	Strength float64        `json:"strength,omitempty"` // levels of 255, or a share: see Where

	fromSolid bool // told by one bit solid alone; Combine settles it with the others
}

// plain is a finding that names no chip.
func plain(kind memory.Kind, where, advice fact.Fact) Finding {
	return Finding{Fault: memory.Fault{
		Kind: kind, Chip: -1, Bank: -1, AddressLine: -1, Confidence: 0.95, Where: where, Advice: advice,
	}}
}

// Fact says a finding in a few words: "U7 D3 stuck at 0".
func (f Finding) Fact() fact.Fact {
	what := fact.New("picture.kind." + string(f.Kind))
	switch {
	case f.Form == Frozen:
		what = fact.New("picture.frozen-picture")
	case f.Form == Sampling:
		what = fact.New("picture.dirty-sampling")
	case f.Kind == memory.AddressLine && f.AddressLine >= 0:
		what = fact.New("picture.address-line", "line", fmt.Sprintf("A%d", f.AddressLine))
	}
	switch n := len(f.Lines); {
	case f.Designator != "" && n > 4:
		first, last := lines.DataLines(f.Lines[:1]), lines.DataLines(f.Lines[n-1:])
		return fact.New("picture.of-many-lines", "chip", f.Designator, "first", first, "last", last, "what", what)
	case f.Designator != "" && n > 0:
		return fact.New("picture.of-lines", "chip", f.Designator, "lines", lines.DataLines(f.Lines), "what", what)
	case f.Designator != "":
		return fact.New("picture.of-chip", "chip", f.Designator, "what", what)
	case !f.Where.IsZero():
		return fact.New("picture.of-place", "what", what, "where", f.Where)
	}
	return what
}

// Undecided reports whether a finding alone decides nothing: a capture of another
// picture than the one that was to be shown may be a frozen screen or the wrong
// file.
func (f Finding) Undecided() bool { return f.Form == Frozen && f.Confidence < 0.7 }

// Judged counts data lines.
type Judged struct {
	Good      int `json:"good"`
	Bad       int `json:"bad"`
	NotJudged int `json:"not_judged"`
}

func (j *Judged) add(state lines.State) {
	switch state {
	case lines.Good:
		j.Good++
	case lines.Bad:
		j.Bad++
	default:
		j.NotJudged++
	}
}

// A Curve is the transfer curve of one channel.
type Curve struct {
	Channel      string       `json:"channel"`
	Points       []CurvePoint `json:"points"`
	Missing      []int        `json:"missing"`       // levels that look like the level below
	NonMonotonic []int        `json:"non_monotonic"` // levels that are darker than the level below
}

// A CurvePoint is the mean shown level of one written level.
type CurvePoint struct {
	Written int     `json:"written"`
	Shown   float64 `json:"shown"`
}

// A Result is what one capture says.
type Result struct {
	Pattern    string     `json:"pattern"`
	Mode       string     `json:"mode"`
	Registered bool       `json:"registered"`
	Reason     fact.Fact  `json:"reason,omitzero"` // why it could not be registered
	Shift      [2]float64 `json:"shift"`           // capture pixels, right and down
	Scale      float64    `json:"scale"`           // capture pixels per screen pixel
	ScaleXY    [2]float64 `json:"scale_xy"`
	Phase      [2]float64 `json:"phase"` // sampling phase, 0 to 1 of a capture pixel
	Gain       [3]float64 `json:"gain"`
	Offset     [3]float64 `json:"offset"` // levels
	Gamma      [3]float64 `json:"gamma"`
	NoiseSD    float64    `json:"noise_sd"` // levels of the capture
	Blur       float64    `json:"blur"`     // standard deviation across, screen pixels
	Route      Route      `json:"route"`

	LinesJudged Judged       `json:"lines_judged"`
	Lines       []lines.Line `json:"lines,omitempty"`

	// After registration and level correction. Of a picture of more than 200 000
	// pixels whose place or levels had to be corrected, similarity and colour
	// differences come from bands of rows: see metric.Compare.
	metric.Score
	Raw *metric.Score `json:"raw,omitempty"` // as captured, when the sizes agree

	Chain    []chain.Change `json:"chain,omitempty"` // what was done to the picture on its way
	Transfer []Curve        `json:"transfer,omitempty"`
	// Faultless says that nothing in the capture was left unexplained; Clean that,
	// besides, every data line that the picture shows was judged good.
	Faultless bool        `json:"faultless"`
	Clean     bool        `json:"clean"`
	Findings  []Finding   `json:"findings"`
	Doubts    []fact.Fact `json:"doubts,omitempty"`

	Aligned *raster.RGB `json:"-"` // the capture on the grid of the pattern, levels corrected
	Wanted  *raster.RGB `json:"-"` // the pattern

	named  pattern.Pattern // that should be shown
	shows  pattern.Pattern // another one, that the capture shows
	glance *glance         // of a capture that shows nothing known
}

// find adds a finding and returns it.
func (r *Result) find(f Finding) *Finding {
	r.Findings = append(r.Findings, f)
	return &r.Findings[len(r.Findings)-1]
}

func (r *Result) doubt(f fact.Fact) { r.Doubts = append(r.Doubts, f) }
