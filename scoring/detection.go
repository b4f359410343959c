package scoring

import (
	"fmt"
	"slices"
	"strings"

	"proveout/plans"
	"proveout/plans/fact"
	"proveout/scoring/conformity"
)

var _ = judges(plans.DetectionKind, (*judge).detection)

// detection compares what the system found with what the family is. A dump of
// the card's configuration space is decoded and compared as well; words that
// nobody typed are taken from it, and where it denies what was typed nothing is
// decided.
func (j *judge) detection(*plans.Detection) {
	dump := j.dumped()
	if dump == nil {
		j.detectionWords()
		return
	}
	denied := j.contradictions(dump)
	j.fromDump(dump)
	j.detectionWords()
	j.deny(denied)
	if _, ok := denied["detected"]; ok {
		j.out.Reason = fact.Fact{} // not detected, says what was typed; the dump shows it
	}
	j.dumpChecks(dump, denied)
}

// detectionWords judges what was typed.
func (j *judge) detectionWords() {
	family := j.in.Family
	found := j.word("detected", "Card detected", plans.Yes, sameWords)
	j.check(found)
	if found.Verdict == conformity.Fail {
		j.cause(0.7, "the card is not detected", "Clean and reseat the edge contacts; then check the supply rails, the reset and clock pins at the edge connector, the firmware chip and its socket, and the solder joints of the main chip.")
		j.out.Reason = english("The card is not detected.")
		return
	}
	j.check(j.word("bus", "Bus", family.Bus.Kind, sameWords))
	if len(family.IDs) > 0 {
		id := j.word("id", "Vendor and device ID", idList(family.IDs), func(_, got string) bool { return knownID(family.IDs, got) })
		j.check(id)
		if id.Verdict == conformity.Fail {
			j.cause(0.6, fmt.Sprintf("the card says it is %s, not %s", said(id.Text), idList(family.IDs)), "Wrong family or variant chosen, wrong firmware in the chip, or an open or bridged address/data pin at the main chip's bus side.")
		}
		if family.IDs[0].Subsystem != "" {
			if _, read := j.attempt.Latest("subsystem"); read {
				want := family.IDs[0].SubsystemVendor + ":" + family.IDs[0].Subsystem
				j.check(j.word("subsystem", "Subsystem ID", want, sameWords))
			}
		}
	}
	j.linkRate()
	if family.Detected != "" {
		if _, read := j.attempt.Latest("description"); read {
			j.check(j.word("description", "Description", family.Detected, func(want, got string) bool {
				return strings.Contains(foldWords(got), foldWords(want))
			}))
		}
	}
}

// linkRate compares the rate in use with the highest that card and slot both offer.
func (j *judge) linkRate() {
	bus := j.in.Family.Bus
	if len(bus.Rates) == 0 {
		return
	}
	want := j.bestCommonRate()
	c := j.word("rate", "Link rate", want, sameWords)
	if c.Verdict != conformity.NotRun {
		got, best := slices.Index(bus.Rates, said(c.Text)), slices.Index(bus.Rates, want)
		switch {
		case got < 0:
			c.Verdict, c.Reason = conformity.Fail, english(fmt.Sprintf("Link rate: %s is not a rate the card offers (%s).", said(c.Text), strings.Join(bus.Rates, ", ")))
		case got < best:
			c.Verdict, c.Reason = conformity.Fail, english(fmt.Sprintf("Link rate: %s in use, but card and slot both offer %s.", said(c.Text), want))
			j.cause(0.5, "the link runs below what both ends offer ("+said(c.Text)+" of "+want+")", "Edge contacts and the joints of the bus lines at the main chip; strobe lines; the bench's set-up menu.")
		case got > best:
			c.Verdict, c.Reason = conformity.Fail, english(fmt.Sprintf("Link rate: %s in use, but the slot offers no more than %s: the reading or the bench's entry is wrong.", said(c.Text), want))
		default:
			c.Verdict, c.Reason = conformity.Pass, english(fmt.Sprintf("Link rate: %s, the highest that card and slot both offer.", said(c.Text)))
		}
	}
	j.check(c)
}

func (j *judge) bestCommonRate() string {
	bus := j.in.Family.Bus
	best := bus.Expect
	bench, ok := j.in.Shop.Bench(j.in.Job.Bench)
	if !ok || len(bench.Slot.Rates) == 0 {
		return best
	}
	for i := len(bus.Rates) - 1; i >= 0; i-- {
		if slices.Contains(bench.Slot.Rates, bus.Rates[i]) {
			common := bus.Rates[i]
			if best == "" || slices.Index(bus.Rates, common) < slices.Index(bus.Rates, best) {
				return common
			}
			return best
		}
	}
	return best
}

// word judges a reading that is a word against the one expected.
func (j *judge) word(name, title, want string, same func(want, got string) bool) Check {
	c := Check{Name: name, Title: english(title), Limits: &Limits{Text: english(want)}}
	r, ok := j.attempt.Latest(name)
	if !ok {
		c.Reason = english(title + " was not read.")
		return c
	}
	c.Text = english(wordOf(r))
	if same(want, said(c.Text)) {
		c.Verdict, c.Reason = conformity.Pass, english(fmt.Sprintf("%s: %s, as expected.", title, said(c.Text)))
		return c
	}
	c.Verdict, c.Reason = conformity.Fail, english(fmt.Sprintf("%s: %s, expected %s.", title, said(c.Text), want))
	return c
}

func idList(ids []plans.DeviceID) string {
	var out []string
	for _, id := range ids {
		out = append(out, id.Vendor+":"+id.Device)
	}
	return strings.Join(out, " or ")
}

func knownID(ids []plans.DeviceID, got string) bool {
	got = strings.ToLower(strings.ReplaceAll(strings.TrimSpace(got), "0x", ""))
	return slices.ContainsFunc(ids, func(id plans.DeviceID) bool {
		return got == strings.ToLower(id.Vendor+":"+id.Device)
	})
}
