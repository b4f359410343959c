package plans

import "strings"

// A Key is one key that a file may have.
type Key struct {
	Name string
	Type string // how its value is written
	What string // what it says, with its default
	On   string // step kinds it applies to, separated by blanks; empty for all
}

func keyNames(keys []Key) []string {
	names := make([]string, len(keys))
	for i, k := range keys {
		names[i] = k.Name
	}
	return names
}

// appliesTo reports whether a key of a step may stand in a step of this kind.
func (k Key) appliesTo(kind Kind) bool {
	if k.On == "" {
		return true
	}
	for w := range strings.FieldsSeq(k.On) {
		if w == string(kind) {
			return true
		}
	}
	return false
}

// A KeyTable is the keys of one table of a file.
type KeyTable struct {
	File  string // "plan", "family", "shop"
	Table string // "[[step]]"; empty for the top of the file
	Keys  []Key
}

// KeyTables returns every key that plans, families and shops may have, as the
// documentation of the files.
func KeyTables() []KeyTable {
	return []KeyTable{
		{"plan", "", planKeys},
		{"plan", "[[step]]", stepKeys},
		{"plan", "checklist = [{…}]", checklistKeys},
		{"plan", "stability = {…}", stabilityKeys},
		{"family", "", familyKeys},
		{"family", "[bus]", busKeys},
		{"family", "[[device]]", deviceKeys},
		{"family", "[[memory]]", memoryKeys},
		{"family", "[[clock]]", clockKeys},
		{"family", "synthesizer = {…}", synthesizerKeys},
		{"family", "[thermal]", thermalKeys},
		{"family", "rise = [{…}]", riseKeys},
		{"family", "[[rail]]", railKeys},
		{"family", "[[reference]]", referenceKeys},
		{"family", "scores = [{…}]", scoreKeys},
		{"family", "[[variant]]", variantKeys},
		{"shop", "", shopKeys},
		{"shop", "[[bench]]", benchKeys},
		{"shop", "[bench.slot]", slotKeys},
		{"shop", "[[bench.instrument]]", instrumentKeys},
		{"shop", "[[technician]]", technicianKeys},
	}
}

var planKeys = []Key{
	{"id", "text", "small letters, digits, hyphens; the file is called ID.plan.toml", ""},
	{"title", "text", "what documents call the plan", ""},
	{"description", "text", "what it is for", ""},
	{"rule", "text", `"guarded" (default) or "simple": how values near a limit are judged`, ""},
	{"work_kinds", "list of text", "kinds of work of this shop beside the usual ones, for when_work", ""},
	{"step", "tables", "the steps, in the order they are done", ""},
}

var stepKeys = []Key{
	{"id", "text", "small letters, digits, hyphens; readings are recorded under it", ""},
	{"kind", "text", "what the step does and how it is judged", ""},
	{"title", "text", "what documents call the step", ""},
	{"instruction", "text", "what the technician does", ""},
	{"cautions", "list of text", "shown before the step begins", ""},
	{"required", "true or false", "whether acceptance needs it; true, or false when when_work is given", ""},
	{"gate", "true or false", "when it fails, no later powered step runs; false", ""},
	{"when_work", "list of text", "required when the job's work includes one of these", ""},
	{"rule", "text", "as in the plan, for this step", ""},
	{"blind", "true or false", "expected values stay hidden until the reading is entered; false", ""},
	{"source", "text", "where the limits of the step come from", ""},

	{"checklist", `"standard" or tables`, `what to look at; "standard" when absent`, "inspection"},
	{"rails", `list of text or "from family"`, "names of the family's rails, or of rails of the slot such as \"PCI +12 V\"; the family's when absent", "rails"},
	{"clocks", `list of text or "from family"`, "names of the family's clocks; all when absent", "clock"},
	{"modes", `list of text or "from family"`, `"1024x768x16@75"; the family's when absent`, "image timing"},
	{"patterns", "list of text", "names of the test pictures to show", "image"},
	{"captures", "text", "required: every picture must be captured and compared; welcome", "image"},
	{"march", "text", "the march test that was run", "memory-scan"},

	{"duration", "duration", "how long it must run", "load soak"},
	{"every", "duration", "interval of typed readings", "soak"},
	{"ambient", "temperature with tolerance", "the ambient the step is meant for", "soak"},
	{"sensor", "text", "where the sensor sits: die, heatsink, case, board; the family's when absent", "soak"},
	{"max_temp", `temperature or "from family"`, "hottest allowed; the family's when absent", "soak"},
	{"stability", "table", "when the soak counts as stable", "soak"},
	{"at_rated", "true or false", "judge the prediction at the family's rated ambient too; false", "soak"},
	{"compare_rise", "true or false", "compare the rise with the family's good cards; false", "soak"},
	{"end_early", "true or false", "may end when stable; false", "soak"},

	{"runs", "whole number", "how often it is run; 1", "load"},
	{"workload", "text", "names the family's reference set", "load"},
	{"freeze_after", "duration", "no frame for longer than this is a freeze", "load"},
	{"max_stalls", "whole number", "stalls allowed in a run", "load"},
	{"min_fps", "frame rate", "mean frame rate at the least", "load"},
	{"max_spread", "share", "largest coefficient of variation over the runs", "load"},
	{"reference", "text", `"inform" (default): the reference set is shown; "prediction": outside its interval fails`, "load"},
	{"command", "list of text", "program and arguments, on a bench that runs the workload itself", "load"},
	{"log_map", "text", "name of a log map in the shop's logmaps folder, for the step's logs and what its command prints; the header says when absent", "load soak"},

	{"prove", "text", `"intermittent fault gone": the run must be long enough to show it`, "load soak"},
	{"confidence", "share", "with prove; 90 %", "load soak"},
	{"improvement", "number", "with prove: times the interval of the complaint; 1", "load soak"},
	{"throttle_fails", "true or false", "slowing down from heat is a failure, not a remark; false", "load soak"},
}

