package scoring

import (
	"proveout/plans"
	"proveout/scoring/memory"
)

// Organisation returns the model of a family's memory.
func Organisation(pool plans.MemoryPool) memory.Organisation {
	o := memory.Organisation{Name: pool.Name, Words: pool.Words, ChipBits: pool.ChipBits,
		BusBits: pool.BusBits, ColumnBits: pool.Columns}
	for _, b := range pool.Banks {
		o.Banks = append(o.Banks, memory.Bank{Designators: b})
	}
	return o
}

// memorySize compares the size shown with what the family's chips make up, and
// says which chips would explain a shortfall.
