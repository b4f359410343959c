package session

import (
	"context"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"proveout/harness/entry"
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
	path     string
	live     Live
	slept    time.Duration
	told     time.Duration // last line told where lines cannot be redrawn
	over     bool          // the limit alarm was given
	silent   bool          // the silence alarm was given
	ended    bool
	why      string // why it ended before its time
}

// silentAfter is how long a followed log may stand still before the alarm.
const silentAfter = 20 * time.Second

// timed runs the clock of a load or soak step and takes readings beside it.
func (s *session) timed(ctx context.Context, step *plans.Step) (time.Duration, error) {
	r := &run{s: s, step: step, duration: seconds(step.Duration.Value), live: Live{Temperature: math.NaN()}}
	if step.Every != nil {
		r.every = seconds(step.Every.Value)
	}
	began, err := r.begin(ctx)
	if err != nil || began > 0 {
		return began, err
	}
	if err := s.desk.Note(step.ID, "the run began"); err != nil {
		return 0, err
	}
	r.watch = startWatch(s.o.uptime())
	r.due = 0
	err = r.loop(ctx)
	if r.follower != nil {
		r.follower.Close()
	}
	ran, slept := r.watch.ran()
	ran = ran.Round(time.Second)
	if err != nil {
		return ran, err
	}
	if slept > time.Second {
		if err := s.desk.Note(step.ID, fmt.Sprintf("this computer slept for %s of the run; nothing was read in that time", clock(slept))); err != nil {
			return ran, err
		}
	}
	if r.why != "" {
		if err := s.desk.Note(step.ID, r.why); err != nil {
			return ran, err
		}
	}
	s.screen.line(0, fmt.Sprintf("It ran %s of %s.", clock(ran), clock(r.duration)))
	if r.path != "" {
		return ran, s.told(s.desk.Import(step.ID, r.path))
	}
	return ran, nil
}

func (o *Options) uptime() func() (awake, total time.Duration) {
	if o.Uptime != nil {
		return o.Uptime
	}
	return Uptime
}

func seconds(v float64) time.Duration { return time.Duration(v * float64(time.Second)) }

// begin waits for the start. It returns a time above zero when the technician
// says that the step already ran.
func (r *run) begin(ctx context.Context) (time.Duration, error) {
	s := r.s
	s.screen.line(0, fmt.Sprintf("This step runs for %s. While it runs: type a reading as it comes%s, /follow PATH to watch a log that is being written, /end to end it.",
		clock(r.duration), r.example()))
	for {
		answer, err := s.ask(ctx, r.step, "Press Enter the moment it begins, or type ran DURATION when it has already run")
		if err != nil {
			return 0, err
		}
		if answer == "" {
			return 0, nil
		}
		rest, ok := strings.CutPrefix(answer, "ran ")
		if !ok {
			s.screen.line(2, "Press Enter to begin, or type for instance: ran 40 min")
			continue
		}
		q, err := quantity.Parse(rest, quantity.Duration)
		if err != nil || q.Value <= 0 {
			s.screen.line(2, fmt.Sprintf("%q is not a duration; type for instance: ran 40 min", rest))
			continue
		}
		return seconds(q.Value), s.desk.Note(r.step.ID, "the length of the run was stated by the technician, not timed here: "+rest)
	}
}

func (r *run) example() string {
	if r.step.Kind == plans.Soak {
		return " (61.5, or ambient 23)"
	}
	return ""
}

func (r *run) loop(ctx context.Context) error {
	s := r.s
	tick := time.NewTicker(s.o.Tick)
	defer tick.Stop()
	r.beat()
	for !r.ended {
		select {
		case <-ctx.Done():
			return errStopped
		case <-s.o.Interrupt:
			if s.interrupted {
				return errStopped
			}
			s.interrupted = true
			s.screen.line(0, "Leave? The run is lost, its readings are kept. Press Ctrl-C again to leave; anything else goes on.")
		case line, ok := <-s.in.lines:
			if !ok {
				return r.withoutInput(ctx)
			}
			s.interrupted = false
			if err := r.typed(line); err != nil {
				return err
			}
		case <-tick.C:
			r.beat()
		}
	}
	return nil
}

// withoutInput lets the clock run on when nobody can type any more, as with a
// scripted session: the run is carried to its end.
func (r *run) withoutInput(ctx context.Context) error {
	tick := time.NewTicker(r.s.o.Tick)
	defer tick.Stop()
	for !r.ended {
		select {
		case <-ctx.Done():
			return errStopped
		case <-r.s.o.Interrupt:
			return errStopped
		case <-tick.C:
			r.beat()
		}
	}
	return nil
}

// typed takes one line typed while the clock runs.
func (r *run) typed(line string) error {
	s := r.s
	word, rest, _ := strings.Cut(line, " ")
	rest = strings.TrimSpace(rest)
	switch {
	case line == "":
		r.tell()
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
	case strings.HasPrefix(line, "/"):
		err := s.word(r.step, line)
		if _, away := err.(jump); away {
			return s.told("The run is on; /end it first.", nil)
		}
		return err
	}
	name, text := "temperature", line
	fields := plans.Fields(r.step, s.desk.Family())
	if f, ok := plans.FieldNamed(fields, word); ok && rest != "" {
		name, text = f.Name, rest
	}
	f, ok := plans.FieldNamed(fields, name)
	if !ok {
		return s.told("Type a reading with its name, as in: "+r.step.ID+" score 45.2; or /help.", nil)
	}
	readings, err := entry.Parse(f, text)
	if err != nil {
		return s.told(err.Error(), nil)
	}
	if job, err := s.desk.Job(); err == nil {
		if bench, ok := s.desk.Shop().Bench(job.Bench); ok {
			for i := range readings {
				if inst, ok := bench.Measuring(f.Dimension, f.Place); ok {
					readings[i].Instrument = inst.ID
				}
			}
		}
	}
	if err := s.desk.Record(r.step.ID, readings...); err != nil {
		return err
	}
	ran, _ := r.watch.ran()
	s.screen.line(2, fmt.Sprintf("%s  %s %s, kept.", clock(ran), f.Name, readings[0].Text))
	if name == "temperature" {
		r.live.Temperature, r.overdue = readings[len(readings)-1].Value, false
		if r.every > 0 {
			r.due = ran + r.every
		}
		r.limit()
	}
	return nil
}

