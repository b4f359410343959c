package session_test

import (
	"bufio"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"proveout/harness/job"
)

// A bench is a shop in a folder of its own, with one plan and one job.
type bench struct {
	t    testing.TB
	path string // of the program
	dir  string // of the shop
	job  string // folder of its first job
}

func newBench(t testing.TB, plan string) *bench {
	t.Helper()
	b := &bench{t: t, path: built(t), dir: filepath.Join(t.TempDir(), "shop")}
	b.must("init", b.dir)
	if err := os.WriteFile(filepath.Join(b.dir, "plans", "trial.plan.toml"), []byte(plan), 0o644); err != nil {
		t.Fatal(err)
	}
	b.must("job", "open", "--shop", b.dir, "--plan", "trial", "--family", "saltmarsh", "--variant", "40")
	list, err := job.List(b.dir)
	if err != nil || len(list) != 1 {
		t.Fatalf("jobs: %v, %v", list, err)
	}
	b.job = list[0].Dir
	return b
}

func (b *bench) must(args ...string) {
	b.t.Helper()
	if out, err := exec.Command(b.path, args...).CombinedOutput(); err != nil {
		b.t.Fatalf("proveout %s: %v\n%s", strings.Join(args, " "), err, out)
	}
}

// A dialogue answers a running session by its questions.
type dialogue struct {
	cmd   *exec.Cmd
	in    io.WriteCloser
	lines chan string
}

func (b *bench) run(args ...string) *dialogue {
	b.t.Helper()
	command := exec.Command(b.path, append([]string{"run", "--shop", b.dir, "1"}, args...)...)
	d := &dialogue{cmd: command, lines: make(chan string, 4096)}
	var err error
	if d.in, err = d.cmd.StdinPipe(); err != nil {
		b.t.Fatal(err)
	}
	out, err := d.cmd.StdoutPipe()
	if err != nil {
		b.t.Fatal(err)
	}
	d.cmd.Stderr = d.cmd.Stdout
	if err := d.cmd.Start(); err != nil {
		b.t.Fatal(err)
	}
	go func() {
		scan := bufio.NewScanner(out)
		for scan.Scan() {
			d.lines <- scan.Text()
		}
		close(d.lines)
	}()
	return d
}

// until answers questions until stop says so for a line, or the output ends.
func (d *dialogue) until(answer func(line string) (string, bool), stop func(line string) bool) []string {
	var said []string
	for line := range d.lines {
		said = append(said, line)
		if stop(line) {
			return said
		}
		if text, ok := answer(line); ok {
			io.WriteString(d.in, text+"\n")
		}
	}
	return said
}

const killPlan = `id = "trial"
title = "Trial"
[[step]]
id = "picture"
kind = "image"
title = "Picture"
modes = ["800x600x32@85", "1024x768x32@75", "1280x1024x32@75", "1600x1200x32@60"]
`

// Whenever the program is killed, every reading that was confirmed on the
// screen is in the job, and at most the one being typed is not confirmed.
func TestKilledSessionLosesNothingConfirmed(t *testing.T) {
	kills := 12
	if allChecks() {
		kills = 200
	}
	b := newBench(t, killPlan)
	confirmed := map[string]bool{}
	n, recordedBefore, atWork := 0, 0, 0
	for kill := range kills {
		d := b.run()
		timer := time.AfterFunc(time.Duration(20+rand.IntN(180))*time.Millisecond, func() { d.cmd.Process.Kill() })
		said := d.until(func(line string) (string, bool) {
			switch {
			case strings.HasPrefix(line, "What is seen"):
				n++
				return fmt.Sprintf("stripe %d", n), true
			case strings.HasPrefix(line, "Make a new attempt"):
				return "yes", true
			case strings.HasSuffix(line, ":") && strings.Contains(line, "Enter"):
				return "", true
			}
			return "", false
		}, func(string) bool { return false })
		timer.Stop()
		d.cmd.Wait()
		now := 0
		for _, line := range said {
			if text, ok := strings.CutPrefix(line, "  kept stripe "); ok {
				confirmed["stripe "+strings.TrimSuffix(text, ".")] = true
				now++
			}
		}
		if now > 0 {
			atWork++
		}
		j, _, err := job.Load(b.job)
		if err != nil {
			t.Fatalf("kill %d: the job cannot be read: %v", kill, err)
		}
		recorded := map[string]bool{}
		for _, a := range j.Attempts["picture"] {
			for _, r := range a.Readings {
				recorded[r.Word] = true
			}
		}
		for text := range confirmed {
			if !recorded[text] {
				t.Fatalf("kill %d: %q was confirmed and is not in the job", kill, text)
			}
		}
		if extra := len(recorded) - recordedBefore - now; extra > 1 {
			t.Errorf("kill %d: %d readings were recorded and not confirmed; at most the one at work may be", kill, extra)
		}
		recordedBefore = len(recorded)
		for _, w := range j.Warnings {
			if w.Key != "job.torn" && w.Key != "job.torn-aside" && w.Key != "job.half-entered" {
				t.Errorf("kill %d: %v", kill, w)
			}
		}
	}
	if atWork == 0 {
		t.Error("no kill met a session at work")
	}
	t.Logf("%d kills, %d of them at work, %d readings confirmed", kills, atWork, len(confirmed))
}

