package session_test

import (
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"proveout/harness/job"
)

// A terminal is a session of the program in a terminal multiplexer.
type terminal struct {
	t      *testing.T
	socket string
	width  int
}

func newTerminal(t *testing.T, width int, env, command string) *terminal {
	t.Helper()
	if _, err := exec.LookPath("tmux"); err != nil {
		if allChecks() {
			t.Fatal("tmux is missing")
		}
		t.Skip("tmux is not installed")
	}
	term := &terminal{t: t, socket: filepath.Join(t.TempDir(), "tmux"), width: width}
	term.tmux("new-session", "-d", "-x", fmt.Sprint(width), "-y", "48", env+" "+command+"; echo left with $?; sleep 60")
	t.Cleanup(func() { exec.Command("tmux", "-S", term.socket, "kill-server").Run() })
	return term
}

func (term *terminal) tmux(args ...string) string {
	term.t.Helper()
	out, err := exec.Command("tmux", append([]string{"-S", term.socket}, args...)...).CombinedOutput()
	if err != nil {
		term.t.Fatalf("tmux %s: %v\n%s", strings.Join(args, " "), err, out)
	}
	return string(out)
}

func (term *terminal) screen() string { return term.tmux("capture-pane", "-p") }

// await waits until the screen shows the text.
func (term *terminal) await(text string) string {
	term.t.Helper()
	var screen string
	for end := time.Now().Add(10 * time.Second); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		if screen = term.screen(); strings.Contains(screen, text) {
			return screen
		}
	}
	term.t.Fatalf("%q does not come on the screen:\n%s", text, screen)
	return ""
}

func (term *terminal) keys(keys ...string) {
	term.t.Helper()
	term.tmux(append([]string{"send-keys"}, keys...)...)
}

const terminalPlan = `id = "trial"
title = "Trial"
[[step]]
id = "clocks"
kind = "clock"
title = "Clocks"
blind = true
[[step]]
id = "soak"
kind = "soak"
title = "Thermal soak"
cautions = ["Heatsink and chips may pass 80 °C: they burn skin."]
duration = "30 min"
every = "5 min"
`

// The session at a terminal: answers, a blind reading, a running clock that is
// drawn over while somebody types, a log that grows, Ctrl-C once and twice.
func TestSessionAtATerminal(t *testing.T) {
	for _, width := range []int{60, 80, 120} {
		t.Run(fmt.Sprint(width), func(t *testing.T) {
			if width != 60 && !allChecks() {
				t.Skip("60 columns alone; PROVEOUT_ALL_CHECKS=1 tries 80 and 120")
			}
			b := newBench(t, terminalPlan)
			term := newTerminal(t, width, "env -u NO_COLOR TERM=screen-256color", b.path+" run --shop "+b.dir+" 1")
			term.await("Read the core clock")
			term.keys("1870", "Enter")
			term.await("did you mean 187")
			term.keys("no", "Enter")
			term.keys("187.1", "Enter")
			if screen := term.await("Read the memory clock"); !strings.Contains(screen, "kept 187.1 MHz, expected") {
				t.Errorf("a blind reading is not shown with what was expected:\n%s", screen)
			}
			term.keys("163.0", "Enter")
			term.await("Enter the moment it begins")
			if coloured := term.tmux("capture-pane", "-p", "-e"); !strings.Contains(coloured, "\x1b[1m") {
				t.Error("nothing is shown in bold")
			}
			term.keys("Enter")
			term.await("READING DUE")
			log := filepath.Join(t.TempDir(), "soak.csv")
			appendRows(t, log, "time_s,temp_c\n", 0, 60)
			term.keys("/follow "+log, "Enter")
			term.await("60 rows")
			term.keys("ambient 2") // half typed while the clock is drawn on
			appendRows(t, log, "", 60, 400)
			screen := term.await("400 rows")
			if !strings.Contains(screen, "ALARM  ") || !strings.Contains(screen, "above the limit of 75.0 °C") {
				t.Errorf("no alarm at the limit:\n%s", screen)
			}
			if !strings.Contains(screen, "> ambient 2") {
				t.Errorf("what was half typed is gone:\n%s", screen)
			}
			term.keys("3.5", "Enter")
			term.await("kept ambient 23.5")
			screen = term.await("of 30:00") // is drawn below what was kept
			if n := strings.Count(screen, "of 30:00"); n != 1 {
				t.Errorf("the running clock stands %d times on the screen:\n%s", n, screen)
			}
			for _, l := range strings.Split(screen, "\n") {
				if utf8.RuneCountInString(l) > width {
					t.Errorf("%d columns: %q", utf8.RuneCountInString(l), l)
				}
			}
			term.keys("C-c")
			term.await("Leave?")
			term.keys("score 1", "Enter") // no reading of a soak: it only goes on
			term.await("Type the name of a reading")
			term.keys("C-c")
			term.await("again leaves")
			time.Sleep(2500 * time.Millisecond) // nothing but a second one ends it
			if screen := term.screen(); strings.Contains(screen, "left with") {
				t.Fatalf("one Ctrl-C ended the session:\n%s", screen)
			}
			term.keys("C-c")
			term.await("left with 2")
			j, _, err := job.Load(b.job)
			if err != nil {
				t.Fatal(err)
			}
			soak := j.Attempts["soak"]
			if len(soak) != 1 || !strings.Contains(soak[0].Cut, "of 30:00") {
				t.Errorf("the run is not recorded as cut: %+v", soak)
			}
			if r, ok := soak[0].Latest("ambient"); !ok || r.Number() != 23.5 {
				t.Errorf("the typed ambient: %+v, %v", r, ok)
			}
		})
	}
}

// Without colour, and for a screen reader, no control sequence is written.
func TestPlainTerminal(t *testing.T) {
	if !allChecks() {
		t.Skip("PROVEOUT_ALL_CHECKS=1 runs this")
	}
	b := newBench(t, terminalPlan)
	file := filepath.Join(t.TempDir(), "typescript")
	term := newTerminal(t, 60, "", b.path+" run --plain --shop "+b.dir+" 1")
	term.tmux("pipe-pane", "cat > "+file)
	term.await("Read the core clock")
	for _, answer := range []string{"187.1", "163.0", "", "41.5", "/end", ""} {
		term.keys(answer, "Enter")
		time.Sleep(300 * time.Millisecond)
	}
	term.await("It ran 0:0")
	data, err := os.ReadFile(file)
	if err != nil || len(data) == 0 {
		t.Fatalf("%d bytes, %v", len(data), err)
	}
	if i := strings.IndexByte(string(data), 0x1b); i >= 0 {
		t.Errorf("an escape sequence: %q", data[i:min(i+20, len(data))])
	}
}

func appendRows(t *testing.T, path, head string, from, to int) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o644)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	fmt.Fprint(f, head)
	for i := from; i < to; i++ {
		fmt.Fprintf(f, "%d,%.1f\n", i, 25+52*(1-math.Exp(-float64(i)/60)))
	}
}