func (r *run) follow(path string) error {
	if path == "" {
		return r.s.told("Type it as: /follow PATH", nil)
	}
	if r.follower != nil {
		r.follower.Close()
		r.follower = nil
	}
	f, err := r.s.desk.Follow(r.step.ID, path)
	if err != nil {
		return r.s.told("", err)
	}
	r.follower, r.path = f, path
	return r.s.told("Following "+path+"; it is imported when the run ends.", nil)
}

// beat is one look at the clock and the log.
func (r *run) beat() {
	ran, slept := r.watch.ran()
	if slept-r.slept > time.Second {
		r.s.screen.line(2, fmt.Sprintf("This computer slept for %s. The run was not watched in that time.", clock(slept-r.slept)))
		r.slept = slept
	}
	if r.follower != nil {
		r.poll()
	}
	if r.every > 0 && r.follower == nil && ran >= r.due && !r.overdue && ran < r.duration {
		r.overdue = true
		r.s.screen.line(0, fmt.Sprintf("%s  Reading due: type the temperature now.", clock(ran)))
	}
	if ran >= r.duration {
		r.ended = true
		r.s.screen.alarm("Time is up after " + clock(ran) + ". Take the last reading before the load is stopped.")
		return
	}
	if r.step.EndEarly && r.live.Stable {
		r.ended = true
		r.why = fmt.Sprintf("ended after %s of %s because the temperature met the plan's stability rule", clock(ran), clock(r.duration))
		r.s.screen.line(0, "Stable by the plan's rule: "+r.why+".")
		return
	}
	r.s.screen.draw(r.status(ran))
	if !r.s.o.Look.Redraw && ran-r.told >= r.interval() {
		r.told = ran
		r.tell()
	}
}

// interval is how often a state is told where lines cannot be redrawn.
func (r *run) interval() time.Duration {
	return max(r.duration/10, 10*time.Second)
}

func (r *run) tell() {
	ran, _ := r.watch.ran()
	r.s.screen.line(2, r.status(ran))
}

func (r *run) status(ran time.Duration) string {
	left := r.duration - ran
	width := r.s.o.Look.Width
	text := fmt.Sprintf("%s of %s, ends %s", clock(ran), clock(r.duration), r.s.o.Now().Add(left).Format("15:04"))
	if !math.IsNaN(r.live.Temperature) {
		text += fmt.Sprintf("  %s °C", strconv.FormatFloat(r.live.Temperature, 'f', 1, 64))
	}
	if r.follower != nil {
		text += r.liveWords()
	}
	if columns := width - len([]rune(text)) - 4; columns >= 10 && r.s.o.Look.Redraw {
		text = bar(float64(ran)/float64(r.duration), min(columns, 30)) + " " + text
	}
	return text
}

func (r *run) liveWords() string {
	var out string
	if !math.IsNaN(r.live.RatePerHour) {
		out += fmt.Sprintf(" %+.1f K/h", r.live.RatePerHour)
	}
	if !math.IsNaN(r.live.Plateau) {
		out += fmt.Sprintf(" to %.1f±%.1f °C", r.live.Plateau, r.live.PlateauU)
	}
	if !math.IsNaN(r.live.FPS) {
		out += fmt.Sprintf(" %.1f fps", r.live.FPS)
	}
	if r.live.Stable {
		out += fmt.Sprintf(" stable since %s", clock(seconds(r.live.StableSince)))
	}
	return out
}

func (r *run) poll() {
	live, err := r.follower.Poll()
	if err != nil {
		r.s.told("", err)
		r.follower.Close()
		r.follower = nil
		return
	}
	r.live = live
	if live.Silent >= silentAfter && !r.silent {
		r.silent = true
		r.s.screen.alarm(fmt.Sprintf("The log has not grown for %s: has the test frozen?", clock(live.Silent)))
	}
	if live.Silent < silentAfter {
		r.silent = false
	}
	r.limit()
}

// limit gives the alarm once each time the limit is passed.
func (r *run) limit() {
	over := r.live.Over
	limit := r.live.Limit
	if r.follower == nil {
		if l := limitOf(r.step, r.s.desk.Family()); l != nil {
			limit, over = l.Value, r.live.Temperature > l.Value
		}
	}
	if over && !r.over {
		r.s.screen.alarm(fmt.Sprintf("%.1f °C is above the limit of %.1f °C. Stop the load and let the card cool.", r.live.Temperature, limit))
	}
	r.over = over
}

func limitOf(step *plans.Step, family *plans.Family) *quantity.Quantity {
	if step.MaxTemp != nil {
		return step.MaxTemp
	}
	return family.Thermal.MaxTemp
}
