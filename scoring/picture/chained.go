package picture

import (
	"math"

	"proveout/scoring/picture/align"
	"proveout/scoring/picture/chain"
)

// examineChain looks for what the capture chain did to the picture, and says it.
// It reports whether that is so much that the card cannot be judged.
func (c *comparison) examineChain(fit align.Fit) bool {
	r := c.r
	way := chain.Way{LineBytes: c.f.Mode.LineBytes(), ScaleX: fit.ScaleX, ScaleY: fit.ScaleY}
	r.Chain = chain.Examine(c.wanted, c.grid, way)
	if len(r.Chain) == 0 && c.sameSize() && !fit.Exact() && nearlyInPlace(fit) {
		// Where two fields are not in order the picture seems to lie between them.
		rows := align.Resample(c.capture, align.Fit{ScaleX: 1, ScaleY: 1}, c.f.Mode.Width, c.f.Mode.Height)
		r.Chain = chain.ExamineRows(c.wanted, rows, way)
	}
	for _, change := range r.Chain {
		r.doubt(change.What)
		if !change.Rival.IsZero() {
			r.doubt(change.Rival)
		}
	}
	return len(r.Chain) > 0
}

// nearlyInPlace reports whether a fit moves no pixel by more than two.
func nearlyInPlace(f align.Fit) bool {
	const most = 2 // pixels
	return math.Abs(f.ShiftX) < most && math.Abs(f.ShiftY) < most &&
		math.Abs(f.ScaleX-1) < 0.003 && math.Abs(f.ScaleY-1) < 0.003
}
