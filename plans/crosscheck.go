package plans

import (
	"slices"
	"strconv"
	"strings"

	"proveout/plans/document"
	"proveout/plans/quantity"
)

// CheckPlanAgainstFamily finds what a plan asks of a family that the family
// does not have: a clock, rail, mode or reference set it does not name, a limit
// it does not state, a limit above its maximum rating. The problems stand in
// the plan's file.
func CheckPlanAgainstFamily(p *Plan, f *Family) []Problem {
	root, _ := document.Parse([]byte(p.Source))
	x := &crossCheck{c: newCollector(p.File, []byte(p.Source)), f: f}
	var tables []*document.Value
	if e := root.Get("step"); e != nil {
		tables = e.Value.Items
	}
	for i := range p.Steps {
		x.step = &p.Steps[i]
		x.table = nil
		if i < len(tables) {
			x.table = tables[i].Table
		}
		x.checkStep()
	}
	return x.c.sorted()
}

type crossCheck struct {
	c     *collector
	f     *Family
	step  *Step
	table *document.Table
}

// card names the family, and its variant, in messages.
func (x *crossCheck) card() string {
	if x.f.Variant == "" {
		return "family " + quoted(x.f.ID)
	}
	return "family " + quoted(x.f.ID) + " variant " + quoted(x.f.Variant)
}

// problem records a problem at item number i of a list, or at the value of the
// key, or at the step.
func (x *crossCheck) problem(key string, i int, what, fix string) {
	var at document.Span
	if x.table != nil {
		at = x.table.At
		if e := x.table.Get(key); e != nil {
			at = e.Value.At
			if i >= 0 && i < len(e.Value.Items) {
				at = e.Value.Items[i].At
			}
		}
	}
	x.c.add(at, "step "+quoted(x.step.ID)+": "+what, fix)
}

func (x *crossCheck) checkStep() {
	switch s := x.step; s.Kind {
	case Rails:
		x.names("rails", "rail", s.Rails, x.railNames())
	case Clock:
		x.names("clocks", "clock", s.Clocks, x.clockNames())
	case Image, Timing:
		x.modes()
	case MemoryScan:
		if !slices.ContainsFunc(x.f.Memory, func(m MemoryPool) bool { return len(m.Banks) > 0 }) {
			x.problem("kind", -1, x.card()+" does not say which chips its memory is made of", "add chip, bus and banks to its memory")
		}
	case Load:
		x.workload()
	case Soak:
		x.soak()
	}
}

func (x *crossCheck) railNames() []string {
	var names []string
	for _, r := range x.f.Rails {
		names = append(names, r.Name)
	}
	for _, name := range x.step.Rails {
		if _, ok := x.f.Rail(name); ok && !slices.Contains(names, name) {
			names = append(names, name) // of the slot
		}
	}
	return names
}

func (x *crossCheck) clockNames() []string {
	var names []string
	for _, c := range x.f.Clocks {
		names = append(names, c.Name)
	}
	return names
}

// names checks that the family has what the plan names, and has any at all.
func (x *crossCheck) names(key, what string, wanted, have []string) {
	if len(wanted) == 0 && len(have) == 0 {
		x.problem("kind", -1, x.card()+" states no "+what, "add [["+what+"]] to the family, or take the step out")
		return
	}
	for i, n := range wanted {
		if !slices.Contains(have, n) {
			fix := "name one that the family has"
			if len(have) > 0 {
				fix = didYouMean(n, have)
			}
			x.problem(key, i, x.card()+" has no "+what+" "+quoted(n), fix)
		}
	}
}

func (x *crossCheck) modes() {
	if len(x.step.Modes) == 0 && len(x.f.Modes) == 0 {
		x.problem("kind", -1, x.card()+" names no modes", "name the modes in the step")
	}
	for i, text := range x.step.Modes {
		m, err := ParseMode(text)
		if err != nil {
			continue // a problem of the plan itself
		}
		if x.f.MaxDepth > 0 && m.Depth > x.f.MaxDepth {
			x.problem("modes", i, quoted(text)+" is deeper than the "+strconv.Itoa(x.f.MaxDepth)+" bits of "+x.card(), "take a mode of the family")
			continue
		}
		if frame := x.f.frameMemory(); frame > 0 && m.Bytes() > frame {
			x.problem("modes", i, quoted(text)+" needs more than the "+quantity.Format(float64(frame), 0, quantity.Bytes)+" of "+x.card(), "take a mode of the family")
			continue
		}
		if len(x.f.Modes) > 0 && !slices.ContainsFunc(x.f.Modes, m.within) {
			var names []string
			for _, o := range x.f.Modes {
				names = append(names, o.Text)
			}
			x.problem("modes", i, quoted(text)+" is no mode of "+x.card(), didYouMean(text, names))
		}
	}
}

// within reports whether a mode is the other one, as far as m says.
func (m Mode) within(o Mode) bool {
	return m.Width == o.Width && m.Height == o.Height && (m.Depth == 0 || o.Depth == 0 || m.Depth == o.Depth) &&
		(m.Rate == 0 || o.Rate == 0 || m.Rate == o.Rate)
}

// workload checks the load step against the reference sets. A set that is
// only shown may be missing.
func (x *crossCheck) workload() {
	var names []string
	for _, r := range x.f.Reference {
		if !slices.Contains(names, r.Workload) {
			names = append(names, r.Workload)
		}
	}
	if slices.Contains(names, x.step.Workload) {
		return
	}
	if x.step.Reference == ReferenceJudge {
		fix := `add [[reference]] to the family, or write reference = "inform"`
		if n := nearest(x.step.Workload, names); n != "" {
			fix = `did you mean "` + n + `"?`
		}
		x.problem("workload", -1, x.card()+" has no reference set for workload "+quoted(x.step.Workload), fix)
	}
}

func (x *crossCheck) soak() {
	s, t := x.step, &x.f.Thermal
	if s.MaxTemp == nil && t.MaxTemp == nil {
		x.problem("max_temp", -1, x.card()+" states no highest temperature, and neither does the step", `add max_temp = "…" to one of them`)
	}
	if s.MaxTemp != nil && t.MaxRating != nil && s.MaxTemp.Value > t.MaxRating.Value {
		x.problem("max_temp", -1, "the limit "+strings.TrimSpace(s.MaxTemp.Text)+" is above the maximum rating of "+x.card()+", "+t.MaxRating.Text, `write a limit below the rating, or "from family"`)
	}
	if s.MaxTemp == nil && s.Sensor != "" && t.Sensor != "" && s.Sensor != t.Sensor {
		x.problem("sensor", -1, "the sensor sits at the "+s.Sensor+", and the limit of "+x.card()+" is for the "+t.Sensor, "measure there, or state a limit for the "+s.Sensor+" in the step")
	}
	if s.AtRated && t.RatedAmbient == nil {
		x.problem("at_rated", -1, x.card()+" states no rated ambient", "add rated_ambient to the family, or remove at_rated")
	}
	if s.CompareRise && len(t.Rise) == 0 {
		x.problem("compare_rise", -1, x.card()+" has no rise of known-good cards", "add rise to the family, or remove compare_rise")
	}
	if s.Ambient != nil && t.RatedAmbient != nil && s.Ambient.Low() > t.RatedAmbient.Value {
		x.problem("ambient", -1, "the ambient "+s.Ambient.Text+" is hotter than "+x.card()+" is meant for, "+t.RatedAmbient.Text, "")
	}
}
