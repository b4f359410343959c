package workflow

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"proveout/harness/logs"
	"proveout/plans"
	"proveout/plans/quantity"
	"proveout/scoring"
)

// riseAt is a soak as a body with one time constant shows it:
// T(t) = 25 + 40 (1 − exp(−t/300 s)), read in steps of 0.1 °C.
func riseAt(t float64) float64 { return math.Round(10*(25+40*(1-math.Exp(-t/300)))) / 10 }

type followed struct {
	t    *testing.T
	path string
	f    *logFollower
	now  time.Time
	said []string
}

func follow(t *testing.T, limit float64) *followed {
	t.Helper()
	w := &followed{t: t, path: filepath.Join(t.TempDir(), "soak.csv"), now: time.Unix(0, 0)}
	step := &plans.Step{ID: "soak", Kind: plans.SoakKind, Spec: &plans.Soak{MaxTemp: &quantity.Quantity{Value: limit},
		Stability: &plans.Stability{Window: quantity.Quantity{Value: 600}, Rate: quantity.Quantity{Value: 2.0 / 3600}}}}
	var err error
	v := &view{Watch: scoring.NewWatch(step, &plans.Family{}), now: func() time.Time { return w.now }}
	if w.f, err = newLogFollower(w.path, logs.Map{}, v); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { w.f.Stop(); os.RemoveAll(w.f.dir) })
	return w
}

// write appends to the log in odd pieces, with a poll behind each.
func (w *followed) write(text string) {
	w.t.Helper()
	for piece := 7; len(text) > 0; piece = piece*5%61 + 1 {
		n := min(piece*40, len(text))
		f, err := os.OpenFile(w.path, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o644)
		if err != nil {
			w.t.Fatal(err)
		}
		f.WriteString(text[:n])
		f.Close()
		text = text[n:]
		w.poll(time.Second)
	}
}

func (w *followed) poll(later time.Duration) (silent time.Duration, stalled bool) {
	w.t.Helper()
	w.now = w.now.Add(later)
	live, err := w.f.Poll()
	if err != nil {
		w.t.Fatal(err)
	}
	if !live.Trouble.IsZero() {
		w.said = append(w.said, english(live.Trouble))
	}
	return live.Silent, live.Stalled
}

func rows(from, to int) string {
	var b strings.Builder
	for t := from; t < to; t++ {
		fmt.Fprintf(&b, "%d,%.1f\n", t, riseAt(float64(t)))
	}
	return b.String()
}

func TestFollowedLogShowsRiseAndPlateau(t *testing.T) {
	w := follow(t, 60)
	w.poll(time.Second)
	if len(w.said) == 0 || !strings.Contains(w.said[0], "not there yet") {
		t.Errorf("before the log is there it says %q", w.said)
	}
	w.write("time_s,temp_c\n" + rows(0, 1200))
	w.poll(3 * time.Second)
	live := w.f.view.state()
	if live.Rows != 1200 || live.Temperature != riseAt(1199) {
		t.Fatalf("got %d rows, last %g", live.Rows, live.Temperature)
	}
	// The plateau of the curve is 65 °C; it must lie in the interval stated.
	if !(math.Abs(live.Plateau-65) <= live.PlateauU) || !(live.PlateauU < 1) {
		t.Errorf("the plateau is %.2f ±%.2f °C, want 65", live.Plateau, live.PlateauU)
	}
	// Over the last 600 s the curve rises by 40 (exp(−2)−exp(−4)) = 4.7 K.
	if !(live.RatePerHour > 10 && live.RatePerHour < 40) || live.Stable {
		t.Errorf("the rate is %.1f K/h, stable %v", live.RatePerHour, live.Stable)
	}
	if !live.Over || live.Limit != 60 {
		t.Errorf("61 °C is not above the limit of 60: %+v", live)
	}
	w.write(rows(1200, 4200))
	w.poll(3 * time.Second)
	live = w.f.view.state()
	if !live.Stable || !(math.Abs(live.RatePerHour) < 2) {
		t.Errorf("after 70 minutes: %.2f K/h, stable %v", live.RatePerHour, live.Stable)
	}
	if !(live.StableSince > 600 && live.StableSince < 4200) {
		t.Errorf("stable since %g s", live.StableSince)
	}
}

func TestFollowedLogThatStalls(t *testing.T) {
	w := follow(t, 90)
	w.write("time_s,temp_c\n" + rows(0, 600))
	if silent, stalled := w.poll(15 * time.Second); stalled {
		t.Errorf("an alarm after %s of silence", silent)
	}
	if silent, stalled := w.poll(15 * time.Second); !stalled {
		t.Errorf("no alarm after %s of silence", silent)
	}
	w.write(rows(600, 700))
	if silent, stalled := w.poll(time.Second); stalled || silent > 2*time.Second {
		t.Errorf("still an alarm when it grows again: %s", silent)
	}
	// A log with a row a minute is not silent after 30 s.
	slow := follow(t, 90)
	slow.write("time_s,temp_c\n0,25.0\n60,26.0\n")
	for i := 2; i < 12; i++ {
		slow.now = slow.now.Add(59 * time.Second)
		slow.write(fmt.Sprintf("%d,%.1f\n", 60*i, 25+float64(i)))
	}
	if _, stalled := slow.poll(90 * time.Second); stalled {
		t.Error("a slow log is called silent")
	}
	if _, stalled := slow.poll(240 * time.Second); !stalled {
		t.Error("a slow log that stopped is not called silent")
	}
}

// A log that is rotated away stays as evidence, whole.
func TestFollowedLogThatIsRotated(t *testing.T) {
	w := follow(t, 90)
	first := "time_s,temp_c\n" + rows(0, 400)
	w.write(first)
	if err := os.Rename(w.path, w.path+".1"); err != nil {
		t.Fatal(err)
	}
	w.write("time_s,temp_c\n" + rows(400, 500))
	live := w.f.view.state()
	if live.Rows != 100 || live.Temperature != riseAt(499) {
		t.Errorf("got %d rows, last %g; want those of the new file", live.Rows, live.Temperature)
	}
	files, notes, err := w.f.Stop()
	if err != nil || len(files) != 2 || len(notes) != 1 || files[1] != w.path {
		t.Fatalf("files %v, notes %q, %v", files, notes, err)
	}
	if got, err := os.ReadFile(files[0]); err != nil || string(got) != first {
		t.Errorf("the first file is not kept whole: %d of %d bytes, %v", len(got), len(first), err)
	}
	if notes[0].Key != "follow.begun-anew" {
		t.Errorf("the note is %v", notes[0])
	}
}

func TestCommandsAreConfirmedAsTheyStand(t *testing.T) {
	a := commandKey([]string{"run", "fast lane"})
	for _, words := range [][]string{{"run fast", "lane"}, {"run", "fast", "lane"}, {"run", "fast lane", ""}} {
		if commandKey(words) == a {
			t.Errorf("%q has the key of another command", words)
		}
	}
}
