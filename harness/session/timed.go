package session

import (
	"context"
	"fmt"
	"math"
	"strings"
	"time"
	"unicode"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/quantity"
)

// A stopwatch measures a run by clocks that do not follow the time of day.
type stopwatch struct {
	uptime       func() (awake, total time.Duration)
	awake, total time.Duration // at the start
}

func startWatch(uptime func() (awake, total time.Duration)) stopwatch {
	a, t := uptime()
	return stopwatch{uptime, a, t}
}

// ran returns the time since the start, sleep included, and the sleep in it.
func (w stopwatch) ran() (ran, slept time.Duration) {
	a, t := w.uptime()
	return t - w.total, max(0, (t-w.total)-(a-w.awake))
}

// clockRuns counts the runs whose clock was started in an attempt, and those
// that have a length. A run whose clock was started and that has no length was
// cut.
func clockRuns(a *reading.Attempt) (begun, done int) {
	for _, n := range a.Notes {
		if n.Event == reading.RunBegan {
			begun++
		}
	}
	for _, r := range a.All("duration") {
		if r.Source.Kind == timedSource {
			done++
		}
	}
	return begun, done
}

// timedSource is where the length of a run timed here comes from.
const timedSource = "timed"

// brokenOff says how far a run got that was cut by the end of the program.
func brokenOff(a *reading.Attempt) (reason string, ran time.Duration) {
	for _, r := range a.Readings {
		if r.After != nil {
			ran = max(ran, seconds(*r.After))
		}
	}
	if ran == 0 {
		return "the program or the computer stopped during the run, before any reading", 0
	}
	return "the program or the computer stopped during the run, after its last reading at " + clock(ran), ran
}

func seconds(v float64) time.Duration { return time.Duration(v * float64(time.Second)) }

// A run is one timed run in progress.
type run struct {
	s        *session
	step     *plans.Step
	duration time.Duration
	every    time.Duration // of typed readings; 0 when the plan asks for none
	watch    stopwatch
	due      time.Duration // of the next typed reading
	overdue  bool          // the reading was called for and has not come
	follower Follower
	files    []string // to be taken when the run ends
	notes    []string
	at, temp []float64 // typed temperatures
	live     Live
	slept    time.Duration
	shown    time.Duration // last state told where lines cannot be redrawn
	alarms   watcher
	ended    bool
	why      string // why it ended before its time
}

func blankLive() Live {
	nan := math.NaN()
	return Live{Temperature: nan, RatePerHour: nan, Plateau: nan, PlateauU: nan, FPS: nan, StableSince: nan, Limit: nan}
}

// timed runs the clock of a load or soak step and takes readings beside it. It
// keeps the length of the run as soon as it has ended.
func (s *session) timed(ctx context.Context, step *plans.Step) (time.Duration, error) {
	r := &run{s: s, step: step, duration: seconds(step.Timed().Duration.Value), live: blankLive(), alarms: watcher{screen: &s.screen}}
	if every := plans.SpecOf[plans.Soak](step).Every; every != nil {
		r.every = seconds(every.Value)
	}
	stated, err := r.begin(ctx)
	if err != nil || stated > 0 {
		return stated, err
	}
	err = r.loop(ctx)
	ran, slept := r.watch.ran()
	ran = ran.Round(time.Second)
	files, notes, stopErr := r.stop()
	if err != nil {
		if cutErr := s.desk.Cut(step.ID, fmt.Sprintf("left after %s of %s", clock(ran), clock(r.duration)), ran); cutErr != nil {
			return ran, cutErr
		}
		return ran, err
	}
	length := ran.Seconds()
	kept := reading.Reading{Name: "duration", Value: &length, Text: fmt.Sprintf("%g s", length), Unit: "s",
		Resolution: 1, Source: reading.Source{Kind: timedSource}}
	if err := s.desk.Record(step.ID, kept); err != nil {
		return ran, err
	}
	if slept > time.Second {
		notes = append(notes, fmt.Sprintf("this computer slept for %s of the run; nothing was read in that time", clock(slept)))
	}
	if r.why != "" {
		notes = append(notes, r.why)
	}
	for _, n := range notes {
		if err := s.desk.Note(step.ID, n); err != nil {
			return ran, err
		}
	}
	s.Say(fmt.Sprintf("It ran %s of %s.", clock(ran), clock(r.duration)))
	if stopErr != nil {
		s.told("", stopErr)
	}
	for _, path := range files {
		if err := s.evidence(step, path); err != nil {
			return ran, err
		}
	}
	return ran, nil
}

// evidence takes a file that came of a run: as a log where it is one, else as
// it is.
func (s *session) evidence(step *plans.Step, path string) error {
	told, err := s.desk.Import(step.ID, path, Origin{})
	if err == nil {
		return s.told(told, nil)
	}
	s.told("", err)
	told, err = s.desk.Attach(step.ID, path, "file", "")
	if err != nil {
		return err
	}
	return s.told(told+" No readings were taken from it; /log PATH with a log map does.", nil)
}

