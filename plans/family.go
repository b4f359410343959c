package plans

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"proveout/plans/document"
	"proveout/plans/quantity"
)

// A Family is a board family with one variant resolved: what a good card of
// this kind is expected to show.
type Family struct {
	ID      string
	Title   string
	Maker   string
	Variant string   // the variant these values are of; empty when the family has none
	Aliases []string // variants of the family, all of them

	Bus       Bus
	IDs       []DeviceID
	Detected  string // description the system is expected to show
	Memory    []MemoryPool
	Clocks    []FamilyClock
	Modes     []Mode
	MaxDepth  int // bit per pixel
	Thermal   Thermal
	Rails     []Rail
	Reference []ReferenceSet
	Source    string // the TOML text the family was read from
	File      string // name of the file, for messages
}

func (f *Family) keys() []key {
	seen := map[string]int{} // designators of chips
	return []key{
		{Name: "id", To: document.ID(&f.ID), Needed: `"…"`, What: "also the name of the file, ID.family.toml"},
		{Name: "title", To: document.Text(&f.Title), Needed: `"…"`, What: "what documents call the card"},
		{Name: "maker", To: document.Text(&f.Maker), Needed: `"…"`, What: "who made it"},
		{Name: "detected", To: document.Text(&f.Detected), What: "the description the system is expected to show"},
		{Name: "modes", To: document.Own("list of modes", f.readModes, nil), Filled: "name one, or remove the key",
			What: `width x height x depth @ rate: "640x480x16@60"`},
		{Name: "max_depth", To: document.Whole(&f.MaxDepth, 1, 32), What: "bits per pixel at the most"},
		{Name: "bus", To: document.Inner(&f.Bus, (*Bus).keys, checkBus), Needed: "[bus]", What: "how the card plugs in"},
		{Name: "device", To: document.Tables(&f.IDs, deviceKeys, nil), Needed: "[[device]]",
			What: "what it says it is, on the bus"},
		{Name: "memory", Needed: "[[memory]]", What: "its memories: one, or frame and texture",
			To: document.Tables(&f.Memory, func(m *MemoryPool) []key { return memoryKeys(m, seen) }, checkMemory, "name")},
		{Name: "clock", To: document.Tables(&f.Clocks, clockKeys, nil, "name"), What: "its clocks"},
		{Name: "thermal", To: document.Inner(&f.Thermal, (*Thermal).keys, checkThermal), What: "what heat it may see"},
		{Name: "rail", To: document.Tables(&f.Rails, railKeys, checkRail, "name"),
			What: "its supply rails"},
		{Name: "reference", What: "scores of known-good cards",
			To: document.TablesFrom(newReferenceSet, &f.Reference, referenceKeys, nil, byWorkload...)},
	}
}

// What tells the tables of a list apart.
var (
	byName     = []string{"name"}
	byWorkload = []string{"workload", "bench"}
)

func (f *Family) readModes(s *section, key string, v *document.Value) {
	var texts []string
	modeTexts(&texts).Read(s, key, v)
	for _, text := range texts {
		if m, err := ParseMode(text); err == nil {
			f.Modes = append(f.Modes, m)
		}
	}
}

// read reads the family of a file, or of one of its variants.
func (f *Family) read(s *section) {
	s.Read(f.keys())
	if e := s.Table().Get("memory"); e != nil && len(e.Value.Items) > 1 && !s.Partial() {
		for _, item := range e.Value.Items {
			if item.Type == document.Group && item.Table.Get("name") == nil {
				s.Add(item.Table.At, "memory.name", "missing", `add name = "frame" or "texture": there is more than one memory`)
			}
		}
	}
	if s.Has("max_depth") && f.MaxDepth > 0 && !slices.Contains(depths, f.MaxDepth) {
		s.Problem("max_depth", strconv.Itoa(f.MaxDepth)+" is no depth", "write 8, 15, 16, 24 or 32")
	}
	if s.Has("modes") && !s.Partial() {
		f.checkModes(s)
	}
	if s.Has("rail") && !s.Partial() {
		f.checkSignalling(s)
	}
}

