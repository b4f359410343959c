package scoring

import (
	"fmt"
	"slices"
	"strings"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/quantity"
	"proveout/scoring/conformity"
	"proveout/scoring/memory"
)

var _ = judges(plans.MemoryScanKind, (*judge).memoryScan)

// A scannedList is one list of failing addresses and what it shows, in the
// step's detail.
type scannedList struct {
	File   string `json:"file"`
	SHA256 string `json:"sha256"`
	Pool   string `json:"memory,omitempty"`
	Bad    int64  `json:"bad_rows"`
	memory.FaultReport
}

// memoryScan judges the lists of failing addresses of a memory test: an empty
// list passes, a failing one names chip and line, and a list that cannot speak
// for this memory decides nothing. What the march test of the plan can and
// cannot detect is said beside the verdict.
func (j *judge) memoryScan(spec *plans.MemoryScan) {
	j.march(spec.March)
	var lists []*reading.Log
	for i := range j.attempt.Logs {
		if l := &j.attempt.Logs[i]; l.Failures != nil {
			lists = append(lists, l)
		}
	}
	failing := int64(0)
	var scanned []scannedList
	for i, l := range lists {
		c, s := j.scanList(l, i)
		failing += s.Rows
		scanned = append(scanned, s)
		j.check(c)
	}
	if len(scanned) > 0 {
		j.out.Detail = map[string]any{"memory_scan": scanned}
	}
	j.scanCount(len(lists), failing)
	j.scanCovered()
}

// march says what the test that was run is able to show.
func (j *judge) march(name string) {
	if name == "" {
		j.remark("The plan does not say which memory test was run, so what an empty list proves is not stated.")
		return
	}
	j.condition("march test", name)
	test, ok := memory.LookupMarch(name)
	if !ok {
		j.remark("%q is no march test that is known here: what it can and cannot detect is not stated.", name)
		return
	}
	j.remark("%s", said(test.Statement()))
}

// scanPool returns the memory that a list is about.
func scanPool(family *plans.Family, name string) (*plans.MemoryPool, string) {
	var withChips []*plans.MemoryPool
	for i := range family.Memory {
		p := &family.Memory[i]
		if len(p.Banks) == 0 || p.ChipBits == 0 {
			continue
		}
		if name != "" && p.Name == name {
			return p, ""
		}
		withChips = append(withChips, p)
	}
	switch {
	case len(withChips) == 0:
		return nil, "the family does not say which chips its memory is made of"
	case name != "":
		return nil, fmt.Sprintf("the family has no %q memory", name)
	case len(withChips) > 1:
		return nil, "the list does not say which memory of the card it is about: import it with --pool"
	}
	return withChips[0], ""
}

func (j *judge) scanList(l *reading.Log, i int) (Check, scannedList) {
	c := Check{Name: "list", Title: english("Failing addresses in " + l.Name), Limits: &Limits{High: number(0), Text: english("none")}, Evidence: []string{l.SHA256}}
	if i > 0 {
		c.Name = fmt.Sprintf("list-%d", i+1)
	}
	s := scannedList{File: l.Name, SHA256: l.SHA256, Pool: l.Failures.Pool, Bad: l.Bad}
	undecided := func(reason string) (Check, scannedList) {
		c.Verdict, c.Reason = conformity.Inconclusive, english(fmt.Sprintf("%s: %s", l.Name, endSentence(reason)))
		return c, s
	}
	pool, why := scanPool(j.in.Family, l.Failures.Pool)
	if pool == nil {
		return undecided(why)
	}
	org := Organisation(*pool)
	if err := org.Check(); err != nil {
		return undecided(saidOfError(err))
	}
	f := memory.NewFailures(org)
	for rows, err := range j.in.Files.Failures(l) {
		if err != nil {
			return undecided("it cannot be read again: " + err.Error())
		}
		for k := range rows {
			f.Add((*memory.Failure)(&rows[k]))
		}
	}
	s.FaultReport = f.Report()
	c.Value, c.Text = number(float64(s.Rows)), english(countWords(s.Rows, "failing row", "failing rows"))
	if s.Bad > 0 {
		j.doubt("%s: %s could not be read and %s set aside", l.Name, countWords(s.Bad, "row", "rows"), wasWere(s.Bad))
	}
	if s.Outside > 0 {
		j.doubt("%s: %s outside the %s of the memory; if the list counts from another base, import it with --base", l.Name, countWords(s.Outside, "row lies", "rows lie"), pool.Total.Text)
	}
	switch {
	case s.Rows > 0:
		c.Verdict = conformity.Fail
		c.Reason = english(fmt.Sprintf("%s: %s.", l.Name, said(c.Text)))
		j.faults(s.Findings, &c)
	case s.Outside > 0:
		return undecided("every row lies outside the memory, so the list says nothing about this card")
	case s.Bad > 0:
		return undecided("it holds nothing but a row that cannot be read")
	case s.Agreeing > 0:
		c.Verdict, c.Reason = conformity.Pass, english(fmt.Sprintf("%s: %s back what was written; none failed.", l.Name, countWords(s.Agreeing, "row reads", "rows read")))
	default:
		c.Verdict, c.Reason = conformity.Pass, english(l.Name+": no failing address is listed.")
	}
	return c, s
}

