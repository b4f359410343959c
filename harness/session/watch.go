package session

import (
	"context"
	"math"
	"strings"
	"time"

	"proveout/harness/workflow"
	"proveout/plans/fact"
)

// Watching says how long a log is watched without a job's clock.
type Watching struct {
	For   time.Duration // 0: until somebody ends it
	Every time.Duration // between states told where lines cannot be redrawn
}

// A watcher gives the alarms of what is followed, each once.
type watcher struct {
	*Talk
	over    bool // the last value is above the limit
	silent  bool
	stable  bool
	trouble string
	doubt   string // key of the doubt in the readings; empty without one
}

// look gives the alarms that the state calls for.
func (w *watcher) look(live workflow.Live) {
	trouble := w.words(live.Trouble)
	if trouble != "" && trouble != w.trouble {
		w.screen.tell(w.screen.led("", "", sentence(trouble))...)
	}
	w.trouble = trouble
	switch {
	case live.Stalled && !w.silent:
		w.alarm(fact.New("session.log-silent", "time", clock(live.Silent)))
	case w.silent && !live.Stalled:
		w.screen.tell(w.plain(fact.New("session.log-grows")))
	}
	w.silent = live.Stalled
	if live.Stable && !w.stable && !math.IsNaN(live.StableSince) {
		since := fact.New("session.stable-by-rule", "time", clock(seconds(live.StableSince)))
		w.screen.tell(w.signed(bold, fact.New("session.stable"), since)...)
	}
	w.stable = live.Stable
	if why := live.Doubt; why.Key != w.doubt {
		if w.doubt = why.Key; !why.IsZero() {
			w.alarm(fact.New("session.in-doubt", "why", why))
		}
	}
	w.limit(live)
}

// limit gives the alarm at the limit of the step.
func (w *watcher) limit(live workflow.Live) {
	if live.Over && !w.over {
		w.alarm(fact.New("session.too-hot", "temperature", degrees(live.Temperature), "limit", degrees(live.Limit)))
	}
	w.over = live.Over
}

// Watch shows what is followed until the time is over, the input says stop, or
// Ctrl-C. It reports whether the limit was passed.
func (t *Talk) Watch(ctx context.Context, f workflow.Follower, how Watching) (over bool, err error) {
	w := &watcher{Talk: t}
	watch := startWatch(t.o.uptime)
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
		head := t.plain(fact.New("session.watched", "time", clock(ran), "silent", clock(live.Silent)))
		state := append([]string{head}, t.stateOf(live, t.screen.width()-1)...)
		last := how.For > 0 && ran >= how.For
		if t.o.Look.Redraw {
			t.screen.draw(state, t.plain(fact.New("session.enter-ends"))+" ")
		} else if told < 0 || ran-told >= how.Every || last && told != ran {
			told = ran
			t.screen.line(0, strings.Join(state, "; "))
		}
		if last {
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
