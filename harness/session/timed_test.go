package session

import (
	"bytes"
	"context"
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/quantity"
)

// A trialDesk keeps in memory what a session hands it.
type trialDesk struct {
	Desk
	step     plans.Step
	family   plans.Family
	readings []reading.Reading
	notes    []string
	began    bool
	cut      string
	live     Live
}

func (d *trialDesk) Family() *plans.Family { return &d.family }
func (d *trialDesk) Shop() *plans.Shop     { return &plans.Shop{} }
func (d *trialDesk) Job() (*reading.Job, error) {
	return &reading.Job{Attempts: map[string][]reading.Attempt{d.step.ID: {{Number: 1}}}}, nil
}
func (d *trialDesk) Record(_ string, r ...reading.Reading) error {
	d.readings = append(d.readings, r...)
	return nil
}
func (d *trialDesk) Note(_, text string) error                   { d.notes = append(d.notes, text); return nil }
func (d *trialDesk) Began(string) error                          { d.began = true; return nil }
func (d *trialDesk) Cut(_, reason string, _ time.Duration) error { d.cut = reason; return nil }
func (d *trialDesk) Command(*plans.Step) ([]string, bool)        { return nil, false }
func (d *trialDesk) Trend(string, []float64, []float64) Live     { return d.live }
func (d *trialDesk) Import(_, path string, _ Origin) (string, error) {
	d.notes = append(d.notes, "imported "+path)
	return "kept " + path + ".", nil
}

// A trialFollower shows what a test puts into it.
type trialFollower struct{ live Live }

func (f *trialFollower) Poll() (Live, error) { return f.live, nil }
func (f *trialFollower) Stop() (files, notes []string, err error) {
	return []string{"soak.csv"}, nil, nil
}

// A trial is a run under a clock that the test turns.
type trial struct {
	desk         *trialDesk
	run          *run
	out          bytes.Buffer
	awake, total time.Duration
	wall         time.Time
}

func newTrial(step plans.Step) *trial {
	tr := &trial{desk: &trialDesk{step: step, live: blankLive()}, wall: time.Date(2026, 3, 29, 0, 30, 0, 0, time.UTC)}
	talk := NewTalk(strings.NewReader(""), &tr.out, Options{
		Look:   Look{Width: 60},
		Now:    func() time.Time { return tr.wall },
		Uptime: func() (time.Duration, time.Duration) { return tr.awake, tr.total },
	})
	s := &session{Talk: talk, desk: tr.desk, instruments: map[string]string{}}
	tr.run = &run{s: s, step: &tr.desk.step, duration: seconds(step.Timed().Duration.Value), live: blankLive(), alarms: watcher{screen: &s.screen}}
	if every := plans.SpecOf[plans.Soak](&step).Every; every != nil {
		tr.run.every = seconds(every.Value)
	}
	tr.run.watch = startWatch(s.o.Uptime)
	return tr
}

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

func minutesOf(n float64) *quantity.Quantity {
	return &quantity.Quantity{Value: n * 60, Dimension: quantity.Duration}
}

func soakStep() plans.Step {
	return plans.Step{ID: "soak", Kind: plans.SoakKind, Spec: &plans.Soak{Timed: plans.Timed{Duration: minutesOf(40)}, Every: minutesOf(5)}}
}

