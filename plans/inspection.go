package plans

import (
	"strconv"

	"proveout/plans/document"
	"proveout/plans/fact"
)

// InspectionKind is a look at the workmanship, before power.
const InspectionKind Kind = "inspection"

var _ = declare(Declaration{
	Kind: InspectionKind, Position: 10, What: "workmanship, before power",
	New: func() Spec { return &Inspection{Checklist: standardChecklist()} },
})

// Inspection is what an inspection step says.
type Inspection struct {
	unchecked
	Checklist []ChecklistItem
}

// A ChecklistItem is one thing to look at during an inspection.
type ChecklistItem struct {
	Name string // "bridges"
	Ask  string // "No solder bridge between pins"
}

func (i *Inspection) keys() []key {
	return []key{
		{Name: "checklist", To: checklist(&i.Checklist), Absent: `"standard"`,
			Filled: `write "standard", or { name = "…", ask = "…" }`,
			Says:   strconv.Itoa(len(i.Checklist)) + " points", What: "what to look at"},
	}
}

func itemKeys(item *ChecklistItem) []key {
	return []key{
		{Name: "name", To: document.Label(&item.Name), Needed: `"…"`, What: "readings are recorded under it"},
		{Name: "ask", To: document.Text(&item.Ask), Needed: `"…"`, What: "what a good card shows"},
	}
}

// checklist is tables, or the word for the usual ones.
func checklist(to *[]ChecklistItem) document.Target {
	tables, word := document.Tables(to, itemKeys, nil, "name"), ""
	read := tables.Read
	tables.Type = `tables or "standard"`
	tables.Read = func(s *section, key string, v *document.Value) {
		if v.Type == document.String {
			document.Word(&word, "standard").Read(s, key, v)
			return
		}
		*to = nil
		read(s, key, v)
	}
	return tables
}

func (i *Inspection) fields(*Family) []Field {
	var out []Field
	for _, item := range i.Checklist {
		words := []string{Yes, No, NotPresent}
		out = append(out, Field{Name: item.Name, Ask: fact.Text(fact.Phrase(item.Ask)), Words: words, Required: true,
			Expected: Answer(Yes)})
	}
	return out
}

// standardChecklist returns the usual workmanship checklist before power
// (common practice, no source; the terms are those of IPC-A-610, from memory).
func standardChecklist() []ChecklistItem {
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
