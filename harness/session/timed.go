package session

import (
	"context"
	"fmt"
	"math"
	"strings"
	"time"
	"unicode"

	"proveout/harness/reading"
	"proveout/harness/workflow"
	"proveout/plans"
	"proveout/plans/fact"
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

// A run is one timed run in progress.
type run struct {
	s        *session
	step     *plans.Step
	duration time.Duration
	every    time.Duration // of typed readings; 0 when the plan asks for none
	watch    stopwatch
	due      time.Duration // of the next typed reading
	overdue  bool          // the reading was called for and has not come
	follower workflow.Follower
	files    []string // to be taken when the run ends
	notes    []fact.Fact
	at, temp []float64 // typed temperatures
	live     workflow.Live
	slept    time.Duration
	shown    time.Duration // last state told where lines cannot be redrawn
	alarms   watcher
	ended    bool
	why      fact.Fact // why it ended before its time
}

func (s *session) newRun(step *plans.Step) *run {
	r := &run{s: s, step: step, duration: seconds(step.Timed().Duration.Value)}
	if every := plans.SpecOf[plans.Soak](step).Every; every != nil {
		r.every = seconds(every.Value)
	}
	r.forget()
	return r
}

// forget makes the run know nothing of how hot it is.
func (r *run) forget() {
	r.live, r.alarms = r.s.job.Trend(r.step, nil, nil), watcher{Talk: r.s.Talk}
}

// timed runs the clock of a load or soak step and takes readings beside it. It
// keeps the length of the run as soon as it has ended.
func (s *session) timed(ctx context.Context, step *plans.Step) (time.Duration, error) {
	r := s.newRun(step)
	stated, err := r.begin(ctx)
	if err != nil || stated > 0 {
		return stated, err
	}
	err = r.loop(ctx)
	s.screen.settle()
	ran, slept := r.watch.ran()
	ran = ran.Round(time.Second)
	files, notes, stopErr := r.stop()
	if err != nil {
		left := fact.New("session.left-after", "ran", clock(ran), "of", clock(r.duration))
		if cutErr := s.job.Cut(step.ID, left, ran); cutErr != nil {
			return ran, cutErr
		}
		return ran, err
	}
	length := ran.Seconds()
	kept := reading.Reading{Name: "duration", Value: &length, Text: fmt.Sprintf("%g s", length), Unit: "s",
		Resolution: 1, Source: reading.Source{Kind: timedSource}}
	if err := s.job.Observe(step.ID, kept); err != nil {
		return ran, err
	}
	if slept > time.Second {
		notes = append(notes, fact.New("session.slept-note", "time", clock(slept)))
	}
	if !r.why.IsZero() {
		notes = append(notes, r.why)
	}
	for _, n := range notes {
		if err := s.job.Remark(step.ID, n); err != nil {
			return ran, err
		}
	}
	s.Say(fact.New("session.it-ran", "ran", clock(ran), "of", clock(r.duration)))
	if stopErr != nil {
		s.failed(stopErr)
	}
	for _, path := range files {
		if err := s.evidence(ctx, step, path); err != nil {
			return ran, err
		}
	}
	return ran, nil
}

// evidence takes a file that came of a run: as a log where it is one, else as
// it is.
func (s *session) evidence(ctx context.Context, step *plans.Step, path string) error {
	kept, err := s.keep(ctx, step, path, workflow.Shown{})
	if err == nil {
		return s.told(kept)
	}
	s.failed(err)
	files, err := s.job.Attach(workflow.Attachment{Step: step.ID, Role: "file"}, path)
	if err != nil {
		return err
	}
	return s.told(fact.New("session.kept-unread", "file", files[0].Name))
}

// stop ends what runs beside the clock, and returns what is left of all of it.
func (r *run) stop() (files []string, notes []fact.Fact, err error) {
	if r.follower != nil {
		files, notes, err = r.follower.Stop()
	}
	files, notes = append(r.files, files...), append(r.notes, notes...)
	r.follower, r.files, r.notes = nil, nil, nil
	return files, notes, err
}

// begin waits for the start and sets the clock off. It returns a time above
// zero when the technician says that the step already ran.
func (r *run) begin(ctx context.Context) (stated time.Duration, err error) {
	s := r.s
	example := fact.New("session.example-score")
	if _, hot := plans.FieldNamed(plans.Fields(r.step, s.job.Family), "temperature"); hot {
		example = fact.New("session.example-temperature")
	}
	s.Say(fact.New("session.runs-for", "time", clock(r.duration), "example", example))
	if notice := s.job.Notice(r.step); !notice.IsZero() {
		s.sign(bold+magenta, fact.New("session.caution"), notice)
	}
	words, err := r.command(ctx)
	if err != nil {
		return 0, err
	}
	already := "ran " + r.step.Timed().Duration.Text
	q := fact.New("session.enter-begins", "example", already)
	if words != nil {
		q = fact.New("session.enter-starts")
	}
	err = s.until(ctx, q, func(answer string) error {
		rest, ok := strings.CutPrefix(answer, "ran ")
		switch {
		case answer == "":
			return r.start(words)
		case !ok:
			return again{fact.New("session.press-enter", "example", already)}
		}
		f := plans.Field{Name: "duration", Dimension: quantity.Duration, Unit: "min"}
		readings, err := reading.Parse(f, rest)
		if err != nil || readings[0].Number() <= 0 {
			return again{fact.New("session.no-duration", "typed", rest, "example", already)}
		}
		readings[0].Source = reading.Source{Kind: "stated"}
		if err := s.job.Observe(r.step.ID, readings[0]); err != nil {
			return err
		}
		s.hint(fact.New("session.kept-stated", "time", rest))
		stated = seconds(readings[0].Number())
		return nil
	})
	return stated, err
}

// command shows the command that the plan names and asks whether it may run.
func (r *run) command(ctx context.Context) ([]string, error) {
	s := r.s
	words, confirmed := s.job.Command(s.o.Machine, r.step)
	if words == nil {
		return nil, nil
	}
	s.Say(fact.New("session.plan-names-command"))
	s.screen.line(4, commandLine(words))
	if !confirmed {
		s.Say(fact.New("session.command-is-new"))
	}
	yes, err := s.agree(ctx, fact.New("session.run-it"), confirmed)
	if err != nil || !yes {
		return nil, err
	}
	if confirmed {
		return words, nil
	}
	return words, s.job.Confirm(r.step, words)
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
	if err := r.s.job.RunBegan(r.step.ID); err != nil {
		return err
	}
	r.watch = startWatch(r.s.o.uptime)
	if words == nil {
		return nil
	}
	f, err := r.s.job.Start(r.s.o.Machine, r.step, words, r.duration)
	if err != nil {
		r.s.failed(err)
		return r.s.told(fact.New("session.start-by-hand"))
	}
	r.follower = f
	return nil
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
			return ErrStopped
		case <-s.o.Interrupt:
			if s.interrupted || lines == nil {
				return ErrStopped
			}
			s.interrupted = true
			s.screen.tell(s.screen.led(bold, "", s.words(fact.New("session.leave-run")))...)
		case line, ok := <-lines:
			if !ok {
				// Nobody can type any more, as in a scripted session: the clock goes on.
				lines = nil
				continue
			}
			s.interrupted = false
			s.screen.typed(line)
			s.screen.settle()
			if err := r.typed(ctx, line); err != nil {
				return err
			}
			if !r.ended {
				r.draw()
			}
		case <-tick.C:
			r.beat()
		}
	}
	return nil
}

