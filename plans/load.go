package plans

import (
	"slices"
	"strconv"
	"strings"

	"proveout/plans/document"
	"proveout/plans/fact"
	"proveout/plans/quantity"
)

// LoadKind is a timed 3D run.
const LoadKind Kind = "load"

var _ = declare(Declaration{
	Kind: LoadKind, Position: 90, What: "timed 3D run",
	Powered: true, Files: Logs, Columns: []string{"frame-time", "frame-stamp", "fps"},
	New: func() Spec { return &Load{Timed: Timed{Runs: 1}, Reference: ReferenceInform} },
})

// Load is what a load step says.
type Load struct {
	Timed
	Workload    string             // names the family's reference set
	FreezeAfter *quantity.Quantity // no frame for longer than this is a freeze
	MaxStalls   *int               // stalls allowed per run
	MinFPS      *quantity.Quantity // mean frame rate at the least
	MaxSpread   *quantity.Quantity // largest coefficient of variation over the runs
	Reference   ReferenceUse       // what the reference set decides
	Command     []string           // program and arguments, on a bench that runs the tool itself
}

// ReferenceUse says what the reference set decides in a load step.
type ReferenceUse string

// The uses of a reference set.
const (
	ReferenceInform ReferenceUse = "inform"     // shown, decides nothing
	ReferenceJudge  ReferenceUse = "prediction" // what lies outside the prediction interval does not pass
)

func (l *Load) keys() []key {
	score := "shown beside the reference set"
	if l.Reference == ReferenceJudge {
		score = "must lie in the prediction interval of the reference set"
	}
	stalls := ""
	if l.MaxStalls != nil {
		stalls = "at most " + strconv.Itoa(*l.MaxStalls) + " in a run"
	}
	keys := []key{
		{Name: "workload", To: document.Text(&l.Workload), Needed: `"…": the name of the family's reference set`,
			What: "names the family's reference set"},
		l.durationKey(`"10 min"`),
		{Name: "runs", To: document.Whole(&l.Runs, 1, 1000), What: "how often it is run"},
		{Name: "freeze_after", To: exactly(&l.FreezeAfter, quantity.Duration),
			What: "no frame for longer than this is a freeze"},
		{Name: "max_stalls", To: document.Whole(&l.MaxStalls, 0, 1_000_000), Label: "stalls", Says: stalls,
			What: "stalls allowed in a run"},
		{Name: "min_fps", To: exactly(&l.MinFPS, quantity.FrameRate), Label: "mean at least",
			What: "mean frame rate at the least"},
		{Name: "max_spread", To: exactly(&l.MaxSpread, quantity.Ratio), Label: "spread at most",
			What: "largest coefficient of variation over the runs"},
		{Name: "reference", To: document.Word(&l.Reference, ReferenceInform, ReferenceJudge), Label: "score", Says: score,
			What: "inform: beside good cards it is shown; prediction: it must lie where good cards are expected"},
		{Name: "command", To: document.Own("list of text", l.readCommand, nil), Says: strings.Join(l.Command, " "),
			Filled: "name a program, or remove the key",
			What:   "program and arguments, on a bench that runs the workload itself"},
	}
	return append(keys, l.laterKeys()...)
}

// readCommand reads a program with its arguments; those may repeat.
func (l *Load) readCommand(s *section, key string, v *document.Value) {
	for i, item := range s.Items(key, v) {
		if !s.Is(key, item, document.String) {
			continue
		}
		if i == 0 && strings.TrimSpace(item.Text) == "" {
			s.Add(item.At, key, "the program is empty", "")
		}
		if strings.ContainsRune(item.Text, 0) {
			s.Add(item.At, key, "a NUL character", "")
		}
		l.Command = append(l.Command, item.Text)
	}
}

func (l *Load) check(s *section) {
	if d := l.Duration; d != nil && l.FreezeAfter != nil && l.FreezeAfter.Value >= d.Value {
		s.Problem("freeze_after", "a freeze of "+l.FreezeAfter.Text+" does not fit into a run of "+d.Text,
			`write a shorter time, such as "2 s"`)
	}
	if l.MaxSpread != nil && l.Runs < 2 {
		s.Problem("max_spread", "one run has no spread", "add runs = 3, or remove max_spread")
	}
	l.Timed.check(s)
}

// against finds a misspelt workload. A set may be missing in the family: the shop
// keeps its own.
func (l *Load) against(x *crossCheck) {
	names := NamesOf(x.family.Reference, func(r ReferenceSet) string { return r.Workload })
	if slices.Contains(names, l.Workload) || l.Reference != ReferenceJudge {
		return
	}
	if n := document.Nearest(l.Workload, names); n != "" {
		x.problem("workload", x.card()+" has no reference set for workload "+document.Quoted(l.Workload),
			`did you mean "`+n+`"?`)
	}
}

func (l *Load) fields(family *Family) []Field {
	score := Field{Name: "score", Ask: fact.New("ask.score"), Dimension: quantity.Number,
		Many: true, Required: l.Workload != ""}
	if set, ok := family.referenceSet(l.Workload, ""); ok {
		score.Unit = set.Unit
		if !set.Example {
			score.Expected = fact.New("ask.as-good-cards", "n", len(set.Scores))
		}
	}
	out := []Field{
		score,
		{Name: "frozen", Ask: fact.New("ask.frozen"), Words: []string{Yes, No},
			Required: true, Many: true, Expected: Answer(No)},
		{Name: "seen", Ask: fact.New("ask.seen"), Clean: true, Many: true, Expected: Answer(PictureClean)},
	}
	if l.Duration != nil {
		length := l.durationField(fact.New("ask.run-lasted"))
		length.Many = true
		out = append(out, length)
	}
	return out
}
