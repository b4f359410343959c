// Package figure describes a chart once: series, limits, bands, marks and axes
// with units. The print renderer and the page renderer draw the same
// description; neither computes.
package figure

// A Figure is one chart.
type Figure struct {
	ID      string   `json:"id"`   // stable within a step: "soak", "frames", "reference"
	Step    string   `json:"step"` // step id
	Title   string   `json:"title"`
	Alt     string   `json:"alt"`    // what the chart shows, in a sentence, for who cannot see it
	Source  string   `json:"source"` // file the data came from
	Samples int64    `json:"samples"`
	X       Axis     `json:"x"`
	Y       Axis     `json:"y"`
	Series  []Series `json:"series"`
	Limits  []Limit  `json:"limits,omitempty"`
	Bands   []Band   `json:"bands,omitempty"`
	Marks   []Mark   `json:"marks,omitempty"`
}

// An Axis has a name and a unit.
type Axis struct {
	Name string `json:"name"`
	Unit string `json:"unit"`
	// Categories names the positions 0, 1, 2… of a Y axis without numbers.
	Categories []string `json:"categories,omitempty"`
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
type Series struct {
	Name  string    `json:"name"`
	Style Style     `json:"style"`
	X     []float64 `json:"x"`
	Y     []float64 `json:"y"`
}

// A Limit is a straight line across the chart: at a value of Y, or of X when
// Vertical.
type Limit struct {
	Name     string  `json:"name"`
	At       float64 `json:"at"`
	Vertical bool    `json:"vertical,omitempty"`
}

// A Band is a shaded region: between Low and High of Y over the whole chart,
// or of X when Vertical; or around a curve when Curve is given.
type Band struct {
	Name     string  `json:"name"`
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
type Mark struct {
	X     float64 `json:"x"`
	Y     float64 `json:"y"`
	Label string  `json:"label"`
}
