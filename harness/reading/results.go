package reading

import (
	"strings"

	"proveout/plans"
	"proveout/plans/document"
)

// Results is what a results file says of one step.
type Results struct {
	Step       string
	Readings   []Reading
	Note       string
	Skip       string
	Instrument string
	Retest     bool
}

// ParseResults reads a results file: a table for each step of the plan, with
// the names of its readings as keys.
//
//	[clock]
//	core = "137.2 MHz"
//	memory = ["136.8 MHz", "136.9 MHz"]
//	note = "read after ten minutes"
//
// Beside the readings a step may have note, skip, instrument and retest. A
// number that looks like a slip of the decimal point is a problem unless the
// step has a note. The results come in the order of the plan; every problem of
// the file is returned, in the order of the file.
func ParseResults(name string, data []byte, plan *plans.Plan, family *plans.Family) ([]Results, []plans.Problem) {
	steps := make([]stepResults, len(plan.Steps))
	var keys []document.Key
	example := "begin with the name of a step"
	for i := range plan.Steps {
		step := &plan.Steps[i]
		steps[i] = stepResults{Results: Results{Step: step.ID}, fields: plans.Fields(step, family)}
		to := document.Inner(&steps[i], (*stepResults).keys, checkResults)
		keys = append(keys, document.Key{Name: step.ID, To: to})
	}
	if len(keys) > 0 {
		example += ", as in [" + keys[0].Name + "]"
	}
	problems := document.Read(name, data, example, keys, nil)
	var out []Results
	for i := range steps {
		if steps[i].read {
			out = append(out, steps[i].Results)
		}
	}
	return out, problems
}

// stepResults are the results of a step while they are read.
type stepResults struct {
	Results
	fields []plans.Field
	read   bool // the file has the step
	slips  []slip
}

// A slip is a number whose decimal point is probably misplaced.
type slip struct {
	at             document.Span
	name, question string
}

func (r *stepResults) keys() []document.Key {
	keys := []document.Key{
		{Name: "note", To: document.Text(&r.Note)},
		{Name: "skip", To: document.Text(&r.Skip)},
		{Name: "instrument", To: document.Text(&r.Instrument)},
		{Name: "retest", To: document.Flag(&r.Retest)},
	}
	for _, f := range r.fields {
		take := func(s *document.Section, key string, v *document.Value) {
			items := []*document.Value{v}
			if v.Type == document.Array {
				items = s.Items(key, v)
			}
			for _, item := range items {
				r.value(s, f, item)
			}
		}
		keys = append(keys, document.Key{Name: f.Name, To: document.Own("reading", take, nil)})
	}
	return keys
}

// value takes one value of a field.
func (r *stepResults) value(s *document.Section, f plans.Field, v *document.Value) {
	text := v.Text
	switch v.Type {
	case document.String:
	case document.Integer, document.Float:
		text = v.Raw
	case document.Boolean:
		text = map[bool]string{true: plans.Yes, false: plans.No}[v.Bool]
	default:
		s.Add(v.At, f.Name, "a reading is text or a number", "write it in quotes with its unit")
		return
	}
	readings, err := Parse(f, text)
	if err != nil {
		s.Add(v.At, f.Name, strings.TrimPrefix(err.Error(), f.Name+": "), "")
		return
	}
	for i := range readings {
		if doubt, _ := DoubtOf(f, readings[i]); doubt.Slip() {
			r.slips = append(r.slips, slip{v.At, f.Name, doubt.Question()})
		}
		readings[i].Source = Source{Kind: "typed", Line: s.Line(v.At), Column: f.Name}
	}
	r.Readings = append(r.Readings, readings...)
}

// checkResults looks at a step once its readings are known.
func checkResults(s *document.Section, r *stepResults) {
	r.read = true
	for _, one := range r.slips {
		if r.Note == "" {
			s.Add(one.at, one.name, one.question, `put it right, or say in a note = "…" of the step why it is so`)
		}
	}
	for i := range r.Readings {
		if r.Readings[i].Instrument == "" {
			r.Readings[i].Instrument = r.Instrument
		}
	}
}