// checkSignalling holds the rail that feeds the bus's signals against the
// voltages that the card is said to signal with: the slot guard goes by these.
func (f *Family) checkSignalling(s *section) {
	for _, item := range s.Table().Get("rail").Value.Items {
		if item.Type != document.Group {
			continue // said already
		}
		e := item.Table.Get("slot")
		if e == nil || e.Value.Type != document.String {
			continue
		}
		volts, feeds := strings.CutPrefix(e.Value.Text, signalRail)
		has := func(q quantity.Quantity) bool { return q.String() == volts || keyFor(q.Value) == volts }
		if feeds && len(f.Bus.Signaling) > 0 && !slices.ContainsFunc(f.Bus.Signaling, has) {
			what := fmt.Sprintf("a card that signals with %s has no rail %s",
				signals(f.Bus.Signaling), document.Quoted(e.Value.Text))
			s.Add(e.Value.At, "rail.slot", what,
				"put signaling of the bus or the rail right: a card in the wrong slot is destroyed")
		}
	}
}

// checkModes holds the modes against depth and memory.
func (f *Family) checkModes(s *section) {
	frame := f.frameBytes()
	for _, item := range s.Table().Get("modes").Value.Items {
		m, err := ParseMode(item.Text)
		if err != nil {
			continue // said already
		}
		if f.MaxDepth > 0 && m.Depth > f.MaxDepth {
			what := fmt.Sprintf("%s is deeper than max_depth, %d bits", document.Quoted(m.Text), f.MaxDepth)
			s.Add(item.At, "modes", what, "")
		}
		if frame > 0 && m.Bytes() > frame {
			what := fmt.Sprintf("%s needs %s, and the card has %s for the picture", document.Quoted(m.Text),
				quantity.Format(float64(m.Bytes()), 1<<10, quantity.Bytes), quantity.Format(float64(frame), 0, quantity.Bytes))
			s.Add(item.At, "modes", what, "remove the mode, or put the memory right")
		}
	}
}

// FrameMemory returns the memory that holds the picture: the one called frame,
// else the only one; nil when the family does not say.
func (f *Family) FrameMemory() *MemoryPool {
	for i := range f.Memory {
		if m := &f.Memory[i]; m.Name == "frame" || len(f.Memory) == 1 {
			return m
		}
	}
	return nil
}

// frameBytes are the bytes that may hold the picture, 0 when not known.
func (f *Family) frameBytes() int64 {
	if m := f.FrameMemory(); m != nil {
		return int64(m.Total.Value)
	}
	return 0
}

// A DeviceID identifies the card on its bus. Four hex digits each, lower case.
type DeviceID struct {
	Vendor, Device             string
	SubsystemVendor, Subsystem string // empty when any will do
}

func deviceKeys(d *DeviceID) []key {
	return []key{
		{Name: "vendor", To: hexID(&d.Vendor, true), Needed: `"e7a3"`, What: "who made the chip"},
		{Name: "device", To: hexID(&d.Device, true), Needed: `"0137"`, What: "which chip it is"},
		{Name: "subsystem_vendor", To: hexID(&d.SubsystemVendor, false), Absent: "any", What: "who made the board"},
		{Name: "subsystem", To: hexID(&d.Subsystem, false), Absent: "any", What: "which board it is"},
	}
}

// hexID is an ID of the bus; own says that it is that of the chip.
func hexID(to *string, own bool) document.Target {
	return document.Checked(to, "four hex digits", func(text string) (what, fix string) {
		*to = strings.TrimPrefix(strings.ToLower(text), "0x")
		n, err := strconv.ParseUint(*to, 16, 16)
		switch {
		case err != nil || len(*to) != 4:
			return document.Quoted(*to) + " is not four hex digits", `write it like "e7a3"`
		case n == 0xffff && own:
			// PCI Local Bus Specification 2.x, 6.2.1: FFFFh is no valid vendor (from memory)
			return `"ffff" is what an empty slot answers`, "write the card's own ID"
		}
		return "", ""
	})
}

