package workflow

import (
	"syscall"
	"time"
)

// spent is the processor time that this process has had.
func spent() (time.Duration, bool) {
	process, err := syscall.GetCurrentProcess()
	if err != nil {
		return 0, false
	}
	var created, ended, kernel, user syscall.Filetime
	if err := syscall.GetProcessTimes(process, &created, &ended, &kernel, &user); err != nil {
		return 0, false
	}
	ticks := func(f syscall.Filetime) int64 { return int64(f.HighDateTime)<<32 | int64(f.LowDateTime) } // of 100 ns
	return time.Duration(100 * (ticks(kernel) + ticks(user))), true
}