func TestRunEndsWhenItsTimeIsUp(t *testing.T) {
	tr := newTrial(soakStep())
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
	tr := newTrial(soakStep())
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
	tr := newTrial(soakStep())
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
	tr := newTrial(soakStep())
	tr.pass(0)
	if said := tr.said(); !strings.Contains(said, "READING DUE") {
		t.Errorf("no reading is called for at the beginning: %q", said)
	}
	tr.pass(time.Minute)
	if err := tr.run.typed("41.5"); err != nil {
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
	r := tr.desk.readings[0]
	if r.Name != "temperature" || r.Number() != 41.5 || r.After == nil || *r.After != 60 {
		t.Errorf("the reading is %+v, want 41.5 °C at 60 s of the run", r)
	}
	for _, line := range []string{"ambient 23.5", "power 19"} {
		if err := tr.run.typed(line); err != nil {
			t.Fatal(err)
		}
	}
	if n := len(tr.desk.readings); n != 3 || tr.desk.readings[1].Name != "ambient" || tr.desk.readings[2].Name != "power" {
		t.Errorf("readings: %+v", tr.desk.readings)
	}
	tr.run.typed("hello")
	if len(tr.desk.readings) != 3 {
		t.Error("a word was kept as a reading")
	}
}

func TestRunEndsEarlyOnlyWhereThePlanAllows(t *testing.T) {
	for _, allowed := range []bool{false, true} {
		step := soakStep()
		step.Spec.(*plans.Soak).EndEarly = allowed
		tr := newTrial(step)
		f := &trialFollower{live: blankLive()}
		tr.run.follower = f
		tr.pass(20 * time.Minute)
		f.live.Stable, f.live.StableSince = true, 900
		tr.pass(time.Second)
		if tr.run.ended != allowed {
			t.Errorf("end early %v: ended %v", allowed, tr.run.ended)
		}
		if allowed && !strings.Contains(tr.run.why, "ended after 20:01 of 40:00") {
			t.Errorf("the reason is %q", tr.run.why)
		}
		if said := tr.said(); !strings.Contains(said, "since 15:00 of the log") {
			t.Errorf("it does not say since when: %q", said)
		}
	}
}

func TestAlarmsAreGivenOnce(t *testing.T) {
	tr := newTrial(soakStep())
	f := &trialFollower{live: blankLive()}
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
	tr := newTrial(soakStep())
	tr.desk.live = blankLive()
	tr.desk.live.Temperature, tr.desk.live.Limit, tr.desk.live.Over = 85.5, 85, true
	tr.run.typed("85.5")
	if said := tr.said(); !strings.Contains(said, "ALARM 85.5 °C is above the limit of 85.0 °C") {
		t.Errorf("it says %q", said)
	}
}

func TestLeavingARunCutsIt(t *testing.T) {
	tr := newTrial(soakStep())
	interrupt := make(chan struct{}, 2)
	interrupt <- struct{}{}
	interrupt <- struct{}{}
	talk := NewTalk(strings.NewReader("\n"), &tr.out, Options{Look: Look{Width: 60}, Interrupt: interrupt,
		Uptime: func() (time.Duration, time.Duration) { return tr.awake, tr.total }})
	s := &session{Talk: talk, desk: tr.desk, instruments: map[string]string{}}
	_, err := s.timed(context.Background(), &tr.desk.step)
	if !errors.Is(err, ErrStopped) {
		t.Fatalf("got %v, want it stopped", err)
	}
	// The first Ctrl-C may come before the run begins; only a begun run is cut.
	if tr.desk.began != (tr.desk.cut != "") {
		t.Errorf("began %v, cut %q", tr.desk.began, tr.desk.cut)
	}
}

func TestStateNamesFinishingTime(t *testing.T) {
	tr := newTrial(soakStep())
	tr.pass(10 * time.Minute)
	live := &tr.run.live
	live.Temperature, live.Limit, live.RatePerHour, live.Plateau, live.PlateauU, live.Rows = 61.5, 85, 2.4, 66, 1.2, 600
	live.Stable, live.StableSince = true, 500
	lines := tr.run.state()
	text := strings.Join(lines, "\n")
	for _, want := range []string{"10:00 of 40:00, 30:00 left, ends 01:10 +00:00", "61.5 °C", "limit 85.0 °C", "+2.4 K/h", "going to 66.0 ±1.2 °C", "stable since 8:20"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not in\n%s", want, text)
		}
	}
	for _, l := range lines {
		if n := len([]rune(l)); n > 60 {
			t.Errorf("%d columns: %q", n, l)
		}
	}
	if math.IsNaN(live.Temperature) {
		t.Fatal()
	}
}
