//go:build unix

package command_test

import (
	"os"
	"runtime"
	"syscall"
)

// peakOf returns the most memory a process had, in bytes.
func peakOf(s *os.ProcessState) int64 {
	u, ok := s.SysUsage().(*syscall.Rusage)
	if !ok {
		return 0
	}
	if runtime.GOOS == "darwin" {
		return int64(u.Maxrss) // bytes there, KiB elsewhere (from memory)
	}
	return int64(u.Maxrss) << 10
}
