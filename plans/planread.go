package plans

import (
	"slices"
	"strings"

	"proveout/plans/document"
	"proveout/plans/quantity"
)

// Kinds returns all kinds of step.
func Kinds() []Kind {
	return []Kind{Inspection, Rails, Detection, MemorySize, MemoryScan, Clock, Timing, Image, Load, Soak}
}

// places where a temperature sensor may sit on a card.
var places = []string{"die", "heatsink", "case", "board"}

// ParsePlan reads a plan. The name is that of the file, for messages. It
// returns the plan, or nil and everything that is wrong, in the order of the
// file.
func ParsePlan(name string, data []byte) (*Plan, []Problem) {
	c, root := readDocument(name, data, `begin with id = "…", or copy a plan of the library`)
	if root == nil {
		return nil, c.sorted()
	}
	p := &Plan{Source: string(data), File: name}
	s := newSection(c, root, "", planKeys)
	p.ID = s.ident("id")
	p.Title = s.need("title", `"…"`)
	p.Description = s.text("description")
	p.Rule = Rule(s.word("rule", string(Guarded), string(Guarded), string(Simple)))
	p.WorkKinds = s.texts("work_kinds")
	s.missingTable("step", "[[step]]")
	steps := s.groups("step", stepKeys)
	unique(steps, "id")
	for _, st := range steps {
		p.Steps = append(p.Steps, readStep(st, p))
	}
	if len(steps) > 0 && len(c.problems) == 0 && !slices.ContainsFunc(p.Steps, func(s Step) bool { return s.Required || len(s.WhenWork) > 0 }) {
		c.add(steps[0].t.At, "step: no step is required, so every card would be accepted", "leave out required = false where the step counts")
	}
	if len(c.problems) > 0 {
		return nil, c.sorted()
	}
	return p, nil
}

func readStep(s *section, p *Plan) Step {
	st := Step{
		ID:          s.ident("id"),
		Title:       s.need("title", `"…"`),
		Instruction: s.text("instruction"),
		Cautions:    s.texts("cautions"),
		Blind:       s.boolean("blind", false),
		Gate:        s.boolean("gate", false),
		LimitSource: s.text("source"),
		Rule:        Rule(s.word("rule", string(p.Rule), string(Guarded), string(Simple))),
	}
	readNeed(s, &st, p)
	st.Kind = readKind(s)
	if st.Kind == "" {
		return st
	}
	for _, k := range stepKeys {
		if e := s.t.Get(k.Name); e != nil && !k.appliesTo(st.Kind) {
			s.c.add(e.At, s.name(k.Name)+": does not apply to a step of kind "+string(st.Kind), "remove it; it is for "+strings.ReplaceAll(k.On, " ", " and "))
		}
	}
	switch st.Kind {
	case Inspection:
		st.Checklist = readChecklist(s)
	case Rails:
		st.Rails = namesOrFamily(s, "rails")
	case Clock:
		st.Clocks = namesOrFamily(s, "clocks")
	case Timing:
		st.Modes = modesOrFamily(s)
	case Image:
		st.Modes = modesOrFamily(s)
		st.Pattern = s.texts("patterns")
		s.nonEmpty("patterns", "name a picture, or remove the key")
		checkPictures(s, "patterns")
		st.Captures = CaptureUse(s.word("captures", string(CapturesWelcome), string(CapturesWelcome), string(CapturesRequired)))
		if st.Captures == CapturesRequired && !s.has("patterns") {
			s.problem("captures", "no picture is named that could be captured", `name them, such as patterns = ["random-1"]`)
		}
	case MemoryScan:
		st.March = s.text("march")
	case Load:
		readLoad(s, &st)
		st.LogMap = readLogMap(s)
	case Soak:
		readSoak(s, &st)
		st.LogMap = readLogMap(s)
	}
	return st
}

func readKind(s *section) Kind {
	words := make([]string, 0, 10)
	for _, k := range Kinds() {
		words = append(words, string(k))
	}
	s.missing("kind", `"…": one of `+list(words))
	return Kind(s.word("kind", "", words...))
}

