//go:build js

package scoring

import (
	"proveout/harness/reading"
	"proveout/scoring/memory"
	"proveout/scoring/picture/pattern"
)

// afresh has nothing to compare in a browser: captures are never inside a
// certificate, and the page is the smaller by what would compare them.
func (c *compared) afresh(reading.Files, *pattern.Mode, *memory.Organisation) error {
	return reading.ErrNoFile
}
