package command

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"proveout/harness/probe"
	"proveout/harness/session"
	"proveout/plans"
)

// A commandFollower runs a step's command beside the clock, keeps its output,
// and logs the temperatures of this computer beside it.
type commandFollower struct {
	*logFollower // of the output
	cancel       context.CancelFunc
	done         chan struct{}
	output       *os.File
	beside       *os.File // temperatures
	samples      int

	mu  sync.Mutex
	ran probe.Ran
	err error
}

// besideEvery is how often temperatures are read beside a command.
const besideEvery = 2 * time.Second

// Start runs the step's command for at most the given time.
func (d *desk) Start(step *plans.Step, duration time.Duration) (session.Follower, error) {
	dir, err := os.MkdirTemp("", "proveout-load-")
	if err != nil {
		return nil, fmt.Errorf("starting the command: %w", err)
	}
	output, err := os.Create(filepath.Join(dir, step.ID+"-output.txt"))
	if err != nil {
		return nil, fmt.Errorf("starting the command: %w", err)
	}
	watched, err := newLogFollower(output.Name(), d.mapOf(step.ID), newLiveView(step, d.Family(), d.now))
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithCancel(context.Background())
	f := &commandFollower{logFollower: watched, cancel: cancel, done: make(chan struct{}), output: output}
	load := probe.Load{Args: plans.SpecOf[plans.Load](step).Command, Dir: d.k.shopDir, Duration: duration, Output: output}
	if sensors := d.Sensors(); len(sensors) > 0 {
		if f.beside, err = os.Create(filepath.Join(dir, step.ID+"-temperatures.csv")); err == nil {
			if d.besides == nil {
				d.besides = map[string]bool{}
			}
			d.besides[f.beside.Name()] = true
			heads := strings.Join(sensors, ",")
			if len(sensors) == 1 {
				heads = "temperature_C" // with several, which one is the card's is for a person to say
			}
			fmt.Fprintln(f.beside, "time_s,"+heads)
			load.Every, load.Beside = besideEvery, func(elapsed time.Duration) { f.sample(d, sensors, elapsed) }
		}
	}
	go func() {
		ran, err := load.Run(ctx)
		f.mu.Lock()
		f.ran, f.err = ran, err
		f.mu.Unlock()
		close(f.done)
	}()
	return f, nil
}

// sample writes one line of temperatures; what cannot be read is left empty.
func (f *commandFollower) sample(d *desk, sensors []string, elapsed time.Duration) {
	m, err := probe.Look(d.here, d.now())
	if err != nil {
		return
	}
	line := fmt.Sprintf("%.1f", elapsed.Seconds())
	for _, name := range sensors {
		value := ""
		for _, t := range m.Temperatures {
			if t.Source == name {
				value = fmt.Sprintf("%.3f", t.Celsius)
			}
		}
		line += "," + value
	}
	fmt.Fprintln(f.beside, line)
	f.samples++
}

// Poll reads the output. Output that is no log is no trouble: it is kept as it
// is.
func (f *commandFollower) Poll() (session.Live, error) {
	live := f.view.state()
	if f.tail != nil {
		var err error
		if live, err = f.logFollower.Poll(); err != nil {
			f.tail = nil
		}
	}
	live.Trouble, live.Stalled = "", false
	select {
	case <-f.done:
		live.Done = true
	default:
	}
	return live, nil
}

// Stop ends the command with all its children and returns its output.
func (f *commandFollower) Stop() (files, notes []string, err error) {
	f.cancel()
	<-f.done
	f.mu.Lock()
	ran, err := f.ran, f.err
	f.mu.Unlock()
	f.output.Close()
	if err != nil {
		notes = append(notes, "the command: "+err.Error())
	} else {
		note := "the command " + ran.String()
		if ran.Left > 0 {
			note += fmt.Sprintf("; %d of its children had to be killed", ran.Left)
		}
		if ran.Dropped > 0 {
			note += fmt.Sprintf("; %d of %d bytes it printed were not kept", ran.Dropped, ran.Bytes)
		}
		notes = append(notes, note)
	}
	f.logFollower.Stop()
	if info, statErr := os.Stat(f.output.Name()); statErr == nil && info.Size() > 0 {
		files = append(files, f.output.Name())
	}
	if f.beside != nil {
		f.beside.Close()
		if f.samples > 0 {
			files = append(files, f.beside.Name())
		}
	}
	return files, notes, err
}