var checklistKeys = []Key{
	{"name", "text", "readings are recorded under it", ""},
	{"ask", "text", "what a good card shows", ""},
}

var stabilityKeys = []Key{
	{"window", "duration", "how long the temperature must hold", ""},
	{"rate", "temperature rate", `at most this: "2 K/h", "1 °C per 10 min"`, ""},
	{"source", "text", "where the rule comes from", ""},
}

var familyKeys = []Key{
	{"id", "text", "small letters, digits, hyphens; the file is called ID.family.toml", ""},
	{"title", "text", "what documents call the card", ""},
	{"maker", "text", "who made it", ""},
	{"detected", "text", "the description the system is expected to show", ""},
	{"modes", "list of text", `"640x480x16@60": width x height x depth @ rate`, ""},
	{"max_depth", "whole number", "bits per pixel at the most", ""},
	{"bus", "table", "how the card plugs in", ""},
	{"device", "tables", "what it says it is, on the bus", ""},
	{"memory", "tables", "its memories: one, or frame and texture", ""},
	{"clock", "tables", "its clocks", ""},
	{"thermal", "table", "what heat it may see", ""},
	{"rail", "tables", "its supply rails", ""},
	{"reference", "tables", "scores of known-good cards", ""},
	{"variant", "tables", "what differs between the variants of the family", ""},
}

var busKeys = []Key{
	{"kind", "text", "PCI, AGP or PCIe", ""},
	{"signaling", "list of voltages", `the card can signal with: "5 V", "3.3 V", "1.5 V", "0.8 V"`, ""},
	{"rates", "list of text", `link rates offered, slowest first: "1x", "2x", "4x", "8x"; PCI "33 MHz", "66 MHz"`, ""},
	{"expect", "text", "the rate expected on a slot that offers it", ""},
	{"clock", "frequency", "bus clock", ""},
	{"features", "list of text", "sideband, fast-write", ""},
}

var deviceKeys = []Key{
	{"vendor", "text", "four hex digits", ""},
	{"device", "text", "four hex digits", ""},
	{"subsystem_vendor", "text", "four hex digits; any when absent", ""},
	{"subsystem", "text", "four hex digits; any when absent", ""},
}

var memoryKeys = []Key{
	{"name", "text", "frame or texture; absent when there is only one", ""},
	{"total", "memory size", "all of it", ""},
	{"reserved", "memory size", "what a tool may show less, as a matter of display", ""},
	{"chip", "text", `words x bits of one chip: "1Mi x 16"`, ""},
	{"bus", "bits", `width of the memory bus: "128 bit"`, ""},
	{"column_bits", "whole number", "low word-address bits of a chip that select its column, when known", ""},
	{"banks", "list of text", `designators of each bank in lane order: ["U1 U2 U3 U4"]`, ""},
	{"source", "text", "where the facts come from", ""},
}

var clockKeys = []Key{
	{"name", "text", "core, memory or any other", ""},
	{"value", "frequency with tolerance", "what a good card shows", ""},
	{"synthesizer", "table", "what the clock is made with: reference x N / (M x 2^K)", ""},
	{"source", "text", "where the tolerance comes from", ""},
}

var synthesizerKeys = []Key{
	{"n", "text", `range of the multiplier, as it multiplies: "8-129"`, ""},
	{"m", "text", `range of the divider, as it divides: "2-31"`, ""},
	{"k", "text", `range of the exponent of the divider by 2^K: "0-3"; 0 when absent`, ""},
	{"reference", "frequency", "of the crystal; 315/22 MHz when absent", ""},
	{"vco_min", "frequency", "slowest reference x N / M", ""},
	{"vco_max", "frequency", "fastest reference x N / M", ""},
	{"compare_min", "frequency", "slowest reference / M", ""},
}