// readNeed reads when the step is required.
func readNeed(s *section, st *Step, p *Plan) {
	st.WhenWork = s.words("when_work", p.Work()...)
	s.nonEmpty("when_work", "name a kind of work, or remove the key")
	st.Required = s.boolean("required", !s.has("when_work"))
	if st.Required && s.has("required") && s.has("when_work") {
		s.problem("when_work", "makes no difference to a step that is always required", "remove it, or remove required = true")
	}
	if st.Gate && !st.Required {
		s.problem("gate", "a gate must be a required step: one that is left out stops nothing", "make it required, or remove gate")
	}
}

func readChecklist(s *section) []ChecklistItem {
	if e := s.t.Get("checklist"); e == nil || e.Value.Type == document.String {
		s.word("checklist", "standard", "standard")
		return StandardChecklist()
	}
	s.nonEmpty("checklist", `write "standard", or { name = "…", ask = "…" }`)
	items := s.groups("checklist", checklistKeys)
	unique(items, "name")
	var out []ChecklistItem
	for _, i := range items {
		out = append(out, ChecklistItem{Name: i.label("name"), Ask: i.need("ask", `"…"`)})
	}
	return out
}

// namesOrFamily reads a list of names; nil means the family's.
func namesOrFamily(s *section, key string) []string {
	if s.isFromFamily(key) {
		return nil
	}
	s.nonEmpty(key, `name one, or write "from family"`)
	return s.texts(key)
}

func modesOrFamily(s *section) []string {
	modes := namesOrFamily(s, "modes")
	readModes(s, "modes")
	return modes
}

// modeAt is a mode with its place.
type modeAt struct {
	Mode
	at document.Span
}

// readModes checks the modes of a list and returns the good ones.
func readModes(s *section, key string) []modeAt {
	e := s.t.Get(key)
	if e == nil || e.Value.Type != document.Array {
		return nil
	}
	var out []modeAt
	for _, item := range e.Value.Items {
		if item.Type != document.String {
			continue // said already
		}
		m, err := ParseMode(item.Text)
		if err != nil {
			s.c.add(item.At, s.name(key)+": "+err.Error(), `write width x height x depth @ rate, such as "1024x768x16@75"`)
			continue
		}
		out = append(out, modeAt{m, item.At})
	}
	return out
}

func readLoad(s *section, st *Step) {
	s.missing("duration", `"10 min"`)
	s.missing("workload", `"…": the name of the family's reference set`)
	st.Duration = s.exact("duration", quantity.Duration, aboveZero)
	st.Workload = s.text("workload")
	st.Runs = 1
	if n, ok := s.whole("runs", 1, 1000); ok {
		st.Runs = n
	}
	st.FreezeAfter = s.exact("freeze_after", quantity.Duration, aboveZero)
	if n, ok := s.whole("max_stalls", 0, 1_000_000); ok {
		st.MaxStalls = &n
	}
	st.MinFPS = s.exact("min_fps", quantity.FrameRate, aboveZero)
	st.MaxSpread = s.exact("max_spread", quantity.Ratio, aboveZero)
	st.Reference = ReferenceUse(s.word("reference", string(ReferenceInform), string(ReferenceInform), string(ReferenceJudge)))
	st.Command = s.commandLine()
	st.ThrottleFail = s.boolean("throttle_fails", false)
	readProve(s, st)
	if st.Duration != nil && st.FreezeAfter != nil && st.FreezeAfter.Value >= st.Duration.Value {
		s.problem("freeze_after", "a freeze of "+st.FreezeAfter.Text+" does not fit into a run of "+st.Duration.Text, "write a shorter time, such as \"2 s\"")
	}
	if st.MaxSpread != nil && st.Runs < 2 {
		s.problem("max_spread", "one run has no spread", "add runs = 3, or remove max_spread")
	}
}

// readLogMap reads the name of a log map: of a file in the shop's folder, never
// a path.
func readLogMap(s *section) string {
	name := s.text("log_map")
	if strings.ContainsAny(name, `/\:`) || strings.HasPrefix(name, ".") || strings.HasSuffix(name, ".toml") {
		s.problem("log_map", quoted(name)+" is no name of a log map", `write its name in the shop's logmaps folder, such as "soak" for logmaps/soak.toml`)
		return ""
	}
	return name
}

