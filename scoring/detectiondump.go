package scoring

import (
	"fmt"
	"slices"
	"strings"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/scoring/bus"
	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
)

// A dumpedDevice is a dump and the device found in it, in the step's detail.
type dumpedDevice struct {
	File      string        `json:"file"`
	SHA256    string        `json:"sha256"`
	Device    bus.Device    `json:"device"`
	Detection bus.Detection `json:"detection"`
}

// dumped decodes the last dump of configuration space of the attempt and finds
// the card in it. It returns nil when there is no dump or no device in it; what
// is wrong is then an undecided check.
func (j *judge) dumped() *dumpedDevice {
	if len(j.attempt.Dumps) == 0 {
		return nil
	}
	file := j.attempt.Dumps[len(j.attempt.Dumps)-1]
	device, err := j.deviceIn(file)
	if err != nil {
		j.check(outcome.Check{
			Name:     "dump",
			Title:    fact.New("detection.space"),
			Verdict:  conformity.Inconclusive,
			Evidence: []string{file.SHA256},
			Reason:   fact.New("outcome.says", "of", file.Name, "what", fact.Why(err)),
		})
		return nil
	}
	for _, note := range device.Notes {
		j.warning(fact.New("outcome.doubt", "of", file.Name, "what", note))
	}
	return &dumpedDevice{File: file.Name, SHA256: file.SHA256, Device: device}
}

// deviceIn returns the device of a dump that is the family's, else the first
// display controller.
func (j *judge) deviceIn(file reading.Evidence) (bus.Device, error) {
	data, err := reading.ReadAll(j.in.Files, file, reading.MostDump)
	if err != nil {
		return bus.Device{}, fact.New("outcome.not-readable-again", "why", fact.Why(err)).Err()
	}
	devices, problems := bus.ParseDump(data)
	if len(devices) == 0 {
		var wrong []fact.Fact
		for _, p := range problems {
			wrong = append(wrong, p.Fact())
		}
		return bus.Device{}, fact.Text(fact.ListOf(fact.Semicolon, wrong)).Err()
	}
	device, found := bus.FindDevice(devices, j.in.Family)
	if !found {
		return bus.Device{}, fact.New("detection.no-display").Err()
	}
	return device, nil
}

// fromDump fills in the words that nobody typed with what the dump says.
func (j *detectionJudge) fromDump() {
	a := *j.attempt
	a.Readings = slices.Clone(a.Readings)
	source := reading.Source{Kind: "file", Evidence: j.dump.SHA256}
	for _, w := range dumpedWords(j.dump.Device) {
		if _, typed := j.attempt.Latest(w.name); !typed && w.says != "" && w.name != "subsystem" {
			a.Readings = append(a.Readings, reading.Reading{Name: w.name, Word: w.says, Text: w.says, Source: source})
		}
	}
	j.attempt = &a
}

// A dumpedWord is what a dump says of a reading that is a word; "" where it says
// nothing.
type dumpedWord struct{ name, says string }

func dumpedWords(d bus.Device) []dumpedWord {
	kind, rate := d.Link()
	return []dumpedWord{
		{"detected", plans.Yes},
		{"bus", kind},
		{"id", dumpedID(d)},
		{"rate", rate},
		{"subsystem", strings.ReplaceAll(d.Subsystem, "0x", "")},
	}
}

func dumpedID(d bus.Device) string {
	return strings.TrimPrefix(d.VendorID, "0x") + ":" + strings.TrimPrefix(d.DeviceID, "0x")
}

// contradictions returns the words that were typed and that the dump denies.
// One of the two is of another card, or a slip: nobody can tell which.
func (j *detectionJudge) contradictions() map[string]string {
	out := map[string]string{}
	for _, w := range dumpedWords(j.dump.Device) {
		r, typed := j.attempt.Latest(w.name)
		if typed && w.says != "" && !plans.SameWords(strings.ReplaceAll(wordOf(r), "0x", ""), w.says) {
			out[w.name] = w.says
		}
	}
	return out
}

// dumpChecks judges the dump against the family.
func (j *detectionJudge) dumpChecks() {
	var slotRates []string
	if bench, ok := j.in.Shop.Bench(j.in.Job.Bench); ok {
		slotRates = bench.Slot.Rates
	}
	d := j.dump
	d.Detection = bus.Detect(d.Device, j.in.Family, slotRates)
	j.out.Detail = map[string]any{"configuration_space": d}
	seen := map[string]int{}
	for _, x := range d.Detection.Differences {
		c := j.difference(x)
		if seen[c.Name]++; seen[c.Name] > 1 {
			c.Name += fmt.Sprintf("-%d", seen[c.Name])
		}
		j.check(c)
	}
	if len(d.Detection.Differences) == 0 {
		id := dumpedID(d.Device)
		j.check(outcome.Check{
			Name:     "dump",
			Title:    fact.New("detection.space"),
			Text:     fact.Text(fact.Name(id)),
			Verdict:  conformity.Pass,
			Evidence: []string{d.SHA256},
			Limits:   &conformity.Limits{Text: fact.New("detection.as-family")},
			Reason:   fact.New("detection.space-fits", "id", id, "file", d.File),
		})
	}
}

// difference judges one point in which the dump is not as the family states.
func (j *detectionJudge) difference(x bus.Difference) outcome.Check {
	c := outcome.Check{
		Name:     "dump." + strings.NewReplacer("_", "-", " ", "-").Replace(x.Field),
		Title:    fact.New("detection.in-dump", "field", x.Title()),
		Text:     x.Got,
		Limits:   &conformity.Limits{Text: x.Want},
		Verdict:  x.Verdict,
		Evidence: []string{j.dump.SHA256},
	}
	c.Reason = fact.New("detection.differs", "title", c.Title, "got", x.Got, "wanted", x.Want, "meaning", x.Meaning)
	_, typed := j.attempt.Latest("rate")
	switch {
	case x.Verdict == conformity.Fail && j.denied[typedField(x.Field)] != "":
		c.Verdict = conformity.Inconclusive
		c.Reason = fact.Text(fact.Sentences(c.Reason, fact.New("detection.typed-otherwise")))
	case x.Verdict == conformity.Fail:
		j.suspect(0.5,
			fact.New("detection.not-as-wanted", "field", x.Title(), "got", x.Got, "wanted", x.Want),
			sentence(x.Meaning))
	case x.Field == "memory window", x.Field == "capability", x.Field == "agp link" && typed:
		// the dump cannot settle it, and nothing contradicts
		c.Informative, c.Verdict = true, conformity.NotApplicable
	}
	return c
}

// typedField names the typed word that a field of the dump belongs to.
func typedField(field string) string {
	switch field {
	case "vendor_id", "device_id", "device":
		return "id"
	case "subsystem", "subsystem_vendor":
		return "subsystem"
	case "agp link", "express width":
		return "rate"
	case "capability":
		return "bus"
	}
	return ""
}
