//go:build unix

package job

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// tryLock takes the lock that the system gives back when the process ends. It
// reports false when another has it.
func tryLock(f *os.File) (bool, error) {
	for {
		err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
		switch {
		case err == nil:
			return true, nil
		case errors.Is(err, unix.EINTR):
		case errors.Is(err, unix.EWOULDBLOCK):
			return false, nil
		default:
			return false, err
		}
	}
}

func isFull(err error) bool { return errors.Is(err, unix.ENOSPC) || errors.Is(err, unix.EDQUOT) }

func isReadOnly(err error) bool { return errors.Is(err, unix.EROFS) }

// syncUnsupported reports whether a file system does not sync folders.
func syncUnsupported(err error) bool {
	return errors.Is(err, unix.EINVAL) || errors.Is(err, unix.ENOTSUP)
}