// exampleKey marks values that nobody measured: they show the form and never
// decide. Who copies a family keeps the mark until the values are the shop's own.
func exampleKey(to *bool, which string) key {
	return key{Name: "example", To: document.Flag(to), Label: "-",
		What: "true: " + which + " are invented, show the form and never decide"}
}

// noSource is how to write the source of a limit that has none.
const noSource = `"common practice, no source"`

// A FamilyClock is a clock with its expected value and tolerance.
type FamilyClock struct {
	Name        string // "core", "memory", or any other
	Value       quantity.Quantity
	Synthesizer *Synthesizer // what it is made with; nil when not known
	Source      string
}

func clockKeys(c *FamilyClock) []key {
	return []key{
		{Name: "name", To: document.Label(&c.Name), Needed: `"…"`, What: "core, memory or any other"},
		{Name: "value", To: amount(&c.Value, quantity.Frequency, aboveZero|tolerated),
			Needed: `"137 MHz ±1 %"`, What: "what a good card shows"},
		{Name: "synthesizer", To: document.Optional(&c.Synthesizer, synthesizerKeys, checkSynthesizer),
			What: "what the clock is made with: reference x N / (M x 2^K)"},
		{Name: "source", To: document.Text(&c.Source), Needed: noSource, What: "where the tolerance comes from"},
	}
}

// A Synthesizer makes a clock from a reference: reference x N / (M x 2^K).
type Synthesizer struct {
	N, M, K        Span
	Reference      float64 // Hz; 0 for 315/22 MHz
	VCOMin, VCOMax float64 // Hz, of reference x N / M; 0: no limit
	CompareMin     float64 // Hz, of reference / M; 0: no limit
}

// A Span is a range of whole numbers, both ends in it.
type Span struct{ Low, High int }

// ParseSpan reads a range such as "8-129", or one number.
func ParseSpan(text string) (Span, error) {
	low, high, ranged := strings.Cut(strings.NewReplacer("–", "-", "−", "-", "..", "-", " ", "").Replace(text), "-")
	if !ranged {
		high = low
	}
	a, err1 := strconv.Atoi(low)
	b, err2 := strconv.Atoi(high)
	if err1 != nil || err2 != nil {
		return Span{}, fmt.Errorf("%s is not a range of whole numbers", document.Quoted(text))
	}
	if a > b {
		return Span{}, fmt.Errorf("%s runs from high to low", document.Quoted(text))
	}
	return Span{a, b}, nil
}

// synthesizerKeys are bounded by what registers of the trade have room for
// (common practice, no source).
func synthesizerKeys(sy *Synthesizer) []key {
	return []key{
		{Name: "n", To: span(&sy.N, 1, 1<<16), Needed: `"8-129"`, What: `range of the multiplier, as it multiplies: "8-129"`},
		{Name: "m", To: span(&sy.M, 1, 1<<12), Needed: `"2-31"`, What: `range of the divider, as it divides: "2-31"`},
		{Name: "k", To: span(&sy.K, 0, 10), Absent: "0", What: `range of the exponent of the divider by 2^K: "0-3"`},
		{Name: "reference", To: hertz(&sy.Reference), Absent: "315/22 MHz", What: "of the crystal"},
		{Name: "vco_min", To: hertz(&sy.VCOMin), What: "slowest reference x N / M"},
		{Name: "vco_max", To: hertz(&sy.VCOMax), What: "fastest reference x N / M"},
		{Name: "compare_min", To: hertz(&sy.CompareMin), What: "slowest reference / M"},
	}
}

func span(to *Span, least, most int) document.Target {
	text := ""
	return document.Checked(&text, "range", func(text string) (what, fix string) {
		var err error
		if *to, err = ParseSpan(text); err != nil {
			return err.Error(), `write it like "8-129"`
		}
		if to.Low < least || to.High > most {
			return fmt.Sprintf("the range %d to %d is not within %d to %d", to.Low, to.High, least, most),
				"write what the divider divides by, not the register's value"
		}
		return "", ""
	})
}