// typed takes one line typed while the clock runs.
func (r *run) typed(ctx context.Context, line string) error {
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
		r.why = fact.New("session.ended-by-hand", "ran", clock(ran), "of", clock(r.duration))
		if rest != "" {
			r.why = fact.New("session.because", "what", r.why, "why", rest)
		}
		return nil
	case word == "/follow":
		return r.follow(rest)
	case word == "/sensor":
		return r.sensor(rest)
	case word == "/help":
		s.help(append(clockWords[:len(clockWords):len(clockWords)], sessionWords...))
		return nil
	case isWord(line):
		err := s.word(ctx, r.step, line)
		if _, away := err.(jump); away {
			return s.told(fact.New("session.end-first"))
		}
		r.ended = r.ended || err == errPassedOver
		return err
	}
	return r.reading(word, rest, line)
}

// reading takes a reading typed while the clock runs; a bare value is a
// temperature.
func (r *run) reading(word, rest, line string) error {
	s := r.s
	name, text := "temperature", line
	fields := plans.Fields(r.step, s.job.Family)
	if f, ok := plans.FieldNamed(fields, word); ok && rest != "" {
		name, text = f.Name, rest
	}
	f, ok := plans.FieldNamed(fields, name)
	named := name != "temperature" || text != line
	if !ok || !named && strings.IndexFunc(line, unicode.IsLetter) == 0 {
		names := fact.Names(fact.Comma, workflow.FieldNames(fields))
		return s.told(fact.New("session.name-and-value", "names", names))
	}
	readings, err := s.parse(f, text)
	if err != nil {
		return s.failed(err)
	}
	ran, _ := r.watch.ran()
	after := math.Round(ran.Seconds()*10) / 10
	for i := range readings {
		if readings[i].After == nil {
			readings[i].After = &after
		}
		if doubt, _ := reading.DoubtOf(f, readings[i]); doubt.Slip() {
			return s.told(fact.New("session.type-again", "doubt", said(doubt, r.step, f)))
		}
		readings[i].Instrument = r.instrument(f)
	}
	if err := s.job.Observe(r.step.ID, readings...); err != nil {
		return err
	}
	last := readings[len(readings)-1].Shown()
	s.told(fact.New("session.kept-at", "time", clock(ran), "name", f.Name, "value", plans.Answer(last)))
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
		r.live = r.s.job.Trend(r.step, r.at, r.temp)
		r.alarms.limit(r.live)
	}
}

