package plans

import "proveout/plans/quantity"

// A Kind selects what a step does and how it is judged.
type Kind string

// The kinds of step.
const (
	Inspection Kind = "inspection"  // workmanship, before power
	Rails      Kind = "rails"       // supply rails: resistance before power, voltage after
	Detection  Kind = "detection"   // is the card found, as what, at which link rate
	MemorySize Kind = "memory-size" // is all the memory there
	MemoryScan Kind = "memory-scan" // failing addresses of a memory test
	Clock      Kind = "clock"       // core, memory and other clocks
	Timing     Kind = "timing"      // line and frame rate at the monitor connector
	Image      Kind = "image"       // 2D picture in the family's modes
	Load       Kind = "load"        // timed 3D run
	Soak       Kind = "soak"        // timed thermal run
)

// Powered reports whether the card has power during a step of this kind. A
// rails step begins before power; its voltages come after.
func (k Kind) Powered() bool { return k != Inspection && k != Rails }

// A Rule decides how a value near its limit is judged.
type Rule string

// The decision rules.
const (
	Guarded Rule = "guarded" // pass only when the whole interval value ± U is inside the limits
	Simple  Rule = "simple"  // shared risk: the value alone
)

// A Plan is an acceptance plan: ordered steps with limits.
type Plan struct {
	ID          string
	Title       string
	Description string
	Rule        Rule     // default of the steps
	WorkKinds   []string // kinds of work of this shop, beside [WorkKinds]
	Steps       []Step
	Source      string // the TOML text the plan was read from
	File        string // name of the file, for messages
}

// Step returns the step with the given id.
func (p *Plan) Step(id string) (*Step, bool) {
	for i := range p.Steps {
		if p.Steps[i].ID == id {
			return &p.Steps[i], true
		}
	}
	return nil, false
}

// A Step is one check of a plan. Which of the later fields apply depends on
// Kind; pointers are nil when the plan leaves the matter to the family or to
// nobody.
type Step struct {
	ID          string
	Kind        Kind
	Title       string
	Instruction string
	Cautions    []string
	Required    bool
	Gate        bool     // when it fails, no later powered step may run
	WhenWork    []string // the step is required when the job's work includes one of these
	Rule        Rule     // resolved: the plan's default where the step says nothing
	Blind       bool     // expected values stay hidden until the reading is entered
	LimitSource string   // where the limits of the step come from

	Checklist []ChecklistItem // inspection

	Rails   []string // rails: names of the family's rails to measure; empty means all
	Clocks  []string // clock: names of the family's clocks; empty means all
	Modes   []string // image, timing: "1024x768x16@75"; empty means the family's
	Pattern []string // image: names of test pictures

	Captures CaptureUse // image: whether the pictures must be captured

	Duration *quantity.Quantity // load, soak: how long it must run
	Every    *quantity.Quantity // soak: interval of typed readings
	Ambient  *quantity.Quantity // soak: ambient the step is meant for, with tolerance
	Runs     int                // load: number of runs; 0 means 1

	Workload    string             // load: names the family's reference set
	FreezeAfter *quantity.Quantity // load: no frame for longer than this is a freeze
	MaxStalls   *int               // load: stalls allowed per run
	MinFPS      *quantity.Quantity // load: mean frame rate at the least
	MaxSpread   *quantity.Quantity // load: largest coefficient of variation over the runs
	Reference   ReferenceUse       // load: what the reference set decides

	Sensor       string             // soak: where the sensor sits: die, heatsink, case, board
	MaxTemp      *quantity.Quantity // soak: limit; nil means the family's
	Stability    *Stability         // soak: when it counts as stable
	AtRated      bool               // soak: judge the prediction at the family's rated ambient too
	CompareRise  bool               // soak: compare rise or thermal resistance with the family's good cards
	EndEarly     bool               // soak: may end when stable
	Prove        string             // load, soak: "intermittent fault gone"
	Confidence   *quantity.Quantity // with Prove; default 90 %
	Improvement  float64            // with Prove: times the complaint interval; default 1
	Command      []string           // load: command to run on a bench that runs the tool itself
	LogMap       string             // load, soak: name of the shop's log map for the step's logs; empty when the header says
	March        string             // memory-scan: the march test that was run
	ThrottleFail bool               // soak, load: throttling is a failure, not a remark
}

// CaptureUse says whether the pictures of an image step must be captured.
type CaptureUse string

// The uses of captures.
const (
	CapturesWelcome  CaptureUse = "welcome"  // compared when there are any; what was seen decides alone when there are none
	CapturesRequired CaptureUse = "required" // the step is not complete without a capture of every picture
)

// ReferenceUse says what the reference set decides in a load step.
type ReferenceUse string

// The uses of a reference set.
const (
	ReferenceInform ReferenceUse = "inform"     // shown, decides nothing
	ReferenceJudge  ReferenceUse = "prediction" // outside the prediction interval fails
)

// A ChecklistItem is one thing to look at during an inspection.
type ChecklistItem struct {
	Name string // "bridges"
	Ask  string // "No solder bridge between pins"
}

// Stability says when a soak counts as stable: over the last Window the
// temperature changes by at most Change per Per.
type Stability struct {
	Window quantity.Quantity // s
	Rate   quantity.Quantity // K/s: "2 K/h", "1 K/10min"
	Source string
}
