// Package session leads a technician through a plan at the bench: it asks,
// times, warns and shows each verdict at once.
//
// Answers come in line by line, from a terminal or a pipe; every one is handed
// to the [Desk] before the next question. The package holds no rules: what a
// reading is worth, the desk says.
package session

import (
	"errors"
	"time"

	"proveout/harness/reading"
	"proveout/plans"
)

// A Desk is what the session needs of the job and of the judgement. Every
// method that takes something to keep returns only when it is safely on disk.
type Desk interface {
	Plan() *plans.Plan
	Family() *plans.Family
	Shop() *plans.Shop
	// Job returns the job as it stands.
	Job() (*reading.Job, error)

	// Begin opens a new attempt at the step.
	Begin(step string) error
	// Record keeps readings of the open attempt.
	Record(step string, readings ...reading.Reading) error
	// Import takes a log or a capture as evidence and says what it holds.
	Import(step, path string, of Origin) (string, error)
	// Attach keeps a photo or any other file with the job.
	Attach(step, path, role, caption string) (string, error)
	Note(step, text string) error
	Began(step string) error // the clock of a timed run was started
	Skip(step, reason string) error
	// Cut records that a timed run broke off, why, and how long it had run.
	Cut(step, reason string, ran time.Duration) error
	// End closes the open attempt. ran is the timed length, 0 when untimed.
	End(step string, ran time.Duration) error

	Judgements
	Machine

	// Follow opens a log that is still growing.
	Follow(step, path string) (Follower, error)
	// Trend says what temperatures (°C) typed at the given times (s since the
	// run began) show.
	Trend(step string, at, temperature []float64) Live
}

// Judgements are what the desk says of the job.
type Judgements interface {
	// Judge returns the verdict on the step as it stands.
	Judge(step string) (Judgement, error)
	// Check returns the verdict on one reading of the step; its Verdict is empty
	// when the reading alone decides nothing.
	Check(step, name string) (Judgement, error)
	// Standing returns the verdict on the job, and what stands in the way.
	Standing() (Judgement, error)
	// Required reports whether the job must pass the step, and why.
	Required(step *plans.Step) (bool, string)
	// HeldBy returns the failed gate that forbids the step, if there is one.
	HeldBy(step string) (string, bool)
}

// A Machine is the computer the session runs on, when the card sits in it.
type Machine interface {
	// Offer returns readings of the step that this computer can give, with a
	// sentence on where they come from; none when it is not asked to look.
	Offer(step *plans.Step) (readings []reading.Reading, from string)
	// Sensors lists the temperatures that this computer can read.
	Sensors() []string
	// Sample begins to log a sensor, by one of the names in Sensors.
	Sample(step, sensor string) (Follower, error)
	// Command returns the command that the step names, and whether this shop
	// has confirmed it as it is. It returns nil when none can be run here.
	Command(step *plans.Step) (words []string, confirmed bool)
	// Confirm remembers that the step's command may run.
	Confirm(step *plans.Step) error
	// Start runs the step's command for at most the given time.
	Start(step *plans.Step, duration time.Duration) (Follower, error)
}

// ErrUnnamed says that a file does not tell what it shows, so that it must be
// asked for.
var ErrUnnamed = errors.New("the file does not tell which test picture it shows")

// An Origin says what an imported file shows, as far as it does not say so
// itself.
type Origin struct {
	Mode    string // display mode of a capture
	Pattern string // test picture of a capture
}

// A Follower watches something that is going on beside the clock: a log that
// another program writes, a sensor, a command.
type Follower interface {
	// Poll reads what has come in since the last call.
	Poll() (Live, error)
	// Stop ends it. The files are to be taken as evidence, the notes to be kept.
	Stop() (files, notes []string, err error)
}

// Live is the state of what is being followed.
type Live struct {
	Rows        int64
	Seconds     float64       // time covered by the log
	Temperature float64       // last value, °C; NaN when there is none
	RatePerHour float64       // K/h; NaN while unknown
	Plateau     float64       // predicted, °C; NaN while no model describes the log
	PlateauU    float64       // half-width of its 95 % interval, K
	FPS         float64       // over the last part; NaN when the log has no frames
	Stable      bool          // the plan's stability rule is met
	StableSince float64       // s; NaN when not known
	Limit       float64       // °C; NaN when there is none
	Over        bool          // the last value is above the limit
	Silent      time.Duration // since it last grew
	Stalled     bool          // that is longer than its pace explains
	Trouble     string        // newest thing to be told: rows set aside, a log begun anew
	Done        bool          // a command has ended by itself
}

// A Judgement is a verdict with its reasons, as the bench shows it.
type Judgement struct {
	Verdict string
	Passed  bool
	Failed  bool
	Reason  string
	Lines   []string // one per check
	Settle  []string // what would settle what is open
	Causes  []string // what is probably wrong, and where to look
}
