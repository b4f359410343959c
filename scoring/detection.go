package scoring

import (
	"slices"
	"strings"

	"proveout/plans"
	"proveout/plans/fact"
	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
)

var _ = judges(plans.DetectionKind, (*judge).detection)

// A detectionJudge works on one attempt at detection.
type detectionJudge struct {
	*judge
	dump   *dumpedDevice     // nil without a dump
	denied map[string]string // what the dump says, by the names of the words that it denies
}

// detection compares what the system found with what the family is. A dump of
// the card's configuration space is decoded and compared as well; words that
// nobody typed are taken from it, and where it denies what was typed nothing is
// decided.
func (j *judge) detection(*plans.Detection) {
	d := &detectionJudge{judge: j, dump: j.dumped()}
	if d.dump != nil {
		d.denied = d.contradictions()
		d.fromDump()
	}
	d.words()
	if d.dump != nil {
		d.dumpChecks()
	}
}

// words judges what was typed, or taken from the dump.
func (j *detectionJudge) words() {
	family := j.in.Family
	found := j.word("detected", fact.New("detection.card"), plans.Yes)
	j.check(found)
	if found.Verdict == conformity.Fail {
		j.suspect(0.7, fact.New("detection.not-found"), fact.New("detection.look-contacts"))
		j.out.Reason = fact.New("detection.not-detected")
		return
	}
	if j.denied["detected"] != "" {
		return
	}
	j.check(j.word("bus", fact.New("detection.bus"), family.Bus.Kind))
	if len(family.IDs) > 0 {
		j.ids()
	}
	j.linkRate()
	if _, read := j.attempt.Latest("description"); read && family.Detected != "" {
		title, wanted := fact.New("detection.description"), fact.Text(fact.Name(family.Detected))
		j.check(j.wordThat("description", title, wanted, func(got string) bool {
			return strings.Contains(foldWords(got), foldWords(family.Detected))
		}))
	}
}

// ids judges the IDs of the card and of its board.
func (j *detectionJudge) ids() {
	known := j.in.Family.IDs
	wanted := idList(known)
	title := fact.New("detection.id")
	id := j.wordThat("id", title, wanted, func(got string) bool { return knownID(known, got) })
	j.check(id)
	if id.Verdict == conformity.Fail {
		j.suspect(0.6, fact.New("detection.other-id", "id", id.Text, "wanted", wanted), fact.New("detection.look-id"))
	}
	if _, read := j.attempt.Latest("subsystem"); read && known[0].Subsystem != "" {
		board := known[0].SubsystemVendor + ":" + known[0].Subsystem
		j.check(j.word("subsystem", fact.New("detection.subsystem"), board))
	}
}

// linkRate compares the rate in use with the highest that card and slot both offer.
func (j *detectionJudge) linkRate() {
	rates := j.in.Family.Bus.Rates
	if len(rates) == 0 {
		return
	}
	want := j.bestCommonRate()
	c := j.word("rate", fact.New("detection.rate"), want)
	r, read := j.attempt.Latest("rate")
	if !read || j.denied["rate"] != "" {
		j.check(c)
		return
	}
	rate := wordOf(r)
	c.Verdict = conformity.Fail
	got, best := slices.Index(rates, rate), slices.Index(rates, want)
	switch {
	case got < 0:
		c.Reason = fact.New("detection.no-such-rate", "rate", rate, "rates", fact.Names(fact.Comma, rates))
	case got < best:
		c.Reason = fact.New("detection.slow", "rate", rate, "best", want)
		j.suspect(0.5, fact.New("detection.below-both", "rate", rate, "best", want), fact.New("detection.look-link"))
	case got > best:
		c.Reason = fact.New("detection.too-fast", "rate", rate, "best", want)
	default:
		c.Verdict, c.Reason = conformity.Pass, fact.New("detection.best-rate", "rate", rate)
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
func (j *detectionJudge) word(name string, title fact.Fact, want string) outcome.Check {
	return j.wordThat(name, title, plans.Answer(want), func(got string) bool { return plans.SameWords(want, got) })
}

// wordThat judges a reading that is a word by what fits makes of it. What the
// dump denies is left undecided.
func (j *detectionJudge) wordThat(name string, title, wanted fact.Fact, fits func(got string) bool) outcome.Check {
	c := outcome.Check{Name: name, Title: title, Limits: &conformity.Limits{Text: wanted}}
	r, ok := j.attempt.Latest(name)
	if !ok {
		c.Reason = notRead(title)
		return c
	}
	c.Text = plans.Answer(wordOf(r))
	dump, denied := j.denied[name]
	switch {
	case denied:
		c.Verdict = conformity.Inconclusive
		c.Reason = fact.New("detection.denied", "title", title, "typed", c.Text, "dump", plans.Answer(dump))
		c.Settle = fact.New("detection.dump-again")
	case fits(wordOf(r)):
		c.Verdict, c.Reason = conformity.Pass, fact.New("detection.as-expected", "title", title, "got", c.Text)
	default:
		c.Verdict = conformity.Fail
		c.Reason = fact.New("detection.unexpected", "title", title, "got", c.Text, "wanted", wanted)
	}
	return c
}

func idList(ids []plans.DeviceID) fact.Fact {
	var out []string
	for _, id := range ids {
		out = append(out, id.Vendor+":"+id.Device)
	}
	return fact.Text(fact.Names(fact.Or, out))
}

func knownID(ids []plans.DeviceID, got string) bool {
	got = strings.ToLower(strings.ReplaceAll(strings.TrimSpace(got), "0x", ""))
	return slices.ContainsFunc(ids, func(id plans.DeviceID) bool {
		return got == strings.ToLower(id.Vendor+":"+id.Device)
	})
}

func foldWords(s string) string { return strings.ToLower(strings.Join(strings.Fields(s), " ")) }
