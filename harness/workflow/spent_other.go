//go:build !unix && !windows

package workflow

import "time"

// spent is not known here.
func spent() (time.Duration, bool) { return 0, false }