// instrument is the one the bench has for a field, without asking: the clock
// runs.
func (r *run) instrument(f plans.Field) string {
	if id, ok := r.s.instruments[string(f.Dimension)+" "+f.Place]; ok {
		return id
	}
	if _, the := r.s.job.Measuring(f); the != nil {
		return the.ID
	}
	return ""
}

func (r *run) follow(path string) error {
	if path == "" {
		return r.s.told(fact.New("session.type-it-as", "usage", usage("follow")))
	}
	f, path, err := r.s.job.Follow(r.step, r.s.o.Path(unquote(path)), r.s.o.Map, r.s.o.Hints)
	if err != nil {
		return r.s.failed(err)
	}
	return r.beside(f, fact.New("session.following", "file", path))
}

func (r *run) sensor(name string) error {
	names := r.s.o.Machine.Sensors()
	if len(names) == 0 {
		return r.s.told(fact.New("session.no-sensors"))
	}
	if name == "" {
		return r.s.told(fact.New("session.sensors", "names", fact.Names(fact.Comma, names)))
	}
	f, err := r.s.job.Sample(r.s.o.Machine, r.step, name)
	if err != nil {
		return r.s.failed(err)
	}
	return r.beside(f, fact.New("session.logging", "sensor", name))
}

// beside puts a follower beside the clock. What was followed before is taken.
func (r *run) beside(f workflow.Follower, what fact.Fact) error {
	files, notes, err := r.stop()
	r.files, r.notes = files, notes
	r.follower = f
	r.forget()
	if err != nil {
		r.s.failed(err)
	}
	return r.s.told(what)
}
