package plans

import (
	"proveout/plans/fact"
	"proveout/plans/quantity"
)

// MemorySizeKind is whether all the memory is there.
const MemorySizeKind Kind = "memory-size"

var _ = declare(Declaration{
	Kind: MemorySizeKind, Position: 40, What: "is all the memory there",
	Powered: true,
	New:     func() Spec { return &MemorySize{} },
})

// MemorySize is a memory-size step; it says nothing of its own.
type MemorySize struct{ unchecked }

func (*MemorySize) keys() []key { return nil }

func (*MemorySize) against(x *crossCheck) {
	for i := range x.family.Memory {
		if m := &x.family.Memory[i]; len(m.Banks) == 0 {
			x.withoutChips(m.Name)
		}
	}
}

// SizeReading names the reading of a memory's size.
func SizeReading(pool string) string {
	if pool == "" {
		return "size"
	}
	return "size." + pool
}

func (*MemorySize) fields(family *Family) []Field {
	var out []Field
	for _, pool := range family.Memory {
		ask := fact.New("ask.memory-size")
		if pool.Name != "" {
			ask = fact.New("ask.memory-size-of", "pool", pool.Name)
		}
		out = append(out, Field{Name: SizeReading(pool.Name), Ask: ask, Dimension: quantity.Bytes, Unit: "MiB",
			Required: true, Expected: asWritten(pool.Total), Nominal: pool.Total.Value})
	}
	return out
}
