package plans

import (
	"fmt"
	"slices"
	"strings"

	"proveout/plans/quantity"
)

// A Field is one reading that a step asks for.
type Field struct {
	Name      string             // "core", "3V3.volt", "bridges"
	Ask       string             // the question, for people
	Dimension quantity.Dimension // of a number; empty for words
	Unit      string             // taken when a number is typed without one
	Words     []string           // the words accepted; nil with an empty Dimension means any text
	Required  bool               // the step cannot be judged without it
	Many      bool               // may be read several times
	Expected  string             // what a good card shows, in words; empty when nobody knows
	Nominal   float64            // base unit, for the plausibility check; 0 when unknown
	Place     string             // of a temperature
}

// Answers to a yes-or-no question.
const (
	Yes        = "yes"
	No         = "no"
	NotPresent = "n/a" // the card has no such part
)

// PictureClean is what is recorded of a mode whose picture shows nothing amiss.
const PictureClean = "clean"

// Fields returns the readings that a step of the plan asks for on a card of
// the family, in the order in which they are taken.
func Fields(step *Step, family *Family) []Field {
	switch step.Kind {
	case Inspection:
		return inspectionFields(step)
	case Rails:
		return railFields(step, family)
	case Detection:
		return detectionFields(family)
	case MemorySize:
		return memoryFields(family)
	case Clock:
		return clockFields(step, family)
	case Image:
		return imageFields(step, family)
	case Timing:
		return timingFields(step, family)
	case MemoryScan:
		return scanFields(family)
	case Load:
		return loadFields(step, family)
	case Soak:
		return soakFields(step, family)
	}
	return nil
}

// FieldNamed returns the field of the given name.
func FieldNamed(fields []Field, name string) (Field, bool) {
	for _, f := range fields {
		if f.Name == name {
			return f, true
		}
	}
	return Field{}, false
}

func inspectionFields(step *Step) []Field {
	var out []Field
	for _, item := range step.Checklist {
		out = append(out, Field{Name: item.Name, Ask: item.Ask, Words: []string{Yes, No, NotPresent}, Required: true, Expected: Yes})
	}
	return out
}

// RailNames returns the rails that a step measures.
func RailNames(step *Step, family *Family) []string {
	if len(step.Rails) > 0 {
		return step.Rails
	}
	var out []string
	for _, r := range family.Rails {
		out = append(out, r.Name)
	}
	return out
}

// OhmReading and VoltReading name the two readings of a rail.
func OhmReading(rail string) string { return rail + ".ohm" }

// VoltReading names the reading of a rail's voltage.
func VoltReading(rail string) string { return rail + ".volt" }

func railFields(step *Step, family *Family) []Field {
	var ohms, volts []Field
	for _, name := range RailNames(step, family) {
		rail, ok := family.Rail(name)
		if !ok {
			continue
		}
		f := Field{Name: OhmReading(name), Ask: "Resistance of " + name + " to ground, no power", Dimension: quantity.Resistance, Unit: "ohm", Required: !family.isSlotRail(name)}
		if rail.Resistance != nil {
			f.Expected, f.Nominal = "about "+rail.Resistance.Text, rail.Resistance.Value
		}
		ohms = append(ohms, f)
		volts = append(volts, Field{Name: VoltReading(name), Ask: "Voltage of " + name + ", powered", Dimension: quantity.Voltage, Unit: "V", Required: true,
			Expected: rail.Voltage.Text, Nominal: rail.Voltage.Value})
	}
	return append(ohms, volts...)
}

func detectionFields(family *Family) []Field {
	out := []Field{
		{Name: "detected", Ask: "Is the card found by the system", Words: []string{Yes, No}, Required: true, Expected: Yes},
		{Name: "bus", Ask: "On which bus", Words: []string{"PCI", "AGP", "PCIe"}, Required: true, Expected: family.Bus.Kind},
	}
	if len(family.IDs) > 0 {
		var ids []string
		for _, id := range family.IDs {
			ids = append(ids, id.Vendor+":"+id.Device)
		}
		out = append(out, Field{Name: "id", Ask: "Vendor and device ID (vvvv:dddd)", Required: true, Expected: strings.Join(ids, " or ")})
		if family.IDs[0].Subsystem != "" {
			out = append(out, Field{Name: "subsystem", Ask: "Subsystem ID (vvvv:dddd)", Expected: family.IDs[0].SubsystemVendor + ":" + family.IDs[0].Subsystem})
		}
	}
	if len(family.Bus.Rates) > 0 {
		out = append(out, Field{Name: "rate", Ask: "Link rate in use", Words: family.Bus.Rates, Required: true, Expected: family.Bus.Expect})
	}
	if family.Detected != "" {
		out = append(out, Field{Name: "description", Ask: "How the system names it", Expected: family.Detected})
	}
	return out
}

// SizeReading names the reading of a memory's size.
func SizeReading(pool string) string {
	if pool == "" {
		return "size"
	}
	return "size." + pool
}

func memoryFields(family *Family) []Field {
	var out []Field
	for _, pool := range family.Memory {
		ask := "Memory size shown"
		if pool.Name != "" {
			ask = "Size of the " + pool.Name + " memory shown"
		}
		out = append(out, Field{Name: SizeReading(pool.Name), Ask: ask, Dimension: quantity.Bytes, Unit: "MiB", Required: true,
			Expected: pool.Total.Text, Nominal: pool.Total.Value})
	}
	return out
}

func clockFields(step *Step, family *Family) []Field {
	var out []Field
	for _, c := range family.Clocks {
		if len(step.Clocks) > 0 && !slices.Contains(step.Clocks, c.Name) {
			continue
		}
		out = append(out, Field{Name: c.Name, Ask: "Read the " + c.Name + " clock", Dimension: quantity.Frequency, Unit: "MHz", Required: true, Many: true,
			Expected: c.Value.Text, Nominal: c.Value.Value})
	}
	return out
}

