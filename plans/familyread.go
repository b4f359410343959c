package plans

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"proveout/plans/document"
	"proveout/plans/quantity"
)

// A FamilyFile is a family with all its variants.
type FamilyFile struct {
	ID     string
	Title  string
	Maker  string
	Source string // the TOML text
	File   string // name of the file, for messages

	members []*Family // one for each variant, or the one family
}

// Variants returns the names of the variants in the order of the file; none
// when the family has no variants.
func (f *FamilyFile) Variants() []string {
	return slices.Clone(f.members[0].Aliases)
}

// Variant returns the family with the values of one variant. The name is empty
// for a family without variants.
func (f *FamilyFile) Variant(name string) (*Family, error) {
	for _, m := range f.members {
		if m.Variant == name {
			copied := *m
			return &copied, nil
		}
	}
	names := f.Variants()
	switch {
	case len(names) == 0:
		return nil, fmt.Errorf("family %q has no variants, so none is called %s", f.ID, quoted(name))
	case name == "":
		return nil, fmt.Errorf("family %q has the variants %s: say which one the card is", f.ID, list(names))
	}
	return nil, fmt.Errorf("family %q has no variant %s; %s", f.ID, quoted(name), didYouMean(name, names))
}

// ParseFamily reads a family. The name is that of the file, for messages. It
// returns the family, or nil and everything that is wrong, in the order of the
// file.
func ParseFamily(name string, data []byte) (*FamilyFile, []Problem) {
	c, root := readDocument(name, data, `begin with id = "…", or copy a family of the library`)
	if root == nil {
		return nil, c.sorted()
	}
	f := &FamilyFile{Source: string(data), File: name}
	s := newSection(c, root, "", familyKeys)
	f.ID, f.Title, f.Maker = s.ident("id"), s.text("title"), s.text("maker")
	variants := s.groups("variant", variantKeys)
	s.nonEmpty("variant", "remove it")
	unique(variants, "name")
	if len(variants) > maxVariants {
		c.add(variants[maxVariants].t.At, fmt.Sprintf("variant: more than %d variants", maxVariants), "make it two families")
		variants = variants[:maxVariants]
	}
	if len(variants) == 0 {
		f.members = []*Family{readFamily(c, root)}
	} else {
		f.members = readVariants(c, root, variants)
	}
	if len(c.problems) > 0 {
		return nil, c.sorted()
	}
	for _, m := range f.members {
		m.Source, m.File = f.Source, f.File
	}
	return f, nil
}

// maxVariants bounds the work on a file: the family is read once for each.
const maxVariants = 32

// readVariants reads the family once for each variant.
func readVariants(c *collector, root *document.Table, variants []*section) []*Family {
	before := c.partial
	c.partial = true // the family alone may lack what every variant gives
	readFamily(c, root)
	c.partial = before
	var names []string
	var members []*Family
	for _, v := range variants {
		name := v.label("name")
		names = append(names, name)
		if c.full() {
			c.many = true
			break
		}
		m := readFamily(c, merge(c, root, v))
		m.Variant = name
		members = append(members, m)
	}
	for _, m := range members {
		m.Aliases = names
	}
	return members
}

// merge puts the keys of a variant in place of the family's.
func merge(c *collector, root *document.Table, v *section) *document.Table {
	out := root.Clone()
	for _, e := range v.t.Entries {
		old := out.Get(e.Key)
		switch {
		case e.Key == "name":
		case !slices.Contains(keyNames(variantKeys), e.Key):
		case old == nil && !isNamedList(e.Key):
			out.Set(e)
		case old != nil && e.Value.Type == document.Group && old.Value.Type == document.Group:
			for _, inner := range e.Value.Table.Entries {
				old.Value.Table.Set(inner)
			}
		case isNamedList(e.Key) && e.Value.Type == document.Array && (old == nil || old.Value.Type == document.Array):
			mergeList(c, out, e, v)
		default:
			out.Set(e)
		}
	}
	return out
}

// isNamedList reports whether the tables of a key are told apart by name.
func isNamedList(key string) bool {
	return key == "memory" || key == "clock" || key == "rail" || key == "reference"
}

