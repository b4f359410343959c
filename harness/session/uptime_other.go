//go:build !linux

package session

import "time"

// began is a fixed point on the monotonic clock.
var began = time.Now()

// uptime returns how long this program has been running by the monotonic
// clock, which does not follow the time of day. Sleep cannot be told apart
// here: both figures are the same.
func uptime() (awake, total time.Duration) {
	d := time.Since(began)
	return d, d
}