// commandLine reads a program with its arguments; those may repeat.
func (s *section) commandLine() []string {
	s.nonEmpty("command", "name a program, or remove the key")
	v := s.of("command", document.Array)
	if v == nil {
		return nil
	}
	var out []string
	for i, item := range v.Items {
		if item.Type != document.String {
			s.wrongType("command", item, document.String)
			continue
		}
		if i == 0 && strings.TrimSpace(item.Text) == "" {
			s.c.add(item.At, s.name("command")+": the program is empty", "")
		}
		if strings.ContainsRune(item.Text, 0) {
			s.c.add(item.At, s.name("command")+": a NUL character", "")
		}
		out = append(out, item.Text)
	}
	return out
}

func readSoak(s *section, st *Step) {
	s.missing("duration", `"40 min"`)
	st.Duration = s.exact("duration", quantity.Duration, aboveZero)
	st.Every = s.exact("every", quantity.Duration, aboveZero)
	st.Ambient = s.quantity("ambient", quantity.Temperature, anything)
	st.Sensor = s.word("sensor", "", places...)
	if !s.isFromFamily("max_temp") {
		st.MaxTemp = s.exact("max_temp", quantity.Temperature, anything)
	}
	st.AtRated = s.boolean("at_rated", false)
	st.CompareRise = s.boolean("compare_rise", false)
	st.EndEarly = s.boolean("end_early", false)
	st.ThrottleFail = s.boolean("throttle_fails", false)
	if g := s.group("stability", stabilityKeys); g != nil {
		st.Stability = readStability(g)
	}
	readProve(s, st)
	checkSoak(s, st)
}

func readStability(g *section) *Stability {
	g.missing("window", `"10 min"`)
	g.missing("rate", `"2 K/h"`)
	w := g.exact("window", quantity.Duration, aboveZero)
	r := g.exact("rate", quantity.TemperatureRate, aboveZero)
	source := g.need("source", `"common practice, no source"`)
	if w == nil || r == nil {
		return nil
	}
	return &Stability{Window: *w, Rate: *r, Source: source}
}

// checkSoak finds what contradicts itself.
func checkSoak(s *section, st *Step) {
	if st.Ambient != nil && !st.Ambient.Tolerated {
		s.problem("ambient", "a range is missing", `write it with a tolerance, such as "`+st.Ambient.Text+` ±5 °C"`)
	}
	if st.Ambient != nil && st.MaxTemp != nil && st.MaxTemp.Value <= st.Ambient.Value {
		s.problem("max_temp", "the limit "+st.MaxTemp.Text+" is not above the ambient "+st.Ambient.Text, "")
	}
	if st.Sensor == "" && st.MaxTemp != nil && !s.has("sensor") {
		s.problem("max_temp", "a limit says where it applies", `add sensor = "heatsink"`)
	}
	if st.Duration == nil {
		return
	}
	if st.Every != nil && st.Every.Value > st.Duration.Value {
		s.problem("every", "readings every "+st.Every.Text+" do not fit into a soak of "+st.Duration.Text, "write a shorter interval, such as \"2 min\"")
	}
	if st.Stability != nil && st.Stability.Window.Value > st.Duration.Value {
		s.problem("duration", "the soak of "+st.Duration.Text+" is shorter than its stability window of "+st.Stability.Window.Text,
			"soak at least twice the window")
	}
	if st.EndEarly && !s.has("stability") {
		s.problem("end_early", "nothing says when the soak is stable", `add stability = { window = "10 min", rate = "2 K/h", source = "…" }`)
	}
}

func readProve(s *section, st *Step) {
	st.Prove = s.word("prove", "", "intermittent fault gone")
	st.Confidence = s.exact("confidence", quantity.Ratio, aboveZero)
	if st.Confidence != nil && st.Confidence.Value >= 1 {
		s.problem("confidence", quoted(st.Confidence.Text)+" is not below 100 %", `write "90 %"`)
	}
	st.Improvement, _ = s.number("improvement")
	for _, key := range []string{"confidence", "improvement"} {
		if s.has(key) && !s.has("prove") {
			s.problem(key, "means nothing without prove", `add prove = "intermittent fault gone", or remove it`)
		}
	}
	if st.Prove == "" {
		return
	}
	if st.Confidence == nil {
		st.Confidence = &quantity.Quantity{Dimension: quantity.Ratio, Value: 0.9, Resolution: 0.01, Unit: "%", Text: "90 %"}
	}
	if st.Improvement == 0 {
		st.Improvement = 1
	}
}
