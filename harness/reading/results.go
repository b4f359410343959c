package reading

import (
	"fmt"
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
//	core = "166.2 MHz"
//	memory = ["165.8 MHz", "165.9 MHz"]
//	note = "read after ten minutes"
//
// Beside the readings a step may have note, skip, instrument and retest. A
// number that looks like a slip of the decimal point is a problem unless the
// step has a note. Every problem of the file is returned, in the order of the
// file.
func ParseResults(name string, data []byte, plan *plans.Plan, family *plans.Family) ([]Results, []plans.Problem) {
	root, faults := document.Parse(data)
	r := &resultReader{document.NewCollector(name, data)}
	if len(faults) > 0 {
		r.AddFaults(faults)
		return nil, r.Sorted()
	}
	var ids []string
	for i := range plan.Steps {
		ids = append(ids, plan.Steps[i].ID)
	}
	var out []Results
	for _, e := range root.Entries {
		step, ok := plan.Step(e.Key)
		switch {
		case !ok:
			r.problem(e.At, e.Key, fmt.Sprintf("the plan has no step %q", e.Key),
				"write one of: "+strings.Join(ids, ", "))
		case e.Value.Type != document.Group:
			r.problem(e.Value.At, e.Key, "a step is a table of readings", "write ["+e.Key+"] and the readings below it")
		default:
			out = append(out, r.step(step, family, e.Value.Table))
		}
	}
	if len(root.Entries) == 0 {
		fix := "begin with the name of a step, as in [" + firstOr(ids, "clock") + "]"
		r.Add(document.Span{}, "the file holds no results", fix)
	}
	return out, r.Sorted()
}

func firstOr(list []string, otherwise string) string {
	if len(list) > 0 {
		return list[0]
	}
	return otherwise
}

type resultReader struct{ *document.Collector }

func (r *resultReader) problem(at document.Span, key, what, fix string) {
	r.Add(at, key+": "+what, fix)
}

func (r *resultReader) step(step *plans.Step, family *plans.Family, table *document.Table) Results {
	out := Results{Step: step.ID}
	var slips []slip
	fields := plans.Fields(step, family)
	var names []string
	for _, f := range fields {
		names = append(names, f.Name)
	}
	for _, e := range table.Entries {
		v := e.Value
		switch e.Key {
		case "note", "skip", "instrument":
			if v.Type != document.String {
				r.problem(v.At, step.ID+"."+e.Key, "this is text", "put it in quotes")
				continue
			}
			*map[string]*string{"note": &out.Note, "skip": &out.Skip, "instrument": &out.Instrument}[e.Key] = v.Text
			continue
		case "retest":
			if v.Type != document.Boolean {
				r.problem(v.At, step.ID+".retest", "this is true or false", "write retest = true")
				continue
			}
			out.Retest = v.Bool
			continue
		}
		f, ok := plans.FieldNamed(fields, e.Key)
		if !ok {
			r.problem(e.At, step.ID+"."+e.Key, fmt.Sprintf("the step takes no reading %q", e.Key),
				"write one of: "+strings.Join(names, ", "))
			continue
		}
		for _, item := range items(v) {
			slips = append(slips, r.value(&out, step, f, item)...)
		}
	}
	for _, s := range slips {
		if out.Note == "" {
			r.problem(s.at, step.ID+"."+s.name, s.question,
				`put it right, or say in a note = "…" of the step why it is so`)
		}
	}
	for i := range out.Readings {
		if out.Readings[i].Instrument == "" {
			out.Readings[i].Instrument = out.Instrument
		}
	}
	return out
}

func items(v *document.Value) []*document.Value {
	if v.Type == document.Array {
		return v.Items
	}
	return []*document.Value{v}
}

// A slip is a number whose decimal point is probably misplaced.
type slip struct {
	at             document.Span
	name, question string
}

func (r *resultReader) value(out *Results, step *plans.Step, f plans.Field, v *document.Value) (slips []slip) {
	text := v.Text
	switch v.Type {
	case document.String:
	case document.Integer, document.Float:
		text = v.Raw
	case document.Boolean:
		text = map[bool]string{true: plans.Yes, false: plans.No}[v.Bool]
	default:
		r.problem(v.At, step.ID+"."+f.Name, "a reading is text or a number", "write it in quotes with its unit")
		return nil
	}
	readings, err := Parse(f, text)
	if err != nil {
		r.problem(v.At, step.ID, err.Error(), "")
		return nil
	}
	for i := range readings {
		if doubt, _ := DoubtOf(f, readings[i]); doubt.Slip() {
			slips = append(slips, slip{v.At, f.Name, doubt.Question()})
		}
		readings[i].Source = Source{Kind: "typed", Line: r.Line(v.At.Begin), Column: f.Name}
	}
	out.Readings = append(out.Readings, readings...)
	return slips
}