func hertz(to *float64) document.Target {
	return document.Own(string(quantity.Frequency), func(s *section, key string, v *document.Value) {
		var q quantity.Quantity
		amount(&q, quantity.Frequency, aboveZero).Read(s, key, v)
		*to = q.Value
	}, nil)
}

func checkSynthesizer(s *section, sy *Synthesizer) {
	if sy.VCOMax > 0 && sy.VCOMin > sy.VCOMax {
		s.Problem("vco_min", "vco_min is above vco_max", "write the smaller frequency first")
	}
}

// Thermal holds what heat the card may see.
type Thermal struct {
	Cooling      string             // "passive", "fan"
	Sensor       string             // where MaxTemp applies: die, heatsink, case, board
	MaxTemp      *quantity.Quantity // acceptance limit
	MaxRating    *quantity.Quantity // absolute maximum rating
	RatedAmbient *quantity.Quantity // hottest ambient the card is meant for
	Rise         []RiseReference    // rise over ambient of good cards
	Example      bool               // the rises are example values
	Power        *quantity.Quantity // W under load, when known
	Source       string
}

func (t *Thermal) keys() []key {
	most := ""
	if t.MaxTemp != nil {
		most = t.MaxTemp.String() + " at the " + t.Sensor
	}
	rises := ""
	switch {
	case len(t.Rise) > 0 && t.Example:
		rises = strconv.Itoa(len(t.Rise)) + " example values"
	case len(t.Rise) > 0:
		rises = strconv.Itoa(len(t.Rise)) + " good cards"
	}
	temperature := func(to **quantity.Quantity) document.Target {
		return amount(to, quantity.Temperature, exact)
	}
	return []key{
		{Name: "cooling", To: document.Word(&t.Cooling, "passive", "fan"), Needed: `"passive" or "fan"`,
			What: "how it is cooled"},
		{Name: "sensor", To: document.Word(&t.Sensor, sensorPlaces...), Label: "-", Absent: "none; needed with max_temp",
			What: "where max_temp applies"},
		{Name: "max_temp", To: temperature(&t.MaxTemp), Label: "at most", Says: most, What: "acceptance limit"},
		{Name: "max_rating", To: temperature(&t.MaxRating), Label: "maximum rating", What: "absolute maximum rating"},
		{Name: "rated_ambient", To: temperature(&t.RatedAmbient), What: "hottest ambient the card is meant for"},
		{Name: "power", To: amount(&t.Power, quantity.Power, aboveZero), What: "power under load"},
		{Name: "rise", To: document.Tables(&t.Rise, riseKeys, nil, "card"), Says: rises,
			What: "rise over ambient of known-good cards at the end of a soak"},
		exampleKey(&t.Example, "the rises"),
		{Name: "source", To: document.Text(&t.Source), Absent: "none; needed with max_temp",
			What: "where the limits come from"},
	}
}

func checkThermal(s *section, t *Thermal) {
	if s.Has("max_temp") {
		s.Missing("sensor", `"heatsink": where max_temp applies`)
		s.Missing("source", noSource)
	}
	if t.MaxTemp == nil || s.Partial() {
		return
	}
	if t.MaxRating != nil && t.MaxTemp.Value > t.MaxRating.Value {
		s.Problem("max_temp", "the limit "+t.MaxTemp.Text+" is above the maximum rating of "+t.MaxRating.Text,
			"write a limit below the rating")
	}
	if t.RatedAmbient != nil && t.RatedAmbient.Value >= t.MaxTemp.Value {
		s.Problem("rated_ambient", "the ambient "+t.RatedAmbient.Text+" is not below the limit of "+t.MaxTemp.Text, "")
	}
}

// A RiseReference is the rise over ambient (K) that a known-good card of the
// family showed at the end of a soak.
type RiseReference struct {
	Card       string
	Rise       quantity.Quantity
	Instrument string // of the shop; empty: the bench's own thermometer at that place
}

