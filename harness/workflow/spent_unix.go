//go:build unix

package workflow

import (
	"syscall"
	"time"
)

// spent is the processor time that this process has had.
func spent() (time.Duration, bool) {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0, false
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano()), true
}
