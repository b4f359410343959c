package simulated

import (
	"fmt"
	"image"
	"strings"

	"proveout/plans"
	"proveout/plans/document"
	"proveout/plans/quantity"
	"proveout/scoring/memory"
)

// An evidence is what a technician brings home of one step: what was typed, and
// files that are not written yet, so that whatever goes wrong on the way can.
type evidence struct {
	step       *plans.Step
	answers    []answer
	note       string
	instrument string // named with the answers
	soak       *soakLog
	runs       []*table
	shots      []shot
	lists      []list
	dump       []byte
	beside     []byte // a log that is brought instead of the step's own
}

// A soakLog is the log of a soak.
type soakLog struct {
	table
	place, instrument string // as stated at import
}

// An answer is what was typed of one reading.
type answer struct {
	name  string
	texts []string
}

// A shot is a capture.
type shot struct {
	pattern, mode string
	stated        bool // the technician says what it shows
	image         image.Image
	kind          string // ending of the file
	data          []byte // the file, once it is encoded
}

// A list is a list of failing addresses.
type list struct {
	pool string
	rows []failure
	data []byte // the file; nil: as [listed] writes it
}

func (e *evidence) typed(name string, texts ...string) {
	e.answers = append(e.answers, answer{name, texts})
}

// answered is the answer of a name; nil where there is none.
func (e *evidence) answered(name string) *answer {
	for i := range e.answers {
		if e.answers[i].name == name {
			return &e.answers[i]
		}
	}
	return nil
}

// results writes the answers as a results file.
func (e *evidence) results() []byte {
	var b strings.Builder
	fmt.Fprintf(&b, "[%s]\n", document.Quote(e.step.ID))
	for _, a := range e.answers {
		var quoted []string
		for _, text := range a.texts {
			quoted = append(quoted, document.Quote(text))
		}
		value := strings.Join(quoted, ", ")
		if len(quoted) != 1 {
			value = "[" + value + "]"
		}
		fmt.Fprintf(&b, "%s = %s\n", document.Quote(a.name), value)
	}
	if e.note != "" {
		fmt.Fprintf(&b, "note = %s\n", document.Quote(e.note))
	}
	if e.instrument != "" {
		fmt.Fprintf(&b, "instrument = %s\n", document.Quote(e.instrument))
	}
	return []byte(b.String())
}

// gather does a step: looks, reads, runs and captures.
func (v *visit) gather(step *plans.Step) (*evidence, error) {
	e := &evidence{step: step}
	switch step.Kind {
	case plans.InspectionKind:
		v.inspect(e, plans.SpecOf[plans.Inspection](step))
	case plans.RailsKind:
		v.rails(e, plans.SpecOf[plans.Rails](step))
	case plans.DetectionKind:
		v.detect(e)
	case plans.MemorySizeKind:
		v.size(e)
	case plans.MemoryScanKind:
		v.scan(e)
	case plans.ClockKind:
		v.clocks(e, plans.SpecOf[plans.Clock](step))
	case plans.ImageKind:
		return e, v.pictures(e, plans.SpecOf[plans.Image](step))
	case plans.LoadKind:
		v.load(e, plans.SpecOf[plans.Load](step))
	case plans.SoakKind:
		v.soak(e, plans.SpecOf[plans.Soak](step))
	}
	return e, nil
}

func (v *visit) inspect(e *evidence, spec *plans.Inspection) {
	for _, item := range spec.Checklist {
		said := plans.Yes
		if v.card.flaws[item.Name] {
			said = plans.No
		}
		e.typed(item.Name, said)
	}
}

