package session

import (
	"math"
	"time"
	"unicode/utf8"

	"proveout/harness/workflow"
	"proveout/plans"
	"proveout/plans/fact"
)

// beat is one look at the clock and at what runs beside it.
func (r *run) beat() {
	s := r.s
	ran, slept := r.watch.ran()
	if slept-r.slept > time.Second {
		told := fact.New("session.slept", "now", clock(ran), "time", clock(slept-r.slept))
		s.screen.tell(s.screen.led(bold, "", s.words(told))...)
		r.slept = slept
	}
	if r.follower != nil {
		r.poll()
	}
	if r.every > 0 && r.follower == nil && ran >= r.due && !r.overdue && ran < r.duration {
		r.overdue = true
		s.screen.ring()
		due := fact.New("session.type-temperature", "now", clock(ran))
		s.screen.tell(s.signed(bold, fact.New("session.reading-due"), due)...)
	}
	switch {
	case ran >= r.duration:
		r.ended = true
		s.alarm(fact.New("session.time-is-up", "ran", clock(ran)))
		return
	case plans.SpecOf[plans.Soak](r.step).EndEarly && r.live.Stable:
		r.ended = true
		r.why = fact.New("session.ended-stable", "ran", clock(ran), "of", clock(r.duration))
		told := fact.New("session.full-stop", "what", r.why)
		s.screen.tell(s.signed(bold, fact.New("session.stable"), told)...)
		return
	}
	r.draw()
	if !s.o.Look.Redraw && ran-r.shown >= r.interval() {
		r.shown = ran
		r.tellState()
	}
}

// interval is how often a state is told where lines cannot be redrawn.
func (r *run) interval() time.Duration { return max(r.duration/10, 10*time.Second) }

func (r *run) draw() {
	if r.s.o.Look.Redraw {
		lines := r.state()
		if r.live.Over && len(lines) > 1 {
			lines[1] = r.s.screen.tint(bold+red, lines[1])
		}
		r.s.screen.draw(lines, "> ")
	}
}

func (r *run) tellState() {
	for _, l := range r.state() {
		r.s.screen.tell(r.s.screen.led("", "  ", l)...)
	}
}

// state is the run as it stands, on two or three lines.
func (r *run) state() []string {
	s := r.s
	ran, _ := r.watch.ran()
	left := max(r.duration-ran, 0)
	width := s.screen.width()
	first := s.plain(fact.New("session.time-left", "ran", clock(ran), "of", clock(r.duration),
		"left", clock(left), "end", s.o.Now().Add(left).Format("15:04 -07:00")))
	if s.o.Look.Redraw {
		share := float64(ran) / float64(r.duration)
		columns := min(width-1-utf8.RuneCountInString(first)-2, 40)
		if columns >= 8 {
			first = bar(share, columns) + "  " + first
		}
	}
	return append([]string{first}, s.stateOf(r.live, width-1)...)
}

// stateOf says what is known of a running log, broken into lines between what
// belongs together.
func (t *Talk) stateOf(l workflow.Live, width int) []string {
	var out []string
	line := ""
	for _, part := range t.o.Words.TellAll(parts(l)) {
		switch {
		case line == "":
			line = part
		case utf8.RuneCountInString(line)+3+utf8.RuneCountInString(part) > width:
			out, line = append(out, line), part
		default:
			line += "   " + part
		}
	}
	if line != "" {
		out = append(out, line)
	}
	return out
}

// parts is what is known of a running log.
func parts(l workflow.Live) (parts []fact.Fact) {
	known := func(v float64) bool { return !math.IsNaN(v) }
	add := func(f fact.Fact) { parts = append(parts, f) }
	if known(l.Temperature) {
		add(fact.Text(degrees(l.Temperature)))
	}
	switch {
	case l.Over:
		add(fact.New("session.above-limit", "limit", degrees(l.Limit)))
	case known(l.Limit):
		add(fact.New("session.limit", "limit", degrees(l.Limit)))
	}
	if known(l.RatePerHour) {
		add(fact.Text(fact.In(l.RatePerHour, "K/h").To(0.1).WithSign()))
	}
	if known(l.FPS) {
		add(fact.Text(fact.In(l.FPS, "fps").To(0.1)))
	}
	if known(l.Plateau) {
		add(fact.New("session.going-to", "plateau", fact.In(l.Plateau, "°C").Within(l.PlateauU)))
	}
	switch {
	case l.Stable && known(l.StableSince):
		add(fact.New("session.stable-since", "time", clock(seconds(l.StableSince))))
	case l.Stable:
		add(fact.New("session.is-stable"))
	}
	if l.Rows > 0 {
		add(fact.New("session.rows", "n", l.Rows))
	}
	return parts
}

// degrees is a temperature as the bench shows it.
func degrees(celsius float64) fact.Amount { return fact.In(celsius, "°C").To(0.1) }

func (r *run) poll() {
	live, err := r.follower.Poll()
	if err != nil {
		r.s.alarm(fact.New("session.followed-no-longer", "why", r.s.trouble(err)))
		files, notes, _ := r.stop()
		r.files, r.notes = append(r.files, files...), append(r.notes, notes...)
		return
	}
	r.live = live
	r.alarms.look(live)
	if live.Done {
		ran, _ := r.watch.ran()
		r.ended = true
		r.why = fact.New("session.command-ended-note", "ran", clock(ran), "of", clock(r.duration))
		r.s.alarm(fact.New("session.command-ended", "ran", clock(ran)))
	}
}
