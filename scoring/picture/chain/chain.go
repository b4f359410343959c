// Package chain recognises what stands between a screen and a file that shows
// it: capture devices, file formats and drivers that share colours between
// pixels, take colour away, keep few levels, or shuffle rows.
//
// The picture that was to be shown and the capture, read at its pixels, come in;
// each [Change] that the capture underwent goes out, with what it takes away
// from judging. The package names no fault and blames no chip.
//
// # Chain or card
//
// A chain treats every pixel alike, or every second row or column. A card's fault
// goes by the lanes of its memory, by address or by one converter. So a change
// is one only when it is seen all over the picture, in every colour that it
// should touch, and when no single fault of a card gives the same pixels:
//
//   - colours smeared over neighbours, brightness not: nothing on a card knows
//     brightness from colour, which are mixtures of all three channels
//   - grey: a missing channel leaves two that differ
//   - few levels: they still reach from black to white in even steps. A bit that
//     is stuck takes away one of the ends; two lines shorted leave uneven steps
//   - rows: every second one shows what belongs one row away. Where a row is a
//     power of two of bytes long, an address line may do so too, and the change
//     says so
package chain

import (
	"proveout/plans/fact"
	"proveout/scoring/picture/raster"
)

// A Kind is one way in which a capture is changed.
type Kind string

// The kinds of changes.
const (
	SharedColour Kind = "shared-colour" // neighbouring pixels share their colour, as with 4:2:2 and 4:2:0
	Grey         Kind = "grey"          // no colour at all
	FewColours   Kind = "few-colours"   // a palette, or fewer bits a channel
	SwappedRows  Kind = "swapped-rows"  // the two fields of an interlaced picture are exchanged
	DoubledRows  Kind = "doubled-rows"  // one of the two fields is shown twice
	CombedRows   Kind = "combed-rows"   // the two fields lie beside each other
	Shrunk       Kind = "shrunk"        // fewer pixels than the screen has
)

// A Change is what a capture chain did to a picture. While there is one, no data
// line is judged: what it left is too little to call a line good, and what it
// took looks like faults.
type Change struct {
	Kind   Kind      `json:"kind"`
	What   fact.Fact `json:"what"`           // what is seen, and why nothing is judged
	Rival  fact.Fact `json:"rival,omitzero"` // the fault of a card that would look the same
	Advice fact.Fact `json:"advice"`         // how to capture it better
}

// A Way is what is known of a picture's way beside its pixels.
type Way struct {
	LineBytes      int     // from one line to the next in the frame buffer
	ScaleX, ScaleY float64 // capture pixels per screen pixel
}

// Examine lists what the capture chain did to a picture: wanted is the screen as
// it should be, g the capture at its pixels.
func Examine(wanted *raster.RGB, g *raster.Grid, way Way) []Change {
	if least := min(way.ScaleX, way.ScaleY); least < 0.97 {
		return []Change{{
			Kind: Shrunk, What: fact.New("chain.shrunk", "scale", fact.In(least, "").To(0.01)),
			Advice: fact.New("chain.look-shrunk"),
		}}
	}
	e := examination{wanted: wanted, grid: g}
	if e.exact() {
		return nil
	}
	// What a row or pixel shows comes first: colours and levels are compared where
	// it is its own.
	for _, look := range []func() *Change{
		func() *Change { return e.rows(way.LineBytes) }, e.grey, e.fewColours, e.sharedColour,
	} {
		if found := look(); found != nil {
			return []Change{*found}
		}
	}
	return nil
}

// exact reports whether a picture without two rows alike is captured pixel for
// pixel: the usual case, and soon told.
func (e *examination) exact() bool {
	const sample, nearly = 2_000, 0.97 // pixels; the rest may be faulty
	n, same := 0, 0
	for i := range e.pixels(sample) {
		n++
		p, v := e.wanted.Pix[3*i:3*i+3:3*i+3], &e.grid.V
		if float32(p[0]) == v[0][i] && float32(p[1]) == v[1][i] && float32(p[2]) == v[2][i] {
			same++
		}
	}
	return float64(same) > nearly*float64(n) && e.unlikeBelow()
}

// ExamineRows is [Examine] for the order of rows alone.
func ExamineRows(wanted *raster.RGB, g *raster.Grid, way Way) []Change {
	e := examination{wanted: wanted, grid: g}
	if found := e.rows(way.LineBytes); found != nil {
		return []Change{*found}
	}
	return nil
}

// An examination is one run of Examine.
type examination struct {
	wanted *raster.RGB
	grid   *raster.Grid
}

// A colour is brightness and the differences of blue and red to it, as BT.601
// mixes them: what devices that share colours keep apart.
type colour [3]float32

// of mixes a colour from levels.
func of(r, g, b float32) colour {
	y := 0.299*r + 0.587*g + 0.114*b
	return colour{y, b - y, r - y}
}

func (e *examination) shown(i int) colour {
	v := &e.grid.V
	return of(v[0][i], v[1][i], v[2][i])
}

func (e *examination) written(i int) colour {
	p := e.wanted.Pix[3*i : 3*i+3 : 3*i+3]
	return of(float32(p[0]), float32(p[1]), float32(p[2]))
}

// inside is the part of the picture that is looked at: without the marks and
// strips at top and bottom, which are the same in every picture, and a margin of
// so many pixels for neighbours.
func (e *examination) inside(margin int) (x0, y0, x1, y1 int) {
	g := e.grid
	edge := 8*max(2, (g.Height+75)/150) + 2
	return g.X0 + margin, max(g.Y0+margin, edge), g.X1 - margin, min(g.Y1-margin, g.Height-edge)
}
