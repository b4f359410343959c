package outcome

import "proveout/plans/fact"

// A Figure is a chart whose texts no language has put into words yet.
type Figure = FigureIn[fact.Fact]

// A FigureIn describes one chart: series, limits, bands, marks and axes with units.
// The print renderer and the page renderer draw the same description; neither
// computes. It is described before any language is known and drawn in one: its
// texts, of type T, are facts first and strings in the end.
type FigureIn[T any] struct {
	ID      string         `json:"id"`   // stable within a step: "soak", "frames", "reference"
	Step    string         `json:"step"` // step id
	Title   T              `json:"title"`
	Alt     T              `json:"alt"`    // what the chart shows, in a sentence, for who cannot see it
	Source  T              `json:"source"` // file the data came from
	Samples int64          `json:"samples"`
	X       Axis[T]        `json:"x"`
	Y       Axis[T]        `json:"y"`
	Series  []Series[T]    `json:"series"`
	Limits  []LimitLine[T] `json:"limits,omitempty"`
	Bands   []Band[T]      `json:"bands,omitempty"`
	Marks   []Mark[T]      `json:"marks,omitempty"`
}

// An Axis has a name and a unit.
type Axis[T any] struct {
	Name T      `json:"name"`
	Unit string `json:"unit"`
	// Categories names the positions 0, 1, 2… of a Y axis without numbers.
	Categories []T `json:"categories,omitempty"`
}

// Style is how a series is drawn.
type Style string

// The styles.
const (
	Line   Style = "line"
	Points Style = "points"
	Bars   Style = "bars"
	Dashed Style = "dashed" // a fitted or predicted curve
)

// A Series is one set of points.
type Series[T any] struct {
	Name  T         `json:"name"`
	Style Style     `json:"style"`
	X     []float64 `json:"x"`
	Y     []float64 `json:"y"`
}

// Add puts a point behind the others.
func (s *Series[T]) Add(x, y float64) { s.X, s.Y = append(s.X, x), append(s.Y, y) }

// A LimitLine is a straight line across the chart: at a value of Y, or of X when
// Vertical.
type LimitLine[T any] struct {
	Name     T       `json:"name"`
	At       float64 `json:"at"`
	Vertical bool    `json:"vertical,omitempty"`
}

// A Band is a shaded region: between Low and High of Y over the whole chart,
// or of X when Vertical; or around a curve when Curve is given.
type Band[T any] struct {
	Name     T       `json:"name"`
	Low      float64 `json:"low"`
	High     float64 `json:"high"`
	Vertical bool    `json:"vertical,omitempty"`
	Curve    *Curve  `json:"curve,omitempty"`
}

// A Curve is the outline of a band that follows a curve.
type Curve struct {
	X    []float64 `json:"x"`
	Low  []float64 `json:"low"`
	High []float64 `json:"high"`
}

// A Mark is a labelled point, such as a stall.
type Mark[T any] struct {
	X     float64 `json:"x"`
	Y     float64 `json:"y"`
	Label T       `json:"label"`
}