// Readings of a memory-scan step that are typed beside the list of failing
// addresses.
const (
	ScanFailing = "failing" // how many addresses failed, as the test itself says
	ScanTested  = "tested"  // how much memory the test covered
)

func scanFields(family *Family) []Field {
	whole := 0.0
	for _, m := range family.Memory {
		whole += m.Total.Value
	}
	return []Field{
		{Name: ScanFailing, Ask: "How many addresses the memory test says have failed (import their list)", Dimension: quantity.Number, Expected: "0"},
		{Name: ScanTested, Ask: "How much memory the test covered", Dimension: quantity.Bytes, Unit: "MiB",
			Expected: quantity.Format(whole, 0, quantity.Bytes), Nominal: whole},
	}
}

// StepModes returns the display modes that an image or timing step tries.
func StepModes(step *Step, family *Family) []string {
	if len(step.Modes) > 0 {
		return step.Modes
	}
	var out []string
	for _, m := range family.Modes {
		out = append(out, m.Text)
	}
	return out
}

func imageFields(step *Step, family *Family) []Field {
	var out []Field
	for _, m := range StepModes(step, family) {
		out = append(out, Field{Name: m, Ask: "What is seen at " + m + " (" + PictureClean + ", or say what is wrong)", Required: true, Expected: PictureClean})
	}
	out = append(out, Field{Name: "depth", Ask: "Highest colour depth that showed a picture, in bits per pixel", Dimension: quantity.Bits, Unit: "bit",
		Expected: depthText(family.MaxDepth), Nominal: float64(family.MaxDepth)})
	return out
}

func depthText(bits int) string {
	if bits == 0 {
		return ""
	}
	return fmt.Sprintf("%d bit", bits)
}

func timingFields(step *Step, family *Family) []Field {
	var out []Field
	for _, m := range StepModes(step, family) {
		out = append(out,
			Field{Name: m + ".line", Ask: "Line rate at " + m, Dimension: quantity.Frequency, Unit: "kHz", Required: true},
			Field{Name: m + ".frame", Ask: "Frame rate at " + m, Dimension: quantity.Frequency, Unit: "Hz", Required: true})
	}
	return out
}

func loadFields(step *Step, family *Family) []Field {
	unit, expected := "", ""
	if set, ok := family.ReferenceSet(step.Workload, ""); ok {
		unit = set.Unit
		expected = fmt.Sprintf("as %d known-good cards of the family", len(set.Scores))
	}
	ask := "Score of the run"
	if unit != "" {
		ask += ", in " + unit
	}
	out := []Field{
		{Name: "score", Ask: ask, Dimension: quantity.Number, Unit: unit, Many: true, Required: step.Workload != "", Expected: expected},
		{Name: "frozen", Ask: "Did the picture freeze or the computer hang", Words: []string{Yes, No}, Required: true, Many: true, Expected: No},
		{Name: "seen", Ask: "What was seen during the run (" + PictureClean + ", or say what is wrong)", Many: true, Expected: PictureClean},
	}
	if step.Duration != nil {
		out = append(out, Field{Name: "duration", Ask: "How long the run lasted", Dimension: quantity.Duration, Unit: "min", Many: true, Required: true,
			Expected: "at least " + step.Duration.Text, Nominal: step.Duration.Value})
	}
	return out
}

func soakFields(step *Step, family *Family) []Field {
	place := SoakPlace(step, family)
	ask := "Temperature"
	if place != "" {
		ask += " at the " + place
	}
	out := []Field{
		{Name: "ambient", Ask: "Ambient temperature", Dimension: quantity.Temperature, Unit: "°C", Required: true, Many: true, Place: "ambient"},
		{Name: "temperature", Ask: ask, Dimension: quantity.Temperature, Unit: "°C", Required: true, Many: true, Place: place},
		{Name: "power", Ask: "Power drawn by the card", Dimension: quantity.Power, Unit: "W", Many: true},
	}
	if step.Duration != nil {
		out = append(out, Field{Name: "duration", Ask: "How long it soaked", Dimension: quantity.Duration, Unit: "min", Required: true,
			Expected: "at least " + step.Duration.Text, Nominal: step.Duration.Value})
	}
	return out
}

// SoakPlace returns where the soak's sensor sits: as the plan says, else where
// the family's limit applies.
func SoakPlace(step *Step, family *Family) string {
	if step.Sensor != "" {
		return step.Sensor
	}
	return family.Thermal.Sensor
}

// Rail returns the family's rail of the given name, or the rail of that name
// that a slot of the card's bus has.
func (f *Family) Rail(name string) (*Rail, bool) {
	for i := range f.Rails {
		if f.Rails[i].Name == name {
			return &f.Rails[i], true
		}
	}
	if r, ok := SlotRail(name); ok && strings.HasPrefix(name, f.Bus.Kind+" ") {
		return &r, true
	}
	return nil, false
}

// isSlotRail reports whether a rail is the slot's alone, so that nobody states
// its resistance.
func (f *Family) isSlotRail(name string) bool {
	return !slices.ContainsFunc(f.Rails, func(r Rail) bool { return r.Name == name })
}

// ReferenceSet returns the family's set for a workload on a bench; an empty
// bench means any.
func (f *Family) ReferenceSet(workload, bench string) (*ReferenceSet, bool) {
	for i := range f.Reference {
		if r := &f.Reference[i]; r.Workload == workload && (bench == "" || r.Bench == bench) {
			return r, true
		}
	}
	return nil, false
}
