package plans

import (
	"cmp"
	"strconv"
	"strings"

	"proveout/plans/document"
	"proveout/plans/quantity"
)

// A PlanSummary says what a plan does, for people and as JSON.
type PlanSummary struct {
	ID          string        `json:"id"`
	Title       string        `json:"title"`
	Description string        `json:"description,omitempty"`
	Rule        Rule          `json:"rule"`
	Steps       []StepSummary `json:"steps"`
}

// A StepSummary says what a step does.
type StepSummary struct {
	ID       string   `json:"id"`
	Kind     Kind     `json:"kind"`
	Title    string   `json:"title"`
	Required bool     `json:"required"`
	WhenWork []string `json:"when_work,omitempty"`
	Gate     bool     `json:"gate,omitempty"`
	Seconds  float64  `json:"seconds,omitempty"` // of timed steps, all runs
	Facts    []Fact   `json:"facts,omitempty"`   // limits and settings
	Cautions []string `json:"cautions,omitempty"`
}

// A Fact is one setting or limit in words.
type Fact = document.Fact

// Summarise says what a plan does.
func (p *Plan) Summarise() PlanSummary {
	description := strings.Join(strings.Fields(p.Description), " ")
	s := PlanSummary{ID: p.ID, Title: p.Title, Description: description, Rule: p.Rule}
	for i := range p.Steps {
		s.Steps = append(s.Steps, p.Steps[i].summarise(p))
	}
	return s
}

func (st *Step) summarise(p *Plan) StepSummary {
	s := StepSummary{ID: st.ID, Kind: st.Kind, Title: st.Title, Required: st.Required, WhenWork: st.WhenWork,
		Gate: st.Gate, Facts: document.Facts(st.allKeys(p), p.freshStep(st.Kind).allKeys(p)), Cautions: st.Cautions}
	if t := st.Timed(); t != nil && t.Duration != nil {
		s.Seconds = t.Duration.Value * float64(t.Runs)
	}
	return s
}

// Text lays the summary out in lines of the given width, 40 at least.
func (s PlanSummary) Text(width int) string {
	w := document.NewWriter(width)
	w.Line(0, s.Title+" ("+s.ID+")")
	w.Line(0, s.Description)
	w.Line(0, "Rule: "+ruleInWords(s.Rule))
	total := 0.0
	for i, st := range s.Steps {
		w.Blank()
		w.Line(0, strconv.Itoa(i+1)+". "+st.Title+" ["+st.ID+", "+string(st.Kind)+"]")
		w.Line(3, st.need())
		for _, f := range st.Facts {
			w.Line(3, f.Name+": "+f.Text)
		}
		for _, c := range st.Cautions {
			w.Line(3, "Caution: "+c)
		}
		if st.Required {
			total += st.Seconds
		}
	}
	if total > 0 {
		w.Blank()
		w.Line(0, "Timed steps that are always required: "+quantity.Format(total, 0, quantity.Duration))
	}
	return w.String()
}

func (st StepSummary) need() string {
	text := "optional"
	switch {
	case st.Required && st.Gate:
		return "required; a gate: when it fails, no later powered step runs"
	case st.Required:
		return "required"
	case len(st.WhenWork) > 0:
		text = "required when the work was: " + strings.Join(st.WhenWork, ", ")
	}
	return text
}

func ruleInWords(r Rule) string {
	if r == Simple {
		return "simple (the value alone decides; shared risk)"
	}
	return "guarded (pass only when value ± U is inside the limits)"
}

// A FamilySummary says what a family is, for people and as JSON.
type FamilySummary struct {
	ID       string   `json:"id"`
	Title    string   `json:"title"`
	Maker    string   `json:"maker"`
	Variant  string   `json:"variant,omitempty"`
	Variants []string `json:"variants,omitempty"`
	Bus      string   `json:"bus"`
	IDs      []string `json:"ids"`
	Memory   []Fact   `json:"memory"`
	Clocks   []Fact   `json:"clocks"`
	Modes    []string `json:"modes,omitempty"`
	Thermal  []Fact   `json:"thermal,omitempty"`
	Rails    []Fact   `json:"rails,omitempty"`
	Scores   []Fact   `json:"reference,omitempty"`
}

// Summarise says what a family, with one variant resolved, is.
func (f *Family) Summarise() FamilySummary {
	s := FamilySummary{ID: f.ID, Title: f.Title, Maker: f.Maker,
		Variant: f.Variant, Variants: f.Aliases, Bus: f.Bus.words()}
	for _, d := range f.IDs {
		id := d.Vendor + ":" + d.Device
		if d.SubsystemVendor != "" || d.Subsystem != "" {
			id += " (subsystem " + cmp.Or(d.SubsystemVendor, "any") + ":" + cmp.Or(d.Subsystem, "any") + ")"
		}
		s.IDs = append(s.IDs, id)
	}
	for i := range f.Memory {
		m := &f.Memory[i]
		s.Memory = append(s.Memory, Fact{Name: cmp.Or(m.Name, "memory"), Text: m.words()})
	}
	for _, c := range f.Clocks {
		s.Clocks = append(s.Clocks, Fact{Name: c.Name, Text: c.Value.String()})
	}
	s.Modes = NamesOf(f.Modes, modeText)
	s.Thermal = document.Facts(f.Thermal.keys(), new(Thermal).keys())
	for _, r := range f.Rails {
		text := r.Voltage.String()
		if r.Resistance != nil {
			text += ", " + r.Resistance.String() + " to ground" + marked(r.Example)
		}
		if r.ShortBelow != nil {
			text += ", shorted at " + r.ShortBelow.String() + " or less"
		}
		if r.OpenAbove != nil {
			text += ", open above " + r.OpenAbove.String()
		}
		s.Rails = append(s.Rails, Fact{Name: r.Name, Text: text})
	}
	for _, r := range f.Reference {
		text := strconv.Itoa(len(r.Scores)) + " scores in " + r.Unit + " on " + r.Bench + ", " +
			r.Better + " is better" + marked(r.Example)
		s.Scores = append(s.Scores, Fact{Name: r.Workload, Text: text})
	}
	return s
}

// marked says of values that nobody measured them.
func marked(example bool) string {
	if example {
		return " (example)"
	}
	return ""
}

func (b Bus) words() string {
	s := b.Kind
	if len(b.Signaling) > 0 {
		s += ", " + signals(b.Signaling)
	}
	if len(b.Rates) > 0 {
		s += ", " + strings.Join(b.Rates, " ")
	}
	if b.Expect != "" {
		s += ", " + b.Expect + " expected"
	}
	return s
}

// Text lays the summary out in lines of the given width, 40 at least.
func (s FamilySummary) Text(width int) string {
	w := document.NewWriter(width)
	w.Line(0, s.Title+" ("+s.ID+"), "+s.Maker)
	if s.Variant != "" {
		w.Line(0, "Variant "+s.Variant+" of "+strings.Join(s.Variants, ", "))
	}
	w.Line(0, "Bus: "+s.Bus)
	w.Line(0, "IDs: "+strings.Join(s.IDs, ", "))
	w.Facts("Memory", s.Memory)
	w.Facts("Clocks", s.Clocks)
	if len(s.Modes) > 0 {
		w.Line(0, "Modes: "+strings.Join(s.Modes, " "))
	}
	w.Facts("Heat", s.Thermal)
	w.Facts("Rails", s.Rails)
	w.Facts("Known-good scores", s.Scores)
	return w.String()
}