var thermalKeys = []Key{
	{"cooling", "text", "passive or fan", ""},
	{"sensor", "text", "where max_temp applies: die, heatsink, case or board", ""},
	{"max_temp", "temperature", "acceptance limit", ""},
	{"max_rating", "temperature", "absolute maximum rating", ""},
	{"rated_ambient", "temperature", "hottest ambient the card is meant for", ""},
	{"rise", "tables", "rise over ambient of known-good cards at the end of a soak", ""},
	{"power", "power", "under load", ""},
	{"source", "text", "where the limits come from", ""},
}

var riseKeys = []Key{
	{"card", "text", "which card", ""},
	{"rise", "temperature difference", "its rise over ambient", ""},
}

var railKeys = []Key{
	{"name", "text", "3V3, VDDQ, core", ""},
	{"slot", "text", `a rail of the slot by its name: "AGP +12 V"; gives voltage and source`, ""},
	{"voltage", "voltage with tolerance", "what a good card shows", ""},
	{"resistance", "resistance", "to ground of a good card, unpowered", ""},
	{"good", "list of resistances", "to ground of known-good cards, unpowered, one value a card", ""},
	{"short_below", "resistance", "at or below this the rail is shorted", ""},
	{"source", "text", "where the limits come from", ""},
}

var referenceKeys = []Key{
	{"workload", "text", "what was run", ""},
	{"bench", "text", "the bench it was run on", ""},
	{"unit", "text", "fps, score", ""},
	{"better", "text", "higher (default) or lower", ""},
	{"source", "text", "where the scores come from", ""},
	{"scores", "tables", "one for each known-good card", ""},
}

var scoreKeys = []Key{
	{"card", "text", "which card", ""},
	{"value", "number", "its score", ""},
	{"job", "text", "job number, when it came from one", ""},
	{"by", "text", "who took it", ""},
	{"when", "date", "when it was taken", ""},
}

var variantKeys = []Key{
	{"name", "text", "of the variant: 143, 2+4", ""},
	{"title", "text", "in place of the family's", ""},
	{"detected", "text", "in place of the family's", ""},
	{"modes", "list of text", "in place of the family's", ""},
	{"max_depth", "whole number", "in place of the family's", ""},
	{"bus", "table", "keys in place of the family's", ""},
	{"device", "tables", "in place of the family's, all of them", ""},
	{"memory", "tables", "keys in place of those of the memory of the same name", ""},
	{"clock", "tables", "keys in place of those of the clock of the same name", ""},
	{"thermal", "table", "keys in place of the family's", ""},
	{"rail", "tables", "keys in place of those of the rail of the same name", ""},
	{"reference", "tables", "in place of the set of the same workload and bench, or one more", ""},
}

var shopKeys = []Key{
	{"name", "text", "of the workshop, as certificates print it", ""},
	{"address", "list of text", "its lines", ""},
	{"contact", "text", "telephone, mail or web address", ""},
	{"numbering", "text", `of certificates: "PO-{year}-{n:04}"`, ""},
	{"paper", "text", "A4 (default) or Letter", ""},
	{"language", "text", "en (default), de, fr", ""},
	{"logo", "text", "a picture file in the shop folder", ""},
	{"time_stamp_server", "text", "address of a time stamp server (RFC 3161) asked when a certificate is signed", ""},
	{"bench", "tables", "where cards are tested", ""},
	{"technician", "tables", "who tests them", ""},
}

var benchKeys = []Key{
	{"id", "text", "small letters, digits, hyphens", ""},
	{"title", "text", "what documents call it", ""},
	{"host", "text", "the computer the card is plugged into", ""},
	{"ambient", "temperature with tolerance", "range of ambient", ""},
	{"control_card", "text", "serial or mark of the shop's own known-good card", ""},
	{"slot", "table", "what can be plugged in", ""},
	{"instrument", "tables", "what readings are taken with", ""},
}

var slotKeys = []Key{
	{"kind", "text", "PCI, AGP or PCIe", ""},
	{"signaling", "list of voltages", "the slot signals with", ""},
	{"key", "text", `how the slot is keyed: "3.3 V", "1.5 V", "5 V" or "universal"`, ""},
	{"rates", "list of text", "link rates the slot offers, slowest first", ""},
}

var instrumentKeys = []Key{
	{"id", "text", "small letters, digits, hyphens", ""},
	{"title", "text", "make, range", ""},
	{"measures", "list of text", "temperature, voltage, resistance, frequency, frame rate, …", ""},
	{"accuracy", "limits", `as its data sheet states: "±1.5 °C", "±0.5 % + 2 mV", "±0.5 % + 3 digits"`, ""},
	{"coverage", "number", "k, when the sheet states an expanded uncertainty; absent: limits, taken as rectangular", ""},
	{"resolution", "quantity", "one step of its display", ""},
	{"place", "text", "where a temperature sensor sits: die, heatsink, case, board, ambient", ""},
	{"last_check", "date", "of its last check", ""},
	{"next_check", "date", "when the next is due", ""},
}

var technicianKeys = []Key{
	{"id", "text", "small letters, digits, hyphens", ""},
	{"name", "text", "as certificates print it", ""},
	{"sign", "true or false", "may authorise certificates; false", ""},
}