const timedPlan = `id = "trial"
title = "Trial"
[[step]]
id = "soak"
kind = "soak"
title = "Soak"
duration = "30 s"
`

// A timed run that is killed is kept as cut, with what was measured, and
// starts again as a new attempt.
func TestKilledRunIsCutAndStartsAgain(t *testing.T) {
	b := newBench(t, timedPlan)
	d := b.run()
	d.until(func(line string) (string, bool) {
		if strings.HasPrefix(line, "Enter the moment it begins") {
			return "\n41.5\nambient 23", true
		}
		return "", false
	}, func(line string) bool { return strings.Contains(line, "kept ambient") })
	d.cmd.Process.Kill()
	d.cmd.Wait()

	d = b.run()
	atStart := func(line string) bool { return strings.HasPrefix(line, "Enter the moment it begins") }
	said := d.until(func(string) (string, bool) { return "", false }, atStart)
	d.in.Close()
	d.cmd.Process.Kill()
	d.cmd.Wait()
	text := strings.Join(strings.Fields(strings.Join(said, " ")), " ")
	cut := "A timed run of this step was cut: the program or the computer stopped during the run"
	if !strings.Contains(text, cut) {
		t.Errorf("the cut is not told:\n%s", strings.Join(said, "\n"))
	}
	j, _, err := job.Load(b.job)
	if err != nil {
		t.Fatal(err)
	}
	attempts := j.Attempts["soak"]
	if len(attempts) != 2 || attempts[0].Cut == "" || attempts[1].Cut != "" {
		t.Fatalf("attempts: %+v", attempts)
	}
	r, ok := attempts[0].Latest("temperature")
	if !ok || r.Number() != 41.5 || r.After == nil {
		t.Errorf("the reading of the cut attempt: %+v, %v", r, ok)
	}
}

// What a run measured stays when the program is killed behind it: the length
// of a run is on the disk as soon as it has ended.
func TestKilledBehindARunKeepsIt(t *testing.T) {
	b := newBench(t, strings.Replace(timedPlan, "30 s", "1 s", 1))
	d := b.run()
	d.until(func(line string) (string, bool) {
		if strings.HasPrefix(line, "Enter the moment it begins") {
			return "\n41.5", true
		}
		return "", false
	}, func(line string) bool { return strings.HasPrefix(line, "Log of the run") })
	d.cmd.Process.Kill()
	d.cmd.Wait()
	d = b.run()
	said := strings.Join(d.until(func(line string) (string, bool) {
		switch {
		case strings.HasPrefix(line, "Log of the run"):
			return "", true
		case strings.HasPrefix(line, "Ambient"):
			return "23", true
		case strings.HasPrefix(line, "Power"):
			return "", true
		}
		return "", false
	}, func(line string) bool { return strings.Contains(line, "The job as it stands") }), "\n")
	d.in.Close()
	d.cmd.Wait()
	if strings.Contains(said, "was cut") || strings.Contains(said, "Enter the moment") {
		t.Errorf("the run was not kept:\n%s", said)
	}
	j, _, err := job.Load(b.job)
	if err != nil {
		t.Fatal(err)
	}
	attempts := j.Attempts["soak"]
	if len(attempts) != 1 || attempts[0].Ended.IsZero() {
		t.Fatalf("attempts: %+v", attempts)
	}
	if r, ok := attempts[0].Latest("duration"); !ok || r.Number() < 1 || r.Number() > 3 {
		t.Errorf("the length of the run: %+v, %v", r, ok)
	}
}
