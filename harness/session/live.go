package session

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"proveout/plans"
)

// beat is one look at the clock and at what runs beside it.
func (r *run) beat() {
	ran, slept := r.watch.ran()
	if slept-r.slept > time.Second {
		r.s.screen.tell(r.s.screen.led(bold, "", fmt.Sprintf("%s  This computer slept for %s; nothing was read in that time.", clock(ran), clock(slept-r.slept)))...)
		r.slept = slept
	}
	if r.follower != nil {
		r.poll()
	}
	if r.every > 0 && r.follower == nil && ran >= r.due && !r.overdue && ran < r.duration {
		r.overdue = true
		if r.s.o.Look.Bell {
			fmt.Fprint(r.s.screen.w, "\a")
		}
		r.s.screen.tell(r.s.screen.led(bold, "READING DUE  ", "type the temperature at "+clock(ran)+".")...)
	}
	switch {
	case ran >= r.duration:
		r.ended = true
		r.s.screen.alarm("Time is up after " + clock(ran) + ". Take the last reading before the load is stopped.")
		return
	case plans.SpecOf[plans.Soak](r.step).EndEarly && r.live.Stable:
		r.ended = true
		r.why = fmt.Sprintf("ended after %s of %s because the temperature met the plan's rule of stability", clock(ran), clock(r.duration))
		r.s.screen.tell(r.s.screen.led(bold, "STABLE  ", r.why+".")...)
		return
	}
	r.draw()
	if !r.s.o.Look.Redraw && ran-r.shown >= r.interval() {
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
	ran, _ := r.watch.ran()
	left := max(r.duration-ran, 0)
	width := r.s.screen.width()
	first := fmt.Sprintf("%s of %s, %s left, ends %s", clock(ran), clock(r.duration), clock(left), r.s.o.Now().Add(left).Format("15:04 -07:00"))
	if r.s.o.Look.Redraw {
		share := float64(ran) / float64(r.duration)
		columns := min(width-1-utf8.RuneCountInString(first)-2, 40)
		if columns >= 8 {
			first = bar(share, columns) + "  " + first
		}
	}
	return append([]string{first}, r.live.lines(width-1)...)
}

// lines says what is known of a running log, at most two lines.
func (l Live) lines(width int) []string {
	var parts []string
	if !math.IsNaN(l.Temperature) {
		parts = append(parts, degrees(l.Temperature)+" °C")
	}
	switch {
	case l.Over:
		parts = append(parts, "ABOVE the limit of "+degrees(l.Limit)+" °C")
	case !math.IsNaN(l.Limit):
		parts = append(parts, "limit "+degrees(l.Limit)+" °C")
	}
	if !math.IsNaN(l.RatePerHour) {
		parts = append(parts, fmt.Sprintf("%+.1f K/h", l.RatePerHour))
	}
	if !math.IsNaN(l.FPS) {
		parts = append(parts, fmt.Sprintf("%.1f fps", l.FPS))
	}
	if !math.IsNaN(l.Plateau) {
		parts = append(parts, fmt.Sprintf("going to %s ±%s °C", degrees(l.Plateau), degrees(l.PlateauU)))
	}
	if l.Stable {
		since := "stable"
		if !math.IsNaN(l.StableSince) {
			since = "stable since " + clock(seconds(l.StableSince))
		}
		parts = append(parts, since)
	}
	if l.Rows > 0 {
		parts = append(parts, fmt.Sprintf("%d rows", l.Rows))
	}
	var out []string
	line := ""
	for _, p := range parts {
		switch {
		case line == "":
			line = p
		case utf8.RuneCountInString(line)+3+utf8.RuneCountInString(p) > width:
			out, line = append(out, line), p
		default:
			line += "   " + p
		}
	}
	if line != "" {
		out = append(out, line)
	}
	return out
}

func degrees(v float64) string {
	return strings.Replace(strconv.FormatFloat(v, 'f', 1, 64), "-", "−", 1)
}

func (r *run) poll() {
	live, err := r.follower.Poll()
	if err != nil {
		r.s.screen.alarm(sentence(err.Error()) + " It is followed no longer; the clock goes on.")
		files, notes, _ := r.stop()
		r.files, r.notes = append(r.files, files...), append(r.notes, notes...)
		r.follower = nil
		return
	}
	r.live = live
	r.alarms.look(live)
	if live.Done {
		ran, _ := r.watch.ran()
		r.ended = true
		r.why = fmt.Sprintf("the command ended by itself after %s of %s", clock(ran), clock(r.duration))
		r.s.screen.alarm("The command has ended by itself after " + clock(ran) + ".")
	}
}