func mergeList(c *collector, out *document.Table, e *document.Entry, v *section) {
	old := out.Get(e.Key)
	if len(e.Value.Items) > maxItems || old != nil && len(old.Value.Items) > maxItems {
		return // reported where the list is read
	}
	if old == nil {
		old = &document.Entry{Key: e.Key, At: e.At, Value: &document.Value{Type: document.Array, At: e.Value.At}}
		out.Set(old)
		old = out.Get(e.Key)
	}
	for _, item := range e.Value.Items {
		if item.Type != document.Group {
			old.Value.Items = append(old.Value.Items, item) // the wrong type is reported there
			continue
		}
		id := identity(item, e.Key)
		i := slices.IndexFunc(old.Value.Items, func(o *document.Value) bool { return o.Type == document.Group && identity(o, e.Key) == id })
		switch {
		case e.Key == "reference" && i >= 0:
			old.Value.Items[i] = item
		case e.Key == "reference":
			old.Value.Items = append(old.Value.Items, item)
		case i >= 0:
			for _, inner := range item.Table.Entries {
				old.Value.Items[i].Table.Set(inner)
			}
		default:
			unknownInVariant(c, old, item, e.Key, v)
		}
	}
}

// identity tells the tables of a list apart.
func identity(v *document.Value, key string) string {
	get := func(k string) string {
		if e := v.Table.Get(k); e != nil {
			return e.Value.Text
		}
		return ""
	}
	if key == "reference" {
		return get("workload") + "\x00" + get("bench")
	}
	return get("name")
}

func unknownInVariant(c *collector, old *document.Entry, item *document.Value, key string, v *section) {
	name := identity(item, key)
	at := item.At
	if e := item.Table.Get("name"); e != nil {
		at = e.Value.At
	}
	var names []string
	for _, o := range old.Value.Items {
		if o.Type == document.Group {
			names = append(names, identity(o, key))
		}
	}
	fix := "give the family a " + key + " of this name first"
	if len(names) > 0 {
		fix = didYouMean(name, names)
	}
	what := ": the family has no " + key + " called " + quoted(name)
	if name == "" {
		what = ": a variant says by name which " + key + " of the family it changes"
	}
	c.add(at, v.name(key)+what, fix)
}

func readFamily(c *collector, root *document.Table) *Family {
	s := newSection(c, root, "", familyKeys)
	f := &Family{ID: s.ident("id"), Title: s.need("title", `"…"`), Maker: s.need("maker", `"…"`), Detected: s.text("detected")}
	s.missingTable("bus", "[bus]")
	s.missingTable("device", "[[device]]")
	s.missingTable("memory", "[[memory]]")
	if g := s.group("bus", busKeys); g != nil {
		f.Bus = readBus(g)
	}
	for _, g := range s.groups("device", deviceKeys) {
		f.IDs = append(f.IDs, readDevice(g))
	}
	f.Memory = readMemories(s)
	readClocks(s, f)
	if g := s.group("thermal", thermalKeys); g != nil {
		f.Thermal = readThermal(g)
	}
	readRails(s, f)
	readReferences(s, f)
	if n, ok := s.whole("max_depth", 1, 32); ok {
		f.MaxDepth = n
		if !slices.Contains(depths, n) {
			s.problem("max_depth", strconv.Itoa(n)+" is no depth", "write 8, 15, 16, 24 or 32")
		}
	}
	readFamilyModes(s, f)
	return f
}

// readFamilyModes reads the modes and holds them against depth and memory.
func readFamilyModes(s *section, f *Family) {
	s.texts("modes")
	s.nonEmpty("modes", "name one, or remove the key")
	frame := f.frameMemory()
	for _, m := range readModes(s, "modes") {
		f.Modes = append(f.Modes, m.Mode)
		if s.c.partial {
			continue
		}
		if f.MaxDepth > 0 && m.Depth > f.MaxDepth {
			s.c.add(m.at, fmt.Sprintf("%s: %s is deeper than max_depth, %d bits", s.name("modes"), quoted(m.Text), f.MaxDepth), "")
		}
		if frame > 0 && m.Bytes() > frame {
			s.c.add(m.at, fmt.Sprintf("%s: %s needs %s, and the card has %s for the picture", s.name("modes"), quoted(m.Text),
				quantity.Format(float64(m.Bytes()), 1<<10, quantity.Bytes), quantity.Format(float64(frame), 0, quantity.Bytes)), "remove the mode, or put the memory right")
		}
	}
}

