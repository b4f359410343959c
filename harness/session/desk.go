// Package session leads a technician through a plan at the bench: it asks,
// times, warns and shows each verdict at once.
//
// Answers come in line by line, from a terminal or a pipe; every one is handed
// to the [Desk] before the next question. The package holds no rules: what a
// reading is worth, the desk says.
package session

import (
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
	Import(step, path string) (string, error)
	// Attach keeps a photo or any other file with the job.
	Attach(step, path, role, caption string) (string, error)
	Note(step, text string) error
	Skip(step, reason string) error
	// Cut records that a timed run broke off, and why.
	Cut(step, reason string) error
	// End closes the open attempt. ran is the timed length, 0 when untimed.
	End(step string, ran time.Duration) error

	// Judge returns the verdict on the step as it stands.
	Judge(step string) (Judgement, error)
	// Standing returns the verdict on the job, and what stands in the way.
	Standing() (Judgement, error)
	// Required reports whether the job must pass the step, and why.
	Required(step *plans.Step) (bool, string)
	// HeldBy returns the failed gate that forbids the step, if there is one.
	HeldBy(step string) (string, bool)

	// Follow opens a log that is still growing.
	Follow(step, path string) (Follower, error)
}

// A Follower reads a log that another program is writing.
type Follower interface {
	// Poll reads what has come in since the last call.
	Poll() (Live, error)
	Close() error
}

// Live is the state of a log that is being followed.
type Live struct {
	Rows        int64
	Seconds     float64       // time covered by the log
	Temperature float64       // last value, °C; NaN when the log has none
	RatePerHour float64       // K/h; NaN while unknown
	Plateau     float64       // predicted, °C; NaN while no model describes the log
	PlateauU    float64       // half-width of its 95 % interval, K
	FPS         float64       // over the last part; NaN when the log has no frames
	Stable      bool          // the plan's stability rule is met
	StableSince float64       // s
	Limit       float64       // °C; NaN when there is none
	Over        bool          // the last value is above the limit
	Silent      time.Duration // since the file last grew
	Trouble     string        // rows that could not be read
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
