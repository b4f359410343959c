package session

import (
	"time"

	"golang.org/x/sys/unix"
)

// uptime returns how long this computer has been awake and how long it has
// been up, sleep included. Neither follows the time of day, so a clock change
// or daylight saving falsifies no duration, and the difference is sleep.
//
// Source: clock_gettime(2), CLOCK_MONOTONIC and CLOCK_BOOTTIME.
func uptime() (awake, total time.Duration) {
	return readClock(unix.CLOCK_MONOTONIC), readClock(unix.CLOCK_BOOTTIME)
}

func readClock(id int32) time.Duration {
	var ts unix.Timespec
	if err := unix.ClockGettime(id, &ts); err != nil {
		return 0
	}
	return time.Duration(ts.Nano())
}