// frameMemory returns the bytes that may hold the picture, 0 when unknown.
func (f *Family) frameMemory() int64 {
	for _, m := range f.Memory {
		if m.Name == "frame" || len(f.Memory) == 1 {
			return int64(m.Total.Value)
		}
	}
	return 0
}

func readDevice(s *section) DeviceID {
	hex := func(key string) string {
		t := strings.ToLower(s.text(key))
		if t == "" {
			return ""
		}
		t = strings.TrimPrefix(t, "0x")
		if n, err := strconv.ParseUint(t, 16, 16); err != nil || len(t) != 4 {
			s.problem(key, quoted(t)+" is not four hex digits", `write it like "e7a3"`)
		} else if n == 0xffff && (key == "vendor" || key == "device") {
			// PCI Local Bus Specification 2.x, 6.2.1: FFFFh is no valid vendor (from memory)
			s.problem(key, `"ffff" is what an empty slot answers`, "write the card's own ID")
		}
		return t
	}
	s.missing("vendor", `"e7a3"`)
	s.missing("device", `"0143"`)
	return DeviceID{Vendor: hex("vendor"), Device: hex("device"), SubsystemVendor: hex("subsystem_vendor"), Subsystem: hex("subsystem")}
}

func readClocks(s *section, f *Family) {
	clocks := s.groups("clock", clockKeys)
	unique(clocks, "name")
	for _, g := range clocks {
		c := FamilyClock{Name: g.label("name"), Source: g.need("source", `"common practice, no source"`)}
		g.missing("value", `"166 MHz ±1 %"`)
		if q := g.quantity("value", quantity.Frequency, aboveZero); q != nil {
			c.Value = *q
			g.tolerated("value", *q)
		}
		if sy := g.group("synthesizer", synthesizerKeys); sy != nil {
			c.Synthesizer = readSynthesizer(sy)
		}
		f.Clocks = append(f.Clocks, c)
	}
}

// readSynthesizer reads what a clock is made with. The spans are those that
// registers of the trade have room for (common practice, no source).
func readSynthesizer(s *section) *Synthesizer {
	span := func(key string, least, most int, absent Span) Span {
		if !s.has(key) {
			return absent
		}
		r, err := ParseSpan(s.text(key))
		if err != nil {
			s.problem(key, err.Error(), `write it like "8-129"`)
		} else if r.Low < least || r.High > most {
			s.problem(key, fmt.Sprintf("the range %d to %d is not within %d to %d", r.Low, r.High, least, most), "write what the divider divides by, not the register's value")
		}
		return r
	}
	hertz := func(key string) float64 {
		if q := s.quantity(key, quantity.Frequency, aboveZero); q != nil {
			return q.Value
		}
		return 0
	}
	s.missing("n", `"8-129"`)
	s.missing("m", `"2-31"`)
	out := &Synthesizer{N: span("n", 1, 1<<16, Span{}), M: span("m", 1, 1<<12, Span{}), K: span("k", 0, 10, Span{}),
		Reference: hertz("reference"), VCOMin: hertz("vco_min"), VCOMax: hertz("vco_max"), CompareMin: hertz("compare_min")}
	if out.VCOMax > 0 && out.VCOMin > out.VCOMax {
		s.problem("vco_min", "vco_min is above vco_max", "write the smaller frequency first")
	}
	return out
}

// tolerated complains of a limit without a tolerance.
func (s *section) tolerated(key string, q quantity.Quantity) {
	if !q.Tolerated {
		s.problem(key, quoted(q.Text)+" has no tolerance", `write it with one, such as "`+strings.TrimSpace(q.Text)+` ±1 %"`)
	}
}

