package plans

import "proveout/plans/quantity"

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
		ask := "Memory size shown"
		if pool.Name != "" {
			ask = "Size of the " + pool.Name + " memory shown"
		}
		out = append(out, Field{Name: SizeReading(pool.Name), Ask: ask, Dimension: quantity.Bytes, Unit: "MiB",
			Required: true, Expected: pool.Total.Text, Nominal: pool.Total.Value})
	}
	return out
}
