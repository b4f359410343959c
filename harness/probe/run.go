package probe

import (
	"errors"
	"fmt"
	"io"
	"sync"
	"time"
)

// A Load is a command that puts the card to work for a set time.
type Load struct {
	Args     []string      // program and arguments
	Dir      string        // working folder
	Duration time.Duration // when it is stopped
	Grace    time.Duration // between the request to stop and the kill; 2 s when zero
	Output   io.Writer     // what it prints, both streams, goes here
	Most     int64         // bytes of output kept; 256 MiB when zero
}

// A Ran says how a load command went.
type Ran struct {
	Elapsed  time.Duration // by the monotonic clock
	ExitCode int           // -1 when a signal ended it
	Signal   string        // that ended it, if one did
	Stopped  bool          // it was running at the end of its time and was stopped
	Killed   bool          // it did not heed the request and was killed
	Left     int           // children that had to be killed
	Bytes    int64         // printed
	Dropped  int64         // printed beyond what is kept
}

// String says in words how the command ended.
func (r Ran) String() string {
	end := fmt.Sprintf("ended by itself with exit code %d", r.ExitCode)
	switch {
	case r.Killed:
		end = "did not heed the request to stop and was killed"
	case r.Stopped:
		end = "was stopped at the end of its time"
	case r.Signal != "":
		end = "was ended by the signal " + r.Signal
	}
	return fmt.Sprintf("ran %s and %s", r.Elapsed.Round(100*time.Millisecond), end)
}

const (
	defaultGrace = 2 * time.Second
	defaultMost  = 256 << 20
)

// errNoCommand and its like are what a person can put right.
var errNoCommand = errors.New("the plan names no command to run")

// bounded passes on at most left bytes and counts the rest.
type bounded struct {
	mu      sync.Mutex
	w       io.Writer
	left    int64
	passed  int64
	dropped int64
	err     error
}

func (b *bounded) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	keep := min(int64(len(p)), b.left)
	if keep > 0 && b.err == nil && b.w != nil {
		_, b.err = b.w.Write(p[:keep])
	}
	b.left -= keep
	b.passed += int64(len(p))
	b.dropped += int64(len(p)) - keep
	return len(p), nil
}

func (b *bounded) counts() (passed, dropped int64, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.passed, b.dropped, b.err
}
