package job

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// tryLock takes the lock that the system gives back when the process ends. It
// reports false when another has it. The byte it locks lies far behind the text
// of the file, so that others can read who has the lock.
func tryLock(f *os.File) (bool, error) {
	at := &windows.Overlapped{OffsetHigh: 1}
	const now = windows.LOCKFILE_EXCLUSIVE_LOCK | windows.LOCKFILE_FAIL_IMMEDIATELY
	err := windows.LockFileEx(windows.Handle(f.Fd()), now, 0, 1, 0, at)
	switch {
	case err == nil:
		return true, nil
	case errors.Is(err, windows.ERROR_LOCK_VIOLATION) || errors.Is(err, windows.ERROR_IO_PENDING):
		return false, nil
	}
	return false, err
}

func isFull(err error) bool {
	return errors.Is(err, windows.ERROR_DISK_FULL) || errors.Is(err, windows.ERROR_HANDLE_DISK_FULL)
}

func isReadOnly(err error) bool { return errors.Is(err, windows.ERROR_WRITE_PROTECT) }

func syncUnsupported(error) bool { return true }
