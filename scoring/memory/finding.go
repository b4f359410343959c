package memory

import (
	"fmt"
	"math"
	"strconv"

	"proveout/plans/fact"
)

// A Kind names a fault. The picture check and the failing-address analysis use
// the same names for the same fault.
type Kind string

// Faults of the memory.
const (
	LineStuck0   Kind = "line-stuck-0"
	LineStuck1   Kind = "line-stuck-1"
	LineOpen     Kind = "line-open"
	LinesShorted Kind = "lines-shorted"
	LinesSwapped Kind = "lines-swapped"
	ChipDead     Kind = "chip-dead"
	ChipWeak     Kind = "chip-weak"
	AddressLine  Kind = "address-line"
	BankLost     Kind = "bank-lost"
)

// Faults that only a list of failing addresses shows.
const (
	IsolatedCells        Kind = "isolated-cells"
	ChipRow              Kind = "chip-row"
	ChipColumn           Kind = "chip-column"
	GrowsWithTemperature Kind = "grows-with-temperature"
	GrowsWithTime        Kind = "grows-with-time"
	OnePattern           Kind = "one-pattern"
)

// Causes outside the memory, and none.
const (
	RandomErrors    Kind = "random-errors"    // few bits here and there: supply, contact, noise
	GarbageAccesses Kind = "garbage-accesses" // whole accesses return something else: bus, controller
	BusLine         Kind = "bus-line"         // one data line of the slot, in every chip that carries its bit
	BusAddress      Kind = "bus-address"      // one address line of the slot
	ListMisread     Kind = "list-misread"     // the list's addresses are not what they were taken for
	NotDecided      Kind = "undecided"        // the rows do not decide between several
)

var outside = []Kind{RandomErrors, GarbageAccesses, BusLine, BusAddress, ListMisread}

// A Fault is one that the observations point to.
type Fault struct {
	Kind         Kind        `json:"kind"`
	Chip         int         `json:"chip"`                    // lane order in its bank, from 0; -1: no single chip
	Bank         int         `json:"bank"`                    // from 0; -1: no single bank
	Designator   string      `json:"designator,omitempty"`    // "U7"
	Lines        []int       `json:"lines,omitempty"`         // data lines of the chip
	AddressLine  int         `json:"address_line"`            // word-address line of the chip; -1: none
	AddressLines []int       `json:"address_lines,omitempty"` // both, when two are shorted together
	Alternative  bool        `json:"alternative,omitempty"`   // the rows allow this reading, too
	Confidence   float64     `json:"confidence"`              // 0 to 1
	Where        fact.Fact   `json:"where"`                   // place and extent
	Advice       fact.Fact   `json:"advice"`                  // what to look at on the board
	Evidence     []fact.Fact `json:"evidence,omitempty"`      // the numbers behind it
}

// Fact says the fault: kind and place.
func (f Fault) Fact() fact.Fact {
	kind := fact.New("memory.kind." + string(f.Kind))
	if f.Alternative {
		return fact.New("memory.or-fault", "kind", kind, "where", f.Where)
	}
	return fact.New("memory.fault", "kind", kind, "where", f.Where)
}

// finding is a fault that concerns no address line; chip, bank and data lines are
// left to the caller.
func finding(kind Kind, confidence float64, where, advice fact.Fact, evidence ...fact.Fact) Fault {
	return Fault{
		Kind: kind, AddressLine: -1, Confidence: confidence,
		Where: where, Advice: advice, Evidence: evidence,
	}
}

// rounded is a confidence to three digits, never certain and never nothing.
func rounded(sure float64) float64 { return math.Round(1000*min(max(sure, 0.01), 0.999)) / 1000 }

// Names of lines and addresses, as the trade writes them.

func dataLine(line int) fact.Name    { return fact.Name("D" + strconv.Itoa(line)) }
func addressLine(line int) fact.Name { return fact.Name("A" + strconv.Itoa(line)) }

func dataLines(lines []int) fact.List {
	names := make([]fact.Name, len(lines))
	for i, line := range lines {
		names[i] = dataLine(line)
	}
	return fact.ListOf(fact.Comma, names)
}

func hex[N int64 | uint64](v N) fact.Name { return fact.Name(fmt.Sprintf("0x%x", v)) }