func riseKeys(r *RiseReference) []key {
	return []key{
		{Name: "card", To: document.Text(&r.Card), Needed: `"…"`, What: "which card"},
		{Name: "rise", To: exactly(&r.Rise, quantity.Difference), Needed: `"31.2 K"`,
			What: "its rise over ambient"},
		instrumentKey(&r.Instrument),
	}
}

// instrumentKey is what a good card was read with: an error that it has in common
// with the card under test cancels.
func instrumentKey(to *string) key {
	return key{Name: "instrument", To: document.ID(to), Absent: "the bench's own",
		What: "what it was read with, by its id in the shop"}
}

// A Rail is one supply rail of the card.
type Rail struct {
	Name       string             // "3V3", "VDDQ", "core"
	Voltage    quantity.Quantity  // with tolerance
	Resistance *quantity.Quantity // typical resistance to ground of a good card, unpowered
	Good       []float64          // Ω to ground of known-good cards, unpowered
	ShortBelow *quantity.Quantity // at or below this the rail is shorted
	Example    bool               // the resistances of good cards are example values
	OpenAbove  *quantity.Quantity // above this the rail is open: nothing loads it
	Source     string
}

func railName(r Rail) string { return r.Name }

func railKeys(r *Rail) []key {
	return []key{
		{Name: "name", To: document.Label(&r.Name), Needed: `"…"`, What: "3V3, VDDQ, core"},
		{Name: "slot", To: document.Own("name", r.readSlotRail, nil),
			What: `a rail of the slot by its name: "AGP +12 V"; gives voltage and source`},
		{Name: "voltage", To: amount(&r.Voltage, quantity.Voltage, tolerated),
			Absent: "the slot's, else needed", What: "what a good card shows"},
		{Name: "resistance", To: amount(&r.Resistance, quantity.Resistance, aboveZero),
			What: "to ground of a good card, unpowered"},
		{Name: "good", To: amounts(&r.Good, quantity.Resistance),
			What: "to ground of known-good cards, unpowered, one value a card"},
		{Name: "short_below", To: exactly(&r.ShortBelow, quantity.Resistance),
			What: "at or below this the rail is shorted"},
		exampleKey(&r.Example, "resistance and good"),
		{Name: "open_above", To: exactly(&r.OpenAbove, quantity.Resistance),
			What: "above this the rail is open: nothing loads it"},
		{Name: "source", To: document.Text(&r.Source), Absent: "the slot's, else needed", What: "where the limits come from"},
	}
}

func (r *Rail) readSlotRail(s *section, key string, v *document.Value) {
	name := ""
	document.Text(&name).Read(s, key, v)
	if standard, ok := slotRail(name); ok {
		r.Voltage, r.Source = standard.Voltage, standard.Source
	} else if name != "" {
		known := NamesOf(slotRails(), railName)
		s.Add(v.At, key, document.Quoted(name)+" is no rail of a slot", document.DidYouMean(name, known))
	}
}

func checkRail(s *section, r *Rail) {
	if !s.Has("slot") {
		s.Missing("voltage", `"3.3 V ±0.3 V"`)
		s.Missing("source", noSource)
	}
	if q := r.Voltage; s.Has("voltage") && q.Tolerated && (q.Value == 0 || q.Value > 0 && q.Minus >= q.Value) {
		s.Problem("voltage", document.Quoted(q.Text)+" takes in 0 V: a dead rail would pass", "write a smaller tolerance")
	}
	if r.Resistance != nil && r.ShortBelow != nil && r.ShortBelow.Value >= r.Resistance.Value {
		what := document.Quoted(r.ShortBelow.Text) + " is not below the resistance of a good card, " + r.Resistance.Text
		s.Problem("short_below", what, "")
	}
	for _, below := range []*quantity.Quantity{r.Resistance, r.ShortBelow} {
		if r.OpenAbove != nil && below != nil && r.OpenAbove.Value <= below.Value {
			what := document.Quoted(r.OpenAbove.Text) + " is not above " + below.Text +
				", the resistance of a good card or of a short"
			s.Problem("open_above", what, "write a resistance that no good card reaches")
			break
		}
	}
}

