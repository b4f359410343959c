package plans

import (
	"strconv"
	"strings"
	"unicode/utf8"

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
type Fact struct {
	Name string `json:"name"`
	Text string `json:"text"`
}

// Summarise says what a plan does.
func (p *Plan) Summarise() PlanSummary {
	s := PlanSummary{ID: p.ID, Title: p.Title, Description: strings.Join(strings.Fields(p.Description), " "), Rule: p.Rule}
	for i := range p.Steps {
		st := &p.Steps[i]
		sum := StepSummary{ID: st.ID, Kind: st.Kind, Title: st.Title, Required: st.Required, WhenWork: st.WhenWork,
			Gate: st.Gate, Facts: st.facts(p.Rule), Cautions: st.Cautions}
		if st.Duration != nil {
			sum.Seconds = st.Duration.Value * float64(max(1, st.Runs))
		}
		s.Steps = append(s.Steps, sum)
	}
	return s
}

// facts lists what a step says beyond its title.
func (st *Step) facts(usual Rule) []Fact {
	var out []Fact
	add := func(name, text string) {
		if text != "" {
			out = append(out, Fact{name, text})
		}
	}
	quantityFact := func(name string, q *quantity.Quantity) {
		if q != nil {
			add(name, q.String())
		}
	}
	familyOr := func(names []string) string {
		if len(names) == 0 {
			return "all of the family"
		}
		return strings.Join(names, ", ")
	}
	if st.Rule != usual {
		add("rule", string(st.Rule))
	}
	if st.Blind {
		add("blind", "expected values stay hidden until entered")
	}
	switch st.Kind {
	case Inspection:
		add("checklist", strconv.Itoa(len(st.Checklist))+" points")
	case Rails:
		add("rails", familyOr(st.Rails))
	case Clock:
		add("clocks", familyOr(st.Clocks))
	case Image, Timing:
		add("modes", familyOr(st.Modes))
		add("pictures", strings.Join(st.Pattern, ", "))
		if st.Captures == CapturesRequired {
			add("captures", "required of every picture")
		}
	case MemoryScan:
		add("march test", st.March)
	case Load:
		add("workload", st.Workload)
		quantityFact("duration", st.Duration)
		if st.Runs > 1 {
			add("runs", strconv.Itoa(st.Runs))
		}
		quantityFact("freeze after", st.FreezeAfter)
		if st.MaxStalls != nil {
			add("stalls", "at most "+strconv.Itoa(*st.MaxStalls)+" in a run")
		}
		quantityFact("mean at least", st.MinFPS)
		quantityFact("spread at most", st.MaxSpread)
		if st.Reference == ReferenceJudge {
			add("score", "must lie in the prediction interval of the reference set")
		} else {
			add("score", "shown beside the reference set")
		}
		add("command", strings.Join(st.Command, " "))
	case Soak:
		quantityFact("duration", st.Duration)
		quantityFact("readings every", st.Every)
		quantityFact("ambient", st.Ambient)
		if st.MaxTemp != nil {
			add("at most", st.MaxTemp.String()+" at the "+st.Sensor)
		} else {
			add("at most", "limit of the family")
		}
		if st.Stability != nil {
			add("stable", st.Stability.Rate.String()+" over "+st.Stability.Window.String())
		}
		if st.AtRated {
			add("rated ambient", "judged too")
		}
		if st.CompareRise {
			add("rise", "compared with good cards")
		}
		if st.EndEarly {
			add("end", "early when stable")
		}
	}
	add("log map", st.LogMap)
	if st.Prove != "" {
		add("prove", st.Prove+", confidence "+st.Confidence.String())
	}
	if st.ThrottleFail {
		add("throttling", "fails")
	}
	add("source", st.LimitSource)
	return out
}

// Text lays the summary out in lines of the given width, 40 at least.
func (s PlanSummary) Text(width int) string {
	w := newWriter(width)
	w.line(0, s.Title+" ("+s.ID+")")
	w.line(0, s.Description)
	w.line(0, "Rule: "+ruleInWords(s.Rule))
	total := 0.0
	for i, st := range s.Steps {
		w.blank()
		w.line(0, strconv.Itoa(i+1)+". "+st.Title+" ["+st.ID+", "+string(st.Kind)+"]")
		w.line(3, st.need())
		for _, f := range st.Facts {
			w.line(3, f.Name+": "+f.Text)
		}
		for _, c := range st.Cautions {
			w.line(3, "Caution: "+c)
		}
		if st.Required {
			total += st.Seconds
		}
	}
	if total > 0 {
		w.blank()
		w.line(0, "Timed steps that are always required: "+quantity.Format(total, 0, quantity.Duration))
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
	s := FamilySummary{ID: f.ID, Title: f.Title, Maker: f.Maker, Variant: f.Variant, Variants: f.Aliases, Bus: f.Bus.words()}
	for _, d := range f.IDs {
		id := d.Vendor + ":" + d.Device
		if d.SubsystemVendor != "" || d.Subsystem != "" {
			id += " (subsystem " + orAny(d.SubsystemVendor) + ":" + orAny(d.Subsystem) + ")"
		}
		s.IDs = append(s.IDs, id)
	}
	for _, m := range f.Memory {
		name := m.Name
		if name == "" {
			name = "memory"
		}
		text := m.Total.String()
		if len(m.Banks) > 0 {
			text += ", " + strconv.Itoa(len(m.Banks)*len(m.Banks[0])) + " chips of " + chipText(m) + " on " + strconv.Itoa(m.BusBits) + " bit"
			if len(m.Banks) > 1 {
				text += ", " + strconv.Itoa(len(m.Banks)) + " banks"
			}
		}
		s.Memory = append(s.Memory, Fact{name, text})
	}
	for _, c := range f.Clocks {
		s.Clocks = append(s.Clocks, Fact{c.Name, c.Value.String()})
	}
	for _, m := range f.Modes {
		s.Modes = append(s.Modes, m.Text)
	}
	s.Thermal = f.Thermal.facts()
	for _, r := range f.Rails {
		text := r.Voltage.String()
		if r.Resistance != nil {
			text += ", " + r.Resistance.String() + " to ground"
		}
		if r.ShortBelow != nil {
			text += ", shorted at " + r.ShortBelow.String() + " or less"
		}
		s.Rails = append(s.Rails, Fact{r.Name, text})
	}
	for _, r := range f.Reference {
		s.Scores = append(s.Scores, Fact{r.Workload, strconv.Itoa(len(r.Scores)) + " scores in " + r.Unit + " on " + r.Bench + ", " + r.Better + " is better"})
	}
	return s
}

func orAny(s string) string {
	if s == "" {
		return "any"
	}
	return s
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

func (t Thermal) facts() []Fact {
	var out []Fact
	add := func(name string, q *quantity.Quantity, suffix string) {
		if q != nil {
			out = append(out, Fact{name, q.String() + suffix})
		}
	}
	if t.Cooling != "" {
		out = append(out, Fact{"cooling", t.Cooling})
	}
	add("at most", t.MaxTemp, " at the "+t.Sensor)
	add("maximum rating", t.MaxRating, "")
	add("rated ambient", t.RatedAmbient, "")
	add("power", t.Power, "")
	if len(t.Rise) > 0 {
		out = append(out, Fact{"rise", strconv.Itoa(len(t.Rise)) + " good cards"})
	}
	if t.Source != "" {
		out = append(out, Fact{"source", t.Source})
	}
	return out
}

// Text lays the summary out in lines of the given width, 40 at least.
func (s FamilySummary) Text(width int) string {
	w := newWriter(width)
	w.line(0, s.Title+" ("+s.ID+"), "+s.Maker)
	if s.Variant != "" {
		w.line(0, "Variant "+s.Variant+" of "+strings.Join(s.Variants, ", "))
	}
	w.line(0, "Bus: "+s.Bus)
	w.line(0, "IDs: "+strings.Join(s.IDs, ", "))
	w.facts("Memory", s.Memory)
	w.facts("Clocks", s.Clocks)
	if len(s.Modes) > 0 {
		w.line(0, "Modes: "+strings.Join(s.Modes, " "))
	}
	w.facts("Heat", s.Thermal)
	w.facts("Rails", s.Rails)
	w.facts("Known-good scores", s.Scores)
	return w.String()
}

// writer breaks lines at blanks.
type writer struct {
	b     strings.Builder
	width int
}

func newWriter(width int) *writer { return &writer{width: max(40, width)} }

func (w *writer) String() string { return w.b.String() }

func (w *writer) blank() { w.b.WriteByte('\n') }

func (w *writer) facts(title string, facts []Fact) {
	if len(facts) == 0 {
		return
	}
	w.line(0, title+":")
	for _, f := range facts {
		w.line(2, f.Name+": "+f.Text)
	}
}

// line writes text at an indent; what does not fit goes on two further in.
// A word that is longer than a line is broken.
func (w *writer) line(indent int, text string) {
	if text == "" {
		return
	}
	column, in := 0, indent
	for _, word := range strings.Fields(printable(text)) {
		for {
			n := utf8.RuneCountInString(word)
			switch {
			case column == 0:
				w.b.WriteString(strings.Repeat(" ", in))
				column, in = in, indent+2
			case column+1+n <= w.width:
				w.b.WriteByte(' ')
				column++
			default:
				w.b.WriteByte('\n')
				column = 0
				continue
			}
			if r := []rune(word); column+n > w.width {
				cut := w.width - column
				w.b.WriteString(string(r[:cut]))
				w.b.WriteByte('\n')
				column, word = 0, string(r[cut:])
				continue
			}
			w.b.WriteString(word)
			column += n
			break
		}
	}
	w.b.WriteByte('\n')
}
