package session

import (
	"context"
	"fmt"
	"math"
	"strings"
	"time"
)

// Watching says how long a log is watched without a job's clock.
type Watching struct {
	For   time.Duration // 0: until somebody ends it
	Every time.Duration // between states told where lines cannot be redrawn
}

// A watcher gives the alarms of what is followed.
type watcher struct {
	screen  *screen
	over    bool // the last value is above the limit
	silent  bool
	stable  bool
	trouble string
}

// look gives the alarms that the state calls for, each once.
func (w *watcher) look(live Live) {
	if live.Trouble != "" && live.Trouble != w.trouble {
		w.screen.tell(w.screen.led("", "", sentence(live.Trouble))...)
	}
	w.trouble = live.Trouble
	switch {
	case live.Stalled && !w.silent:
		w.screen.alarm(fmt.Sprintf("The log has not grown for %s. Look whether the test has frozen.", clock(live.Silent)))
	case w.silent && !live.Stalled:
		w.screen.tell("The log grows again.")
	}
	w.silent = live.Stalled
	if live.Stable && !w.stable && !math.IsNaN(live.StableSince) {
		w.screen.tell(w.screen.led(bold, "STABLE  ", "by the plan's rule, since "+clock(seconds(live.StableSince))+" of the log.")...)
	}
	w.stable = live.Stable
	w.limit(live)
}

// limit gives the alarm at the limit of the step.
func (w *watcher) limit(live Live) {
	if live.Over && !w.over {
		w.screen.alarm(fmt.Sprintf("%s °C is above the limit of %s °C. Stop the load and let the card cool.",
			degrees(live.Temperature), degrees(live.Limit)))
	}
	w.over = live.Over
}

// Watch shows what is followed until the time is over, the input says stop, or
// Ctrl-C. It reports whether the limit was passed.
func (t *Talk) Watch(ctx context.Context, f Follower, how Watching) (over bool, err error) {
	w := &watcher{screen: &t.screen}
	watch := startWatch(t.o.Uptime)
	tick := time.NewTicker(t.o.Tick)
	defer tick.Stop()
	defer t.screen.settle()
	lines, told := t.in.lines, time.Duration(-1)
	if !t.o.Look.Bell { // no terminal: the input is not for this
		lines = nil
	}
	for {
		live, err := f.Poll()
		if err != nil {
			return over, err
		}
		w.look(live)
		over = over || live.Over
		ran, _ := watch.ran()
		state := append([]string{fmt.Sprintf("%s watched, last row %s ago", clock(ran), clock(live.Silent))}, live.lines(t.screen.width()-1)...)
		if t.o.Look.Redraw {
			t.screen.draw(state, "Enter ends it ")
		} else if told < 0 || ran-told >= how.Every {
			told = ran
			t.screen.line(0, strings.Join(state, "; "))
		}
		if how.For > 0 && ran >= how.For {
			if !t.o.Look.Redraw && told != ran {
				t.screen.line(0, strings.Join(state, "; "))
			}
			return over, nil
		}
		select {
		case <-ctx.Done():
			return over, nil
		case <-t.o.Interrupt:
			return over, nil
		case line := <-lines:
			t.screen.typed(line)
			return over, nil
		case <-tick.C:
		}
	}
}