// Rail returns the family's rail of the given name, or the rail of that name
// that a slot of the card's bus has.
func (f *Family) Rail(name string) (*Rail, bool) {
	if own, ok := find(f.Rails, func(r *Rail) bool { return r.Name == name }); ok {
		return own, true
	}
	if !strings.HasPrefix(name, f.Bus.Kind+" ") {
		return nil, false
	}
	return slotRail(name)
}

// A ReferenceSet holds scores of known-good cards for a workload on a bench.
type ReferenceSet struct {
	Workload string           `json:"workload"`
	Bench    string           `json:"bench"`
	Unit     string           `json:"unit"`   // "fps", "score"
	Better   string           `json:"better"` // "higher", "lower"
	Example  bool             `json:"example,omitempty"`
	Source   string           `json:"source,omitempty"`
	Scores   []ReferenceScore `json:"scores"`
}

func newReferenceSet() ReferenceSet { return ReferenceSet{Better: "higher"} }

func referenceKeys(r *ReferenceSet) []key {
	return []key{
		{Name: "workload", To: document.Text(&r.Workload), Needed: `"…"`, What: "what was run"},
		{Name: "bench", To: document.Text(&r.Bench), Needed: `"bench-1"`, What: "the bench it was run on"},
		{Name: "unit", To: document.Text(&r.Unit), Needed: `"fps"`, What: "fps, score"},
		{Name: "better", To: document.Word(&r.Better, "higher", "lower"), What: "which score is the better one"},
		exampleKey(&r.Example, "the scores"),
		{Name: "source", To: document.Text(&r.Source), What: "where the scores come from"},
		{Name: "scores", To: document.Tables(&r.Scores, scoreKeys, nil, "card"),
			Needed: `[{ card = "…", value = 61.2 }]`, Filled: "add a score, or remove the set",
			What: "one for each known-good card"},
	}
}

// RiseWorkload names the sets of a shop whose scores are rises over ambient (K) at
// the end of a soak.
const RiseWorkload = "rise"

// Rises are the rises of the family's own good cards as a set, of any bench.
func (t *Thermal) Rises() ReferenceSet {
	set := ReferenceSet{Workload: RiseWorkload, Unit: "K", Better: "lower", Example: t.Example, Source: t.Source}
	for _, r := range t.Rise {
		set.Scores = append(set.Scores, ReferenceScore{Card: r.Card, Value: r.Rise.Value, Instrument: r.Instrument})
	}
	return set
}

// A ReferenceScore is the score of one known-good card.
type ReferenceScore struct {
	Card  string  `json:"card"`
	Value float64 `json:"value"`
	// Instrument is what a rise was read with; empty: the bench's own thermometer at
	// that place.
	Instrument string `json:"instrument,omitempty"`
	// Kept is why a card that stands off from the others is good all the same.
	Kept string `json:"kept,omitempty"`
	Job  string `json:"job,omitempty"` // job number, when the score came from one
	By   string `json:"by,omitempty"`
	When string `json:"when,omitempty"` // date
}

func scoreKeys(sc *ReferenceScore) []key {
	return []key{
		{Name: "card", To: document.Text(&sc.Card), Needed: `"…"`, What: "which card"},
		{Name: "value", To: document.Number(&sc.Value), Needed: "61.2", What: "its score"},
		{Name: "job", To: document.Text(&sc.Job), What: "job number, when it came from one"},
		{Name: "by", To: document.Text(&sc.By), What: "who took it"},
		{Name: "when", To: document.Day(&sc.When), What: "when it was taken"},
		instrumentKey(&sc.Instrument),
		{Name: "kept", To: document.Text(&sc.Kept), What: "why it is good, though it stands off from the others"},
	}
}

// referenceSet returns the family's set for a workload on a bench; an empty
// bench means any.
func (f *Family) referenceSet(workload, bench string) (*ReferenceSet, bool) {
	return find(f.Reference, func(r *ReferenceSet) bool {
		return r.Workload == workload && (bench == "" || r.Bench == bench)
	})
}
