package job

import (
	"os"

	"golang.org/x/sys/unix"
)

// startWriteback lets the system begin to write a part of a file, so that the
// sync at its end has less to wait for. It promises nothing, and its errors come
// again with the sync.
func startWriteback(f *os.File, at, n int64) {
	unix.SyncFileRange(int(f.Fd()), at, n, unix.SYNC_FILE_RANGE_WRITE)
}
