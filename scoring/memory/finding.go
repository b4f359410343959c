package memory

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

// A Finding is one fault that the observations point to.
type Finding struct {
	Kind         Kind     `json:"kind"`
	Chip         int      `json:"chip"`                    // lane order within its bank, from 0; -1 when no single chip is meant
	Bank         int      `json:"bank"`                    // from 0; -1 when no single bank is meant
	Designator   string   `json:"designator,omitempty"`    // "U7"
	Lines        []int    `json:"lines,omitempty"`         // data lines of the chip
	AddressLine  int      `json:"address_line"`            // word-address line of the chip; -1 when none is meant
	AddressLines []int    `json:"address_lines,omitempty"` // both word-address lines when two are shorted together
	Alternative  bool     `json:"alternative,omitempty"`   // the same rows allow this reading too; the finding before it is the likelier
	Confidence   float64  `json:"confidence"`              // 0 to 1
	Where        string   `json:"where"`                   // place and extent, in words
	Advice       string   `json:"advice"`                  // what to look at on the board
	Evidence     []string `json:"evidence,omitempty"`      // the numbers behind it, in words
}
