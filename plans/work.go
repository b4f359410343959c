package plans

import "slices"

// WorkKinds returns the usual kinds of work on a card, as jobs record them and
// as when_work names them. A plan may add its own with work_kinds.
func WorkKinds() []string {
	return []string{
		"cleaned",
		"solder bridge removed",
		"pins resoldered",
		"memory chips replaced",
		"memory chips resoldered",
		"graphics chip resoldered",
		"graphics chip replaced",
		"trace repaired",
		"pad repaired",
		"capacitors replaced",
		"voltage regulator replaced",
		"clock crystal replaced",
		"connector repaired",
		"edge contacts repaired",
		"firmware chip rewritten",
		"heatsink reseated",
		"thermal compound renewed",
		"fan replaced",
	}
}

// Work returns the kinds of work that the plan knows: the usual ones and its
// own.
func (p *Plan) Work() []string { return append(WorkKinds(), p.WorkKinds...) }

// NeededFor reports whether the step is required for a job with the given
// work, and which kind of work makes it so; why is empty when the step is
// always required.
func (s *Step) NeededFor(work []string) (needed bool, why string) {
	if s.Required {
		return true, ""
	}
	for _, w := range s.WhenWork {
		if slices.Contains(work, w) {
			return true, w
		}
	}
	return false, ""
}

// StandardChecklist returns the usual workmanship checklist before power
// (common practice, no source; the terms are those of IPC-A-610, from memory).
func StandardChecklist() []ChecklistItem {
	return []ChecklistItem{
		{"bridges", "No solder bridge between pins"},
		{"unsoldered", "No unsoldered or cold pin"},
		{"bent-pins", "No bent or lifted pin"},
		{"alignment", "Every chip sits straight on its pads, pin 1 where it belongs"},
		{"pads", "No lifted or torn pad"},
		{"traces", "Trace repairs are insulated and fixed"},
		{"leftovers", "No solder balls, wire ends or flux left"},
		{"capacitors", "No bulging or leaking capacitor, polarity right"},
		{"edge-contacts", "Edge contacts clean and even"},
		{"heatsink", "Heatsink seated flat and firm; fan turns freely"},
		{"compound", "Thermal compound covers the chip thinly, none on the pins"},
	}
}