// faults turns findings into causes; the same fault of a second list is not
// told again.
func (j *judge) faults(found []memory.Fault, c *Check) {
	if len(found) == 0 {
		j.cause(0.3, "memory fails, but no single fault explains the rows", "Supply, clock and temperature of the memory; run the test again and import the longer list.")
		return
	}
	c.Reason = english(said(c.Reason) + " " + endSentence(upperFirst(said(found[0].Fact()))))
	for _, x := range found {
		text := said(x.Fact())
		if slices.ContainsFunc(j.out.Causes, func(o Cause) bool { return said(o.Text) == text }) {
			continue
		}
		j.cause(x.Confidence, text, endSentence(upperFirst(said(x.Advice))))
		if len(x.Evidence) > 0 {
			j.remark("%s: %s", upperFirst(text), endSentence(strings.Join(saidAll(x.Evidence), "; ")))
		}
	}
}

// scanCount judges the number of failures that the test itself states.
func (j *judge) scanCount(lists int, listed int64) {
	r, typed := j.attempt.Latest(plans.ScanFailing)
	if !typed && lists > 0 {
		return
	}
	c := Check{Name: plans.ScanFailing, Title: english("Failing addresses stated"), Limits: &Limits{High: number(0), Text: english("none")}}
	if !typed {
		c.Reason = english("No list of failing addresses was imported, not even an empty one.")
		j.check(c)
		return
	}
	c.Value, c.Text = number(r.Number()), english(trimmed(r.Number()))
	switch {
	case r.Number() > 0 && lists > 0 && listed == 0:
		c.Verdict, c.Reason = conformity.Inconclusive, english(fmt.Sprintf("The test says that %s addresses failed, but the list shows none: one of them is of another run.", said(c.Text)))
		c.Settle = english("Run the test again and import its list with --retest.")
	case r.Number() > 0:
		c.Verdict, c.Reason = conformity.Fail, english(fmt.Sprintf("The test says that %s addresses failed.", said(c.Text)))
		if lists == 0 {
			c.Settle = english("Import the list of failing addresses: it shows which chip and line.")
			j.cause(0.5, "memory fails; which chip is not known without the list of addresses", "Import the list, or compare pictures made for finding data lines.")
		}
	case listed > 0:
		c.Verdict, c.Reason = conformity.Inconclusive, english("The test says that nothing failed, but the list shows failures: one of them is of another run.")
	default:
		c.Verdict, c.Reason = conformity.Pass, english("The test says that no address failed.")
		if lists == 0 {
			j.doubt("that nothing failed was typed; no list is kept as evidence")
		}
	}
	j.check(c)
}

// scanCovered judges how much of the memory the test covered, when stated.
func (j *judge) scanCovered() {
	r, ok := j.attempt.Latest(plans.ScanTested)
	if !ok {
		return
	}
	total := 0.0
	for _, p := range j.in.Family.Memory {
		total += p.Total.Value
	}
	c := Check{Name: plans.ScanTested, Title: english("Memory tested"), Unit: "MiB", Value: number(r.Number() / (1 << 20)), Text: english(quantity.Format(r.Number(), 0, quantity.Bytes)),
		Limits: &Limits{Low: number(total / (1 << 20)), Text: english("all " + quantity.Format(total, 0, quantity.Bytes))}}
	switch {
	case r.Number() >= total:
		c.Verdict, c.Reason = conformity.Pass, english("The test covered all of the memory.")
	case r.Number() <= 0:
		c.Verdict, c.Reason = conformity.Inconclusive, english("The test covered none of the memory.")
	default:
		c.Verdict, c.Reason = conformity.Inconclusive, english(fmt.Sprintf("The test covered %s of %s; the rest is not proven.", said(c.Text), quantity.Format(total, 0, quantity.Bytes)))
	}
	if c.Verdict != conformity.Pass {
		c.Settle = english("Run the test over all of the memory, with the screen's own part moved out of the way.")
	}
	j.check(c)
}

func countWords(n int64, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

func wasWere(n int64) string {
	if n == 1 {
		return "was"
	}
	return "were"
}
