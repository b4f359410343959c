package plans

import (
	"slices"

	"proveout/plans/document"
	"proveout/plans/fact"
	"proveout/plans/quantity"
)

// MemoryScanKind is the failing addresses of a memory test.
const MemoryScanKind Kind = "memory-scan"

var _ = declare(Declaration{
	Kind: MemoryScanKind, Position: 50, What: "failing addresses of a memory test",
	Powered: true, Files: FailingList,
	New: func() Spec { return &MemoryScan{} },
})

// MemoryScan is what a memory-scan step says.
type MemoryScan struct {
	unchecked
	March string // the march test that was run
}

func (m *MemoryScan) keys() []key {
	return []key{
		{Name: "march", To: document.Text(&m.March), Label: "march test", What: "the march test that was run"},
	}
}

func (*MemoryScan) against(x *crossCheck) {
	if !slices.ContainsFunc(x.family.Memory, func(m MemoryPool) bool { return len(m.Banks) > 0 }) {
		x.withoutChips("")
	}
}

// Readings of a memory-scan step that are typed beside the list of failing
// addresses.
const (
	ScanFailing = "failing" // how many addresses failed, as the test itself says
	ScanTested  = "tested"  // how much memory the test covered
)

func (*MemoryScan) fields(family *Family) []Field {
	whole := 0.0
	for _, m := range family.Memory {
		whole += m.Total.Value
	}
	unit := quantity.Choose(quantity.Bytes, whole)
	return []Field{
		{Name: ScanFailing, Ask: fact.New("ask.failing"), Dimension: quantity.Number, Expected: fact.Text(fact.Count(0))},
		{Name: ScanTested, Ask: fact.New("ask.tested"), Dimension: quantity.Bytes, Unit: "MiB",
			Expected: fact.Text(fact.In(unit.Of(whole), unit.Name).Whole()), Nominal: whole},
	}
}
