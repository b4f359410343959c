package probe

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// A full is a writer that calls done once it has so many bytes.
type full struct {
	bytes.Buffer
	bytes int
	done  func()
}

func (f *full) Write(p []byte) (int, error) {
	n, err := f.Buffer.Write(p)
	if f.Len() >= f.bytes {
		f.done()
	}
	return n, err
}

// A command that forks children out of its process group, ignores the request
// to stop and floods its output is gone when Run returns, with its children.
func TestRunStopsAStubbornCommand(t *testing.T) {
	dir := t.TempDir()
	const script = `trap '' TERM
setsid sh -c 'trap "" TERM; echo $$ > a.part; mv a.part a; while :; do sleep 1; done' &
(trap '' TERM; sh -c 'echo $PPID' > b.part; mv b.part b; while :; do sleep 1; done) &
while [ ! -e a ] || [ ! -e b ]; do sleep 0.01; done
while :; do echo flood flood flood flood flood flood flood flood flood; done`
	const most = 1 << 16
	ctx, cancel := context.WithCancel(context.Background())
	out := &full{bytes: most, done: cancel}
	load := Load{
		Args: []string{"sh", "-c", script}, Dir: dir, Output: out, Most: most,
		Duration: time.Hour, Grace: 50 * time.Millisecond,
	}
	ran, err := load.Run(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if !ran.Stopped || !ran.Killed {
		t.Errorf("got %+v, want it stopped and killed", ran)
	}
	if out.Len() != most || ran.Dropped == 0 || ran.Bytes != most+ran.Dropped {
		t.Errorf("kept %d bytes, %d printed, %d dropped", out.Len(), ran.Bytes, ran.Dropped)
	}
	for _, child := range []string{"a", "b"} {
		text, err := os.ReadFile(filepath.Join(dir, child))
		if err != nil {
			t.Fatal(err)
		}
		pid, err := strconv.Atoi(strings.TrimSpace(string(text)))
		if err != nil {
			t.Fatal(err)
		}
		if err := syscall.Kill(pid, 0); err == nil && !zombie(pid) {
			t.Errorf("child %s, process %d, is still alive", child, pid)
		}
	}
}

func TestRunTellsHowItEnded(t *testing.T) {
	for _, tt := range []struct {
		script string
		want   Ran
	}{
		{"echo done; exit 3", Ran{ExitCode: 3}},
		{"kill -SEGV $$", Ran{ExitCode: -1, Signal: "segmentation fault"}},
		{"true", Ran{}},
	} {
		ran, err := Load{Args: []string{"sh", "-c", tt.script}, Duration: time.Hour}.Run(context.Background())
		if err != nil {
			t.Fatalf("%s: %v", tt.script, err)
		}
		if ran.ExitCode != tt.want.ExitCode || ran.Signal != tt.want.Signal || ran.Stopped || ran.Killed {
			t.Errorf("%s: got %+v, want %+v", tt.script, ran, tt.want)
		}
	}
	nobody := Load{Args: []string{"no-such-program-here"}, Duration: time.Hour}
	if _, err := nobody.Run(context.Background()); err == nil {
		t.Error("a missing program is no error")
	}
}

// It is asked when the command has printed something.
func TestRunStopsWhenAsked(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	load := Load{Args: []string{"sh", "-c", "echo ready; exec sleep 3600"}, Duration: time.Hour}
	load.Output = writerFunc(func(b []byte) (int, error) {
		cancel()
		return len(b), nil
	})
	ran, err := load.Run(ctx)
	if err != nil || !ran.Stopped || ran.Killed {
		t.Errorf("got %+v, %v; want it stopped, not killed", ran, err)
	}
}

type writerFunc func([]byte) (int, error)

func (w writerFunc) Write(b []byte) (int, error) { return w(b) }

func TestStatSurvivesOddNames(t *testing.T) {
	pid, state, ppid := stat("/proc/self/stat")
	if pid != os.Getpid() || ppid != os.Getppid() || state == 0 {
		t.Errorf("stat = %d %c %d, want %d and parent %d", pid, state, ppid, os.Getpid(), os.Getppid())
	}
	path := t.TempDir() + "/stat"
	os.WriteFile(path, []byte(strconv.Itoa(77)+" (a) b (c)) S 5 1\n"), 0o600)
	if pid, state, ppid := stat(path); pid != 77 || state != 'S' || ppid != 5 {
		t.Errorf("stat = %d %c %d, want 77 S 5", pid, state, ppid)
	}
}