// stop ends what runs beside the clock, and returns what is left of all of it.
func (r *run) stop() (files, notes []string, err error) {
	if r.follower != nil {
		files, notes, err = r.follower.Stop()
	}
	files, notes = append(r.files, files...), append(r.notes, notes...)
	r.follower, r.files, r.notes = nil, nil, nil
	return files, notes, err
}

// begin waits for the start and sets the clock off. It returns a time above
// zero when the technician says that the step already ran.
func (r *run) begin(ctx context.Context) (time.Duration, error) {
	s := r.s
	s.Say(fmt.Sprintf("It runs for %s. While the clock runs, type readings as they come%s. /follow PATH watches a log that is being written, /end ends the run.",
		clock(r.duration), r.example()))
	words, err := r.command(ctx)
	if err != nil {
		return 0, err
	}
	example := "ran " + r.step.Timed().Duration.Text
	q := "Enter the moment it begins; when it has already run, type: " + example
	if words != nil {
		q = "Enter starts the command and the clock"
	}
	for {
		answer, err := s.ask(ctx, r.step, q)
		if err != nil {
			return 0, err
		}
		rest, ok := strings.CutPrefix(answer, "ran ")
		switch {
		case answer == "":
			return 0, r.start(words)
		case !ok:
			s.screen.line(2, "Press Enter to begin, or type for instance: "+example)
			continue
		}
		f, _ := plans.FieldNamed(plans.Fields(r.step, s.desk.Family()), "duration")
		f.Name, f.Dimension, f.Many = "duration", quantity.Duration, false
		readings, err := reading.Parse(f, rest)
		if err != nil || readings[0].Number() <= 0 {
			s.screen.line(2, fmt.Sprintf("%q is not a duration; type for instance: %s", rest, example))
			continue
		}
		readings[0].Source = reading.Source{Kind: "stated"}
		if err := s.desk.Record(r.step.ID, readings[0]); err != nil {
			return 0, err
		}
		s.screen.line(2, "kept "+rest+", as stated; it was not timed here.")
		return seconds(readings[0].Number()), nil
	}
}

// command shows the command that the plan names and asks whether it may run.
func (r *run) command(ctx context.Context) ([]string, error) {
	s := r.s
	words, confirmed := s.desk.Command(r.step)
	if words == nil {
		return nil, nil
	}
	s.Say("The plan names this command for the run:")
	s.screen.line(4, commandLine(words))
	if !confirmed {
		s.Say("It has not run in this shop before as it stands here. It is started as you, in a process group of its own, and stopped with all its children at the end.")
	}
	yes, err := s.agree(ctx, r.step, "Run it", confirmed)
	if err != nil || !yes {
		return nil, err
	}
	return words, s.desk.Confirm(r.step)
}

// commandLine shows words so that their borders can be seen.
func commandLine(words []string) string {
	var out []string
	for _, w := range words {
		if w == "" || strings.ContainsAny(w, " \t\n\"'\\$`") {
			w = fmt.Sprintf("%q", w)
		}
		out = append(out, w)
	}
	return strings.Join(out, " ")
}

func (r *run) start(words []string) error {
	if err := r.s.desk.Began(r.step.ID); err != nil {
		return err
	}
	r.watch = startWatch(r.s.o.Uptime)
	if words == nil {
		return nil
	}
	f, err := r.s.desk.Start(r.step, r.duration)
	if err != nil {
		r.s.told("", err)
		return r.s.told("Start it by hand; the clock is running.", nil)
	}
	r.follower = f
	return nil
}

func (r *run) example() string {
	if _, hot := plans.FieldNamed(plans.Fields(r.step, r.s.desk.Family()), "temperature"); hot {
		return " (61.5, or: ambient 23)"
	}
	return " (score 45.2)"
}

func (r *run) loop(ctx context.Context) error {
	s := r.s
	tick := time.NewTicker(s.o.Tick)
	defer tick.Stop()
	lines := s.in.lines
	r.beat()
	for !r.ended {
		select {
		case <-ctx.Done():
			s.screen.settle()
			return ErrStopped
		case <-s.o.Interrupt:
			if s.interrupted || lines == nil {
				s.screen.settle()
				return ErrStopped
			}
			s.interrupted = true
			s.screen.tell(s.screen.led(bold, "", "Leave? The run counts as cut, its readings are kept. Ctrl-C again leaves; any other line goes on.")...)
		case line, ok := <-lines:
			if !ok {
				// Nobody can type any more, as in a scripted session: the clock goes on.
				lines = nil
				continue
			}
			s.interrupted = false
			s.screen.typed(line)
			s.screen.settle()
			if err := r.typed(line); err != nil {
				s.screen.settle()
				return err
			}
			if !r.ended {
				r.draw()
			}
		case <-tick.C:
			r.beat()
		}
	}
	s.screen.settle()
	return nil
}

