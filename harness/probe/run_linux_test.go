package probe

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// A command that forks children out of its process group, ignores the request
// to stop and floods its output is gone within five seconds, with its children.
func TestRunStopsAStubbornCommand(t *testing.T) {
	var out bytes.Buffer
	script := `trap '' TERM
setsid sh -c 'trap "" TERM; echo child $$; while :; do sleep 1; done' &
(trap '' TERM; echo child $(exec sh -c 'echo $PPID'); while :; do sleep 1; done) &
sleep 0.2
while :; do echo flood flood flood flood flood flood flood flood flood; done`
	start := time.Now()
	ran, err := Load{Args: []string{"sh", "-c", script}, Duration: 700 * time.Millisecond, Grace: 500 * time.Millisecond, Output: &out, Most: 1 << 20}.Run(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	if took := time.Since(start); took > 5*time.Second {
		t.Errorf("stopping took %s", took)
	}
	if !ran.Stopped || !ran.Killed {
		t.Errorf("got %+v, want it stopped and killed", ran)
	}
	if out.Len() > 1<<20 || ran.Dropped == 0 || ran.Bytes != int64(out.Len())+ran.Dropped {
		t.Errorf("kept %d bytes, %d printed, %d dropped", out.Len(), ran.Bytes, ran.Dropped)
	}
	children := 0
	for _, l := range strings.Split(out.String(), "\n") {
		var pid int
		if n, _ := fmt.Sscanf(l, "child %d", &pid); n == 1 {
			children++
			if err := syscall.Kill(pid, 0); err == nil && !zombie(pid) {
				t.Errorf("child %d is still alive", pid)
			}
		}
	}
	if children != 2 {
		t.Errorf("saw %d children, want 2", children)
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
		ran, err := Load{Args: []string{"sh", "-c", tt.script}, Duration: 10 * time.Second}.Run(context.Background())
		if err != nil {
			t.Fatalf("%s: %v", tt.script, err)
		}
		if ran.ExitCode != tt.want.ExitCode || ran.Signal != tt.want.Signal || ran.Stopped || ran.Killed {
			t.Errorf("%s: got %+v, want %+v", tt.script, ran, tt.want)
		}
	}
	if _, err := (Load{Args: []string{"no-such-program-here"}, Duration: time.Second}).Run(context.Background()); err == nil {
		t.Error("a missing program is no error")
	}
}

func TestRunStopsWhenAsked(t *testing.T) {
	ctx, cancel := context.WithTimeout(context.Background(), 200*time.Millisecond)
	defer cancel()
	beats := 0
	ran, err := Load{Args: []string{"sleep", "60"}, Duration: time.Minute, Every: 50 * time.Millisecond, Beside: func(time.Duration) { beats++ }}.Run(ctx)
	if err != nil || !ran.Stopped || ran.Killed {
		t.Errorf("got %+v, %v; want it stopped, not killed", ran, err)
	}
	if beats < 2 {
		t.Errorf("called beside the load %d times, want at least 2", beats)
	}
}

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