func readThermal(s *section) Thermal {
	t := Thermal{
		Cooling:      s.word("cooling", "", "passive", "fan"),
		Sensor:       s.word("sensor", "", places...),
		MaxTemp:      s.exact("max_temp", quantity.Temperature, anything),
		MaxRating:    s.exact("max_rating", quantity.Temperature, anything),
		RatedAmbient: s.exact("rated_ambient", quantity.Temperature, anything),
		Power:        s.quantity("power", quantity.Power, aboveZero),
		Source:       s.text("source"),
	}
	s.missing("cooling", `"passive" or "fan"`)
	if s.has("max_temp") {
		s.missing("sensor", `"heatsink": where max_temp applies`)
		s.missing("source", `"common practice, no source"`)
	}
	rises := s.groups("rise", riseKeys)
	unique(rises, "card")
	for _, g := range rises {
		r := RiseReference{Card: g.need("card", `"…"`)}
		g.missing("rise", `"31.2 K"`)
		if q := g.exact("rise", quantity.Difference, aboveZero); q != nil {
			r.Rise = *q
		}
		t.Rise = append(t.Rise, r)
	}
	if s.c.partial {
		return t
	}
	if t.MaxTemp != nil && t.MaxRating != nil && t.MaxTemp.Value > t.MaxRating.Value {
		s.problem("max_temp", "the limit "+t.MaxTemp.Text+" is above the maximum rating of "+t.MaxRating.Text, "write a limit below the rating")
	}
	if t.MaxTemp != nil && t.RatedAmbient != nil && t.RatedAmbient.Value >= t.MaxTemp.Value {
		s.problem("rated_ambient", "the ambient "+t.RatedAmbient.Text+" is not below the limit of "+t.MaxTemp.Text, "")
	}
	return t
}

func readRails(s *section, f *Family) {
	rails := s.groups("rail", railKeys)
	unique(rails, "name")
	for _, g := range rails {
		r := Rail{Name: g.label("name"), Source: g.text("source")}
		if name := g.text("slot"); name != "" {
			standard, ok := SlotRail(name)
			if !ok {
				g.problem("slot", quoted(name)+" is no rail of a slot", didYouMean(name, slotRailNames()))
			}
			r.Voltage = standard.Voltage
			if r.Source == "" {
				r.Source = standard.Source
			}
		} else {
			g.missing("voltage", `"3.3 V ±0.3 V"`)
			g.missing("source", `"common practice, no source"`)
		}
		if q := g.quantity("voltage", quantity.Voltage, anything); q != nil {
			r.Voltage = *q
			g.tolerated("voltage", *q)
			if q.Value == 0 || q.Value > 0 && q.Tolerated && q.Minus >= q.Value {
				g.problem("voltage", quoted(q.Text)+" takes in 0 V: a dead rail would pass", "write a smaller tolerance")
			}
		}
		r.Resistance = g.quantity("resistance", quantity.Resistance, aboveZero)
		for _, q := range g.quantities("good", quantity.Resistance) {
			if q.Value <= 0 {
				g.problem("good", quoted(q.Text)+" is not above 0", "leave out a card that read as shorted")
			}
			r.Good = append(r.Good, q.Value)
		}
		r.ShortBelow = g.exact("short_below", quantity.Resistance, aboveZero)
		if r.Resistance != nil && r.ShortBelow != nil && r.ShortBelow.Value >= r.Resistance.Value {
			g.problem("short_below", quoted(r.ShortBelow.Text)+" is not below the resistance of a good card, "+r.Resistance.Text, "")
		}
		f.Rails = append(f.Rails, r)
	}
}

func readReferences(s *section, f *Family) {
	seen := map[string]int{}
	for _, g := range s.groups("reference", referenceKeys) {
		r := ReferenceSet{
			Workload: g.need("workload", `"…"`),
			Bench:    g.need("bench", `"bench-1"`),
			Unit:     g.need("unit", `"fps"`),
			Better:   g.word("better", "higher", "higher", "lower"),
			Source:   g.text("source"),
		}
		if line := seen[r.Workload+"\x00"+r.Bench]; line > 0 {
			g.problem("workload", fmt.Sprintf("workload %s on bench %s stands twice; first on line %d", quoted(r.Workload), quoted(r.Bench), line), "put the scores into one set")
		}
		seen[r.Workload+"\x00"+r.Bench] = g.t.At.Line
		g.missing("scores", `[{ card = "…", value = 61.2 }]`)
		g.nonEmpty("scores", "add a score, or remove the set")
		scores := g.groups("scores", scoreKeys)
		unique(scores, "card")
		for _, sc := range scores {
			sc.missing("value", "61.2")
			v, _ := sc.number("value")
			r.Scores = append(r.Scores, ReferenceScore{Card: sc.need("card", `"…"`), Value: v, Job: sc.text("job"), By: sc.text("by"), When: sc.date("when")})
		}
		f.Reference = append(f.Reference, r)
	}
}
