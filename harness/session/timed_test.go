package session

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"proveout/harness/reading"
	"proveout/harness/workflow"
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/report/words"
)

// A trialFollower shows what a test puts into it.
type trialFollower struct{ live workflow.Live }

func (f *trialFollower) Poll() (workflow.Live, error) { return f.live, nil }
func (f *trialFollower) Stop() (files []string, notes []fact.Fact, err error) {
	return []string{"soak.csv"}, nil, nil
}

// openJob opens a job of a soak with the given keys, in a shop of its own.
func openJob(t *testing.T, keys string) *workflow.Job {
	t.Helper()
	dir := t.TempDir()
	if err := workflow.MakeShop(dir, plans.ShopTemplate(plans.ShopParams{})); err != nil {
		t.Fatal(err)
	}
	plan := "id = \"trial\"\ntitle = \"Trial\"\n[[step]]\nid = \"soak\"\nkind = \"soak\"\ntitle = \"Soak\"\n" +
		"duration = \"40 min\"\nevery = \"5 min\"\n" + keys
	if err := os.WriteFile(filepath.Join(dir, "plans", "trial.plan.toml"), []byte(plan), 0o644); err != nil {
		t.Fatal(err)
	}
	shop, err := workflow.OpenShop(dir, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	in := shop.Receive()
	if err := errors.Join(in.SetFamily("saltmarsh"), in.SetVariant("40"), in.SetPlan("trial")); err != nil {
		t.Fatal(err)
	}
	job, err := in.Open()
	if err == nil {
		err = job.Take()
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { job.Close() })
	return job
}

func english(t *testing.T) *words.Plain {
	t.Helper()
	w, err := words.In("en")
	if err != nil {
		t.Fatal(err)
	}
	return w.Plain()
}

// A trial is a run under a clock that the test turns.
type trial struct {
	job          *workflow.Job
	run          *run
	out          bytes.Buffer
	awake, total time.Duration
	wall         time.Time
}

// newTrial runs the soak of a job, with further keys of its step.
func newTrial(t *testing.T, keys string) *trial {
	tr := &trial{job: openJob(t, keys), wall: time.Date(2026, 3, 29, 0, 30, 0, 0, time.UTC)}
	talk := NewTalk(strings.NewReader(""), &tr.out, Options{
		Look:   Look{Width: 60},
		Words:  english(t),
		Now:    func() time.Time { return tr.wall },
		uptime: func() (time.Duration, time.Duration) { return tr.awake, tr.total },
	})
	s := talk.session(tr.job)
	tr.run = s.newRun(&tr.job.Plan.Steps[0])
	tr.run.watch = startWatch(s.o.uptime)
	return tr
}

// type types a line.
func (tr *trial) typed(line string) error { return tr.run.typed(context.Background(), line) }

// unseen is a state in which nothing is known of the temperature.
func (tr *trial) unseen() workflow.Live { return tr.job.Trend(tr.run.step, nil, nil) }

// pass lets time go by, awake, with a beat at its end.
func (tr *trial) pass(d time.Duration) {
	tr.awake += d
	tr.total += d
	tr.wall = tr.wall.Add(d)
	tr.run.beat()
}

func (tr *trial) said() string {
	text := strings.Join(strings.Fields(tr.out.String()), " ")
	tr.out.Reset()
	return text
}

func TestRunEndsWhenItsTimeIsUp(t *testing.T) {
	tr := newTrial(t, "")
	tr.pass(39*time.Minute + 59*time.Second)
	if tr.run.ended {
		t.Fatal("it ended before its time")
	}
	tr.pass(time.Second)
	if !tr.run.ended || !strings.Contains(tr.said(), "ALARM Time is up after 40:00") {
		t.Error("it does not end at 40:00 with an alarm")
	}
}

// Neither a changed clock nor daylight saving falsifies a duration: the run's
// clock does not follow the time of day.
func TestRunIgnoresTheTimeOfDay(t *testing.T) {
	tr := newTrial(t, "")
	tr.pass(10 * time.Minute)
	tr.wall = tr.wall.Add(-3 * time.Hour)
	tr.pass(10 * time.Minute)
	if ran, _ := tr.run.watch.ran(); ran != 20*time.Minute || tr.run.ended {
		t.Errorf("after 20 minutes and a clock put back by 3 hours it ran %s", ran)
	}
	tr.wall = tr.wall.Add(24 * time.Hour)
	tr.pass(time.Minute)
	if tr.run.ended {
		t.Error("a clock put forward ended the run")
	}
}

// Sleep of the computer is part of the duration, because the card runs on, and
// it is told.
func TestRunTellsSleep(t *testing.T) {
	tr := newTrial(t, "")
	tr.pass(5 * time.Minute)
	tr.said()
	tr.total += 10 * time.Minute // asleep
	tr.pass(time.Second)
	if said := tr.said(); !strings.Contains(said, "This computer slept for 10:00") {
		t.Errorf("the sleep is not told: %q", said)
	}
	if ran, slept := tr.run.watch.ran(); ran != 15*time.Minute+time.Second || slept != 10*time.Minute {
		t.Errorf("ran %s, slept %s", ran, slept)
	}
}

func TestRunCallsForReadings(t *testing.T) {
	tr := newTrial(t, "")
	tr.pass(0)
	if said := tr.said(); !strings.Contains(said, "READING DUE") {
		t.Errorf("no reading is called for at the beginning: %q", said)
	}
	tr.pass(time.Minute)
	if err := tr.typed("41.5"); err != nil {
		t.Fatal(err)
	}
	tr.said()
	tr.pass(3 * time.Minute)
	if said := tr.said(); strings.Contains(said, "READING DUE") {
		t.Errorf("called at 4 min, the interval is 5: %q", said)
	}
	tr.pass(time.Minute)
	tr.pass(time.Minute)
	if said := tr.said(); strings.Count(said, "READING DUE") != 1 {
		t.Errorf("want one call at 5 min: %q", said)
	}
	readings := func() []reading.Reading { return tr.job.Last("soak").Readings }
	r := readings()[0]
	if r.Name != "temperature" || r.Number() != 41.5 || r.After == nil || *r.After != 60 {
		t.Errorf("the reading is %+v, want 41.5 °C at 60 s of the run", r)
	}
	for _, line := range []string{"ambient 23.5", "power 19"} {
		if err := tr.typed(line); err != nil {
			t.Fatal(err)
		}
	}
	if all := readings(); len(all) != 3 || all[1].Name != "ambient" || all[2].Name != "power" {
		t.Errorf("readings: %+v", all)
	}
	tr.typed("hello")
	if len(readings()) != 3 {
		t.Error("a word was kept as a reading")
	}
}

func TestRunEndsEarlyOnlyWhereThePlanAllows(t *testing.T) {
	for _, allowed := range []bool{false, true} {
		tr := newTrial(t, fmt.Sprintf("end_early = %v\n", allowed)+
			"stability = { window = \"10 min\", rate = \"2 K/h\", source = \"common practice, no source\" }\n")
		f := &trialFollower{live: tr.unseen()}
		tr.run.follower = f
		tr.pass(20 * time.Minute)
		f.live.Stable, f.live.StableSince = true, 900
		tr.pass(time.Second)
		if tr.run.ended != allowed {
			t.Errorf("end early %v: ended %v", allowed, tr.run.ended)
		}
		if allowed && !strings.Contains(english(t).Tell(tr.run.why), "ended after 20:01 of 40:00") {
			t.Errorf("the reason is %v", tr.run.why)
		}
		if said := tr.said(); !strings.Contains(said, "since 15:00 of the log") {
			t.Errorf("it does not say since when: %q", said)
		}
	}
}

func TestAlarmsAreGivenOnce(t *testing.T) {
	tr := newTrial(t, "")
	f := &trialFollower{live: tr.unseen()}
	tr.run.follower = f
	f.live.Temperature, f.live.Limit, f.live.Over = 86, 85, true
	tr.pass(time.Second)
	tr.pass(time.Second)
	if said := tr.said(); strings.Count(said, "ALARM 86.0 °C is above the limit of 85.0 °C") != 1 {
		t.Errorf("at the limit it says %q", said)
	}
	f.live.Over, f.live.Temperature = false, 80
	tr.pass(time.Second)
	f.live.Over, f.live.Temperature = true, 90
	tr.pass(time.Second)
	if said := tr.said(); !strings.Contains(said, "ALARM 90.0 °C") {
		t.Errorf("above the limit again it says %q", said)
	}
	f.live.Stalled, f.live.Silent = true, 30*time.Second
	tr.pass(time.Second)
	tr.pass(time.Second)
	if said := tr.said(); strings.Count(said, "ALARM The log has not grown for 0:30") != 1 {
		t.Errorf("of a silent log it says %q", said)
	}
	f.live.Stalled = false
	tr.pass(time.Second)
	if said := tr.said(); !strings.Contains(said, "The log grows again") {
		t.Errorf("of a log that grows again it says %q", said)
	}
}

// A typed temperature above the limit gives the alarm too.
func TestTypedTemperatureGivesTheAlarm(t *testing.T) {
	tr := newTrial(t, "")
	tr.typed("75.5") // the family's limit is 75 °C
	if said := tr.said(); !strings.Contains(said, "ALARM 75.5 °C is above the limit of 75.0 °C") {
		t.Errorf("it says %q", said)
	}
}

func TestLeavingARunCutsIt(t *testing.T) {
	job := openJob(t, "")
	if err := job.Begin("soak"); err != nil {
		t.Fatal(err)
	}
	interrupt := make(chan os.Signal, 2)
	interrupt <- os.Interrupt
	interrupt <- os.Interrupt
	talk := NewTalk(strings.NewReader("\n"), io.Discard, Options{
		Look: Look{Width: 60}, Words: english(t), Interrupt: interrupt,
		uptime: func() (time.Duration, time.Duration) { return 0, 0 },
	})
	_, err := talk.session(job).timed(context.Background(), &job.Plan.Steps[0])
	if !errors.Is(err, ErrStopped) {
		t.Fatalf("got %v, want it stopped", err)
	}
	// The first Ctrl-C may come before the run begins; only a begun run is cut.
	last := job.Last("soak")
	if begun, _ := clockRuns(last); (begun > 0) != (last.Cut != "") {
		t.Errorf("begun %d, cut %q", begun, last.Cut)
	}
}

func TestStateNamesFinishingTime(t *testing.T) {
	tr := newTrial(t, "")
	tr.pass(10 * time.Minute)
	live := &tr.run.live
	live.Temperature, live.Limit, live.RatePerHour, live.Plateau, live.PlateauU, live.Rows = 61.5, 85, 2.4, 66, 1.2, 600
	live.Stable, live.StableSince = true, 500
	lines := tr.run.state()
	text := strings.Join(lines, "\n")
	for _, want := range []string{
		"10:00 of 40:00, 30:00 left, ends 01:10 +00:00", "61.5 °C", "limit 85.0 °C", "+2.4 K/h",
		"going to (66.0 ± 1.2) °C", "stable since 8:20",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not in\n%s", want, text)
		}
	}
	for _, l := range lines {
		if n := len([]rune(l)); n > 60 {
			t.Errorf("%d columns: %q", n, l)
		}
	}
}