// typed takes one line typed while the clock runs.
func (r *run) typed(line string) error {
	s := r.s
	word, rest, _ := strings.Cut(line, " ")
	rest = strings.TrimSpace(rest)
	switch {
	case line == "":
		if !s.o.Look.Redraw {
			r.tellState()
		}
		return nil
	case word == "/end":
		ran, _ := r.watch.ran()
		r.ended = true
		r.why = fmt.Sprintf("ended by hand after %s of %s", clock(ran), clock(r.duration))
		if rest != "" {
			r.why += ": " + rest
		}
		return nil
	case word == "/follow":
		return r.follow(unquote(rest))
	case word == "/sensor":
		return r.sensor(rest)
	case word == "/help":
		s.help(append(runWords(), sessionWords()...))
		return nil
	case isWord(line):
		err := s.word(r.step, line)
		if _, away := err.(jump); away {
			return s.told("The clock is running; /end it first.", nil)
		}
		if err == errPassedOver {
			r.ended = true
		}
		return err
	}
	return r.reading(word, rest, line)
}

// reading takes a reading typed while the clock runs; a bare value is a
// temperature.
func (r *run) reading(word, rest, line string) error {
	s := r.s
	name, text := "temperature", line
	fields := plans.Fields(r.step, s.desk.Family())
	if f, ok := plans.FieldNamed(fields, word); ok && rest != "" {
		name, text = f.Name, rest
	}
	f, ok := plans.FieldNamed(fields, name)
	named := name != "temperature" || text != line
	if !ok || !named && strings.IndexFunc(line, unicode.IsLetter) == 0 {
		var names []string
		for _, f := range fields {
			names = append(names, f.Name)
		}
		return s.told(fmt.Sprintf("Type the name of a reading and its value. This step takes: %s. /help lists what else can be typed.", strings.Join(names, ", ")), nil)
	}
	readings, err := reading.Parse(f, text)
	if err != nil {
		return s.told("", err)
	}
	ran, _ := r.watch.ran()
	after := math.Round(ran.Seconds()*10) / 10
	for i := range readings {
		if readings[i].After == nil {
			readings[i].After = &after
		}
		if doubt, _ := reading.DoubtOf(f, readings[i]); doubt.Slip() {
			return s.told(doubt.Question()+" Nothing was kept; type it again.", nil)
		}
		readings[i].Instrument = r.instrument(f)
	}
	if err := s.desk.Record(r.step.ID, readings...); err != nil {
		return err
	}
	s.told(fmt.Sprintf("%s  kept %s %s.", clock(ran), f.Name, readings[len(readings)-1].Shown()), nil)
	if name == "temperature" {
		r.noteTemperature(ran, readings)
	}
	return nil
}

func (r *run) noteTemperature(ran time.Duration, readings []reading.Reading) {
	for _, one := range readings {
		r.at, r.temp = append(r.at, *one.After), append(r.temp, one.Number())
	}
	r.overdue = false
	if r.every > 0 {
		r.due = ran.Truncate(r.every) + r.every
	}
	if r.follower == nil {
		r.live = r.s.desk.Trend(r.step.ID, r.at, r.temp)
		r.alarms.limit(r.live)
	}
}

// instrument is the one the bench has for a field, without asking: the clock
// runs.
func (r *run) instrument(f plans.Field) string {
	job, err := r.s.desk.Job()
	if err != nil {
		return ""
	}
	if id, ok := r.s.instruments[string(f.Dimension)+" "+f.Place]; ok {
		return id
	}
	if bench, ok := r.s.desk.Shop().Bench(job.Bench); ok {
		if inst, ok := bench.Measuring(f.Dimension, f.Place); ok {
			return inst.ID
		}
	}
	return ""
}

func (r *run) follow(path string) error {
	if path == "" {
		return r.s.told("Type it as: /follow PATH", nil)
	}
	f, err := r.s.desk.Follow(r.step.ID, path)
	if err != nil {
		return r.s.told("", err)
	}
	return r.beside(f, "Following "+path+"; it is taken as evidence when the run ends.")
}

func (r *run) sensor(name string) error {
	names := r.s.desk.Sensors()
	if len(names) == 0 {
		return r.s.told("This session reads no sensor of this computer; begin it with --here when the card sits in this one.", nil)
	}
	if name == "" {
		return r.s.told("Type /sensor and one of: "+strings.Join(names, ", "), nil)
	}
	f, err := r.s.desk.Sample(r.step.ID, name)
	if err != nil {
		return r.s.told("", err)
	}
	return r.beside(f, "Logging "+name+" until the run ends.")
}

// beside puts a follower beside the clock. What was followed before is taken.
func (r *run) beside(f Follower, words string) error {
	files, notes, err := r.stop()
	r.files, r.notes = files, notes
	r.follower, r.live, r.alarms = f, blankLive(), watcher{screen: &r.s.screen}
	if err != nil {
		r.s.told("", err)
	}
	return r.s.told(words, nil)
}
