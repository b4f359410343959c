package scoring

import (
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/plans/quantity"
	"proveout/scoring/memory"
)

// Organisation returns the model of a family's memory.
func Organisation(pool plans.MemoryPool) memory.Organisation {
	o := memory.Organisation{Name: pool.Name, Words: pool.Words, ChipBits: pool.ChipBits,
		BusBits: pool.BusBits, ColumnBits: pool.Columns}
	if pool.Reserved != nil {
		o.Reserved = int64(pool.Reserved.Value)
	}
	for _, b := range pool.Banks {
		o.Banks = append(o.Banks, memory.Bank{Designators: b})
	}
	return o
}

// size is a number of bytes in the unit in which it reads well.
func size(bytes float64) fact.Amount {
	return fact.In(quantity.ReadsWell(bytes, quantity.Bytes)).Whole()
}