func (v *visit) rails(e *evidence, spec *plans.Rails) {
	shorted := false
	for _, name := range spec.Names(v.card.family) {
		rail, _ := v.card.family.Rail(name)
		if rail == nil {
			continue
		}
		ohms, known := v.card.ohms[name]
		if !known {
			ohms = usualOhms(rail)
		}
		shorted = shorted || rail.ShortBelow != nil && ohms <= rail.ShortBelow.Value
		e.typed(plans.OhmReading(name), v.shown(quantity.Resistance, "ohm", ohms, 0.001*ohms, 0.1))
	}
	if shorted { // nobody plugs it in
		return
	}
	for _, name := range spec.Names(v.card.family) {
		rail, _ := v.card.family.Rail(name)
		if rail == nil {
			continue
		}
		volts, known := v.card.volts[name]
		if !known {
			volts = rail.Voltage.Value
		}
		e.typed(plans.VoltReading(name), v.shown(quantity.Voltage, "V", volts, 0.001*volts, 0.01))
	}
}

// shown is what the bench's instrument for a quantity shows of a value.
func (v *visit) shown(dim quantity.Dimension, unit string, value, noise, usual float64) string {
	g, _ := v.bench.gauge(dim, "")
	shown, step := g.read(value, noise, usual, v.d)
	return written(shown, step, unitOf(dim, unit))
}

func (v *visit) detect(e *evidence) {
	s := v.card
	if s.silent {
		e.typed("detected", plans.No)
		return
	}
	e.typed("detected", plans.Yes)
	e.typed("bus", s.family.Bus.Kind)
	if s.id.Device != "" {
		e.typed("id", s.id.Vendor+":"+s.id.Device)
		if s.id.Subsystem != "" {
			e.typed("subsystem", s.id.SubsystemVendor+":"+s.id.Subsystem)
		}
	}
	if s.link != "" {
		e.typed("rate", s.link)
	}
	if s.family.Detected != "" && s.id == s.family.IDs[0] {
		e.typed("description", s.family.Detected)
	}
	if s.family.Bus.Kind != "PCIe" && v.d.chance(0.5) {
		e.dump = dumped(s.configuration(), s.window())
	}
}

// window is the size of the region through which the frame memory is seen: that
// of the whole memory, whatever of it works.
func (s *specimen) window() float64 {
	if len(s.family.Memory) == 0 {
		return 1 << 20
	}
	return s.family.Memory[0].Total.Value
}

func (v *visit) size(e *evidence) {
	for _, pool := range v.card.family.Memory {
		found := v.card.bytes[pool.Name]
		if pool.Reserved != nil && v.d.chance(0.3) {
			found -= pool.Reserved.Value
		}
		e.typed(plans.SizeReading(pool.Name), digits(found/(1<<20), 0.25)+" MiB")
	}
}

func (v *visit) scan(e *evidence) {
	tested := 0.0
	for _, pool := range v.card.family.Memory {
		if len(pool.Banks) == 0 || pool.ChipBits == 0 {
			continue
		}
		m := marching{pool: pool, stripe: v.d.chance(0.3), d: v.d}
		for _, f := range v.card.memory {
			if f.pool == pool.Name {
				m.faults = append(m.faults, f)
			}
		}
		l := list{rows: m.list(40 + v.d.IntN(260))}
		if len(v.card.family.Memory) > 1 {
			l.pool = pool.Name
		}
		l.data = listed(l.rows, pool.Total.Value, v.d)
		e.lists = append(e.lists, l)
		tested += pool.Total.Value
	}
	if tested > 0 && v.d.chance(0.5) {
		e.typed(plans.ScanTested, digits(tested/(1<<20), 1)+" MiB")
	}
}

func (v *visit) clocks(e *evidence, spec *plans.Clock) {
	for _, c := range v.card.family.Clocks {
		named := len(spec.Clocks) == 0
		for _, name := range spec.Clocks {
			named = named || name == c.Name
		}
		if !named {
			continue
		}
		// A readout on the screen counts against the crystal of the board itself.
		hz := v.card.clocks[c.Name]
		var texts []string
		for range 1 + 2*v.d.IntN(2) {
			texts = append(texts, v.shown(quantity.Frequency, "MHz", hz, 0.02e6, 0.1e6))
		}
		e.typed(c.Name, texts...)
	}
}

