package plans

import (
	"slices"
	"strings"

	"proveout/plans/document"
)

// The parts that every file is read with.
type (
	key     = document.Key
	section = document.Section
)

// MaxFile is the largest file, in bytes, that is read.
const MaxFile = document.MaxFile

// A Problem is something wrong in a file.
type Problem = document.Problem

// Problems is what is wrong with a file, as one error.
type Problems = document.Problems

// AsError returns the problems as one error, nil when there are none.
func AsError(ps []Problem) error { return document.AsError(ps) }

// ProblemsOf returns the problems inside an error.
func ProblemsOf(err error) ([]Problem, bool) { return document.ProblemsOf(err) }

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

func newPlan() *Plan { return &Plan{Rule: Guarded} }

func (p *Plan) keys() []key {
	return []key{
		{Name: "id", To: document.ID(&p.ID), Needed: `"…"`, What: "also the name of the file, ID.plan.toml"},
		{Name: "title", To: document.Text(&p.Title), Needed: `"…"`, What: "what documents call the plan"},
		{Name: "description", To: document.Text(&p.Description), What: "what it is for"},
		{Name: "rule", To: document.Word(&p.Rule, Guarded, Simple), What: "how values near a limit are judged"},
		{Name: "work_kinds", To: document.Texts(&p.WorkKinds),
			What: "kinds of work of this shop beside the usual ones, for when_work"},
		{Name: "step", To: p.stepTables(), Needed: "[[step]]", What: "the steps, in the order they are done"},
	}
}

func (p *Plan) stepTables() document.Target {
	fresh := func() Step { return *p.freshStep("") }
	keys := func(st *Step) []key { return st.commonKeys(p.Work()) }
	return document.TablesFrom(fresh, &p.Steps, keys, checkStep, "id")
}

// freshStep is a step that says nothing but its kind.
func (p *Plan) freshStep(kind Kind) *Step {
	st := &Step{Kind: kind, Rule: p.Rule, Required: true}
	if d := kind.Declared(); d.New != nil {
		st.Spec = d.New()
	}
	return st
}

// ParsePlan reads a plan. The name is that of the file, for messages. It
// returns the plan, or nil and everything that is wrong, in the order of the
// file.
func ParsePlan(name string, data []byte) (*Plan, []Problem) {
	p := newPlan()
	p.Source, p.File = string(data), name
	const example = `begin with id = "…", or copy a plan of the library`
	problems := document.Read(name, data, example, p.keys(), func(s *section) {
		matters := func(st Step) bool { return st.Required || len(st.WhenWork) > 0 }
		if len(p.Steps) > 0 && s.Sound() && !slices.ContainsFunc(p.Steps, matters) {
			first := s.Table().Get("step").Value.Items[0].At
			s.Add(first, "step", "no step is required, so every card would be accepted",
				"leave out required = false where the step counts")
		}
	})
	if len(problems) > 0 {
		return nil, problems
	}
	return p, nil
}

// Step returns the step with the given id.
func (p *Plan) Step(id string) (*Step, bool) {
	return find(p.Steps, func(st *Step) bool { return st.ID == id })
}

// find returns the item of a list that is asked for.
func find[T any](list []T, is func(*T) bool) (*T, bool) {
	for i := range list {
		if is(&list[i]) {
			return &list[i], true
		}
	}
	return nil, false
}

// NamesOf lists what the items of a list are called, for messages and choices.
func NamesOf[T any](list []T, name func(T) string) []string {
	var out []string
	for _, item := range list {
		out = append(out, name(item))
	}
	return out
}

// A Step is one check of a plan: what every step says, and in Spec what only
// those of its kind say. Pointers in it are nil when the plan leaves the matter
// to the family or to nobody.
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
	Spec        Spec
}

// Needed reports whether a job with the work done must pass the step, and the
// kind of work that made it so when the plan alone does not.
func (st *Step) Needed(done []string) (needed bool, because string) {
	if st.Required {
		return true, ""
	}
	for _, work := range st.WhenWork {
		if slices.ContainsFunc(done, func(d string) bool { return SameWords(work, d) }) {
			return true, work
		}
	}
	return false, ""
}

// SameWords compares two texts without regard to case and spacing.
func SameWords(a, b string) bool {
	return strings.EqualFold(strings.Join(strings.Fields(a), " "), strings.Join(strings.Fields(b), " "))
}

// commonKeys are the keys of every step; work are the kinds of work there are.
func (st *Step) commonKeys(work []string) []key {
	blind := ""
	if st.Blind {
		blind = "expected values stay hidden until entered"
	}
	return []key{
		{Name: "id", To: document.ID(&st.ID), Label: "-", Needed: `"…"`, What: "readings are recorded under it"},
		kindKey(st),
		{Name: "title", To: document.Text(&st.Title), Label: "-", Needed: `"…"`, What: "what documents call the step"},
		{Name: "instruction", To: document.Text(&st.Instruction), Label: "-", What: "what the technician does"},
		{Name: "cautions", To: document.Texts(&st.Cautions), Label: "-", What: "shown before the step begins"},
		{Name: "required", To: document.Flag(&st.Required), Label: "-", Absent: "true, or false with when_work",
			What: "whether acceptance needs it"},
		{Name: "gate", To: document.Flag(&st.Gate), Label: "-", What: "when it fails, no later powered step runs"},
		{Name: "when_work", To: document.Words(&st.WhenWork, work...), Label: "-",
			Filled: "name a kind of work, or remove the key", What: "required when the job's work includes one of these"},
		{Name: "rule", To: document.Word(&st.Rule, Guarded, Simple), Absent: "the plan's",
			What: "as in the plan, for this step"},
		{Name: "blind", To: document.Flag(&st.Blind), Says: blind,
			What: "expected values stay hidden until the reading is entered"},
		{Name: "source", To: document.Text(&st.LimitSource), What: "where the limits of the step come from"},
	}
}

// allKeys are the keys of the step, those of its kind before the last.
func (st *Step) allKeys(p *Plan) []key {
	common := st.commonKeys(p.Work())
	if st.Spec == nil {
		return common
	}
	return slices.Insert(common, len(common)-1, st.Spec.keys()...)
}

// checkStep settles when the step is required, and finds what contradicts
// itself.
func checkStep(s *section, st *Step) {
	if !s.Has("required") {
		st.Required = !s.Has("when_work")
	} else if st.Required && s.Has("when_work") {
		s.Problem("when_work", "makes no difference to a step that is always required",
			"remove it, or remove required = true")
	}
	if st.Gate && !st.Required {
		s.Problem("gate", "a gate must be a required step: one that is left out stops nothing",
			"make it required, or remove gate")
	}
	if st.Spec != nil {
		st.Spec.check(s)
	}
	refuseKeysOfOthers(s, st)
}
