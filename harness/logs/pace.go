package logs

import "time"

// A Pace knows how often a log that is followed grows. The zero value knows
// nothing yet.
type Pace struct {
	n     int
	total time.Duration
}

// Grew takes the time that passed until the log grew.
func (p *Pace) Grew(after time.Duration) {
	p.n++
	p.total += after
}

// Stalled reports whether a silence is longer than the pace explains: four
// times the usual, at least 20 s (common practice, no source).
func (p *Pace) Stalled(silent time.Duration) bool {
	limit := 20 * time.Second
	if p.n > 0 {
		limit = max(limit, 4*p.total/time.Duration(p.n))
	}
	return silent >= limit
}