// pictures looks at every mode, and captures each picture of the plan in one.
func (v *visit) pictures(e *evidence, spec *plans.Image) error {
	modes := spec.Modes.On(v.card.family)
	for _, mode := range modes {
		e.typed(mode, v.card.seen(mode))
	}
	if v.card.depth > 0 {
		e.typed("depth", fmt.Sprintf("%d bit", v.card.depth))
	}
	mode := captureMode(modes)
	if v.ownPictures() {
		shots, err := v.card.shots(spec.Patterns, mode, v.d)
		e.shots = shots
		return err
	}
	shots, err := v.proof.album.take(v, spec.Patterns, mode)
	e.shots = shots
	return err
}

// seen is what the eye sees of a mode.
func (s *specimen) seen(mode string) string {
	for _, at := range []string{mode, anyMode} {
		if looks := s.looks[at]; looks != "" {
			return looks
		}
	}
	return plans.PictureClean
}

// anyMode stands in [specimen.looks] for every mode.
const anyMode = "*"

// shots captures pictures in a mode.
func (s *specimen) shots(patterns []string, mode string, d dice) ([]shot, error) {
	var out []shot
	for _, name := range patterns {
		frame := drawn(name, mode)
		if frame == nil {
			continue
		}
		p, err := s.capture(frame, d)
		if err != nil {
			return nil, err
		}
		kind := "bmp"
		if d.chance(0.1) {
			kind = "png"
		}
		out = append(out, shot{pattern: name, mode: mode, image: p.Image(), kind: kind})
	}
	return out, nil
}

func (v *visit) load(e *evidence, spec *plans.Load) {
	p := v.card.pace
	frozen := plans.No
	if p.freeze > 0 {
		frozen = plans.Yes
	}
	e.typed("frozen", frozen)
	e.typed("seen", v.card.seen(anyMode))
	seconds := 60.0
	if spec.Duration != nil {
		seconds = spec.Duration.Value * 1.02
	}
	counter, _ := v.bench.gauge(quantity.FrameRate, "")
	share := 0.0
	if counter.Instrument != nil {
		share = counter.error(p.fps) / p.fps
	}
	p.fps *= 1 + v.card.crystal
	for range max(spec.Runs, 1) {
		e.runs = append(e.runs, runTable(p.run(seconds, v.d), share, v.d))
	}
}

func (v *visit) soak(e *evidence, spec *plans.Soak) {
	seconds := 1800.0
	if spec.Duration != nil {
		seconds = spec.Duration.Value + 30
	}
	place := spec.Place(v.card.family)
	sensor, _ := v.bench.gauge(quantity.Temperature, place)
	air, _ := v.bench.gauge(quantity.Temperature, "ambient")
	every := []float64{2, 5, 10}[v.d.IntN(3)]
	seen := v.card.heat.soaked(seconds, every, v.bench.air, v.d)
	l := &soakLog{table: *soakTable(seen, sensor, air, every, v.d), place: place}
	if sensor.Instrument != nil {
		l.instrument = sensor.ID
	}
	e.soak = l
}

// memoryLooks is what a fault of the memory does to a picture, for the eye; the
// low lines of a pixel are easily missed.
func memoryLooks(f memoryFault, d dice) string {
	switch f.Kind {
	case memory.IsolatedCells:
		return ""
	case memory.ChipWeak:
		if d.chance(min(0.9, 20*f.Rate)) {
			return "coloured dots that flicker"
		}
		return ""
	case memory.LineStuck0, memory.LineStuck1, memory.LineOpen, memory.LinesShorted, memory.LinesSwapped:
		if d.chance(0.6) {
			return "thin coloured columns"
		}
		return ""
	}
	return "coloured columns all over the picture"
}
