package picture

import (
	"proveout/scoring/picture/align"
	"proveout/scoring/picture/chain"
)

// examineChain looks for what the capture chain did to the picture, and says it.
// It reports whether that is so much that the card cannot be judged.
func (c *comparison) examineChain(fit align.Fit) bool {
	r := c.r
	r.Chain = chain.Examine(c.wanted, c.grid, chain.Way{
		LineBytes: c.f.Mode.LineBytes(), ScaleX: fit.ScaleX, ScaleY: fit.ScaleY,
	})
	for _, change := range r.Chain {
		r.doubt(change.What)
		if !change.Rival.IsZero() {
			r.doubt(change.Rival)
		}
	}
	return len(r.Chain) > 0
}
