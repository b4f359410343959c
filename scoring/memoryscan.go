package scoring

import (
	"fmt"
	"math"
	"reflect"
	"slices"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/scoring/conformity"
	"proveout/scoring/memory"
	"proveout/scoring/outcome"
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
		j.finding(fact.New("memory-scan.no-march"))
		return
	}
	j.circumstance(fact.New("memory-scan.march"), fact.Text(fact.Name(name)))
	test, ok := memory.LookupMarch(name)
	if !ok {
		j.finding(fact.New("memory-scan.unknown-march", "march", name))
		return
	}
	j.finding(test.Statement())
}

// scanPool returns the memory that a list is about. The error says why there is
// none.
func scanPool(family *plans.Family, name string) (*plans.MemoryPool, error) {
	var withChips []*plans.MemoryPool
	for i := range family.Memory {
		p := &family.Memory[i]
		if len(p.Banks) == 0 || p.ChipBits == 0 {
			continue
		}
		if name != "" && p.Name == name {
			return p, nil
		}
		withChips = append(withChips, p)
	}
	switch {
	case len(withChips) == 0:
		return nil, fact.New("memory-scan.no-chips").Err()
	case name != "":
		return nil, fact.New("memory-scan.no-such-memory", "memory", name).Err()
	case len(withChips) > 1:
		return nil, fact.New("memory-scan.which-memory").Err()
	}
	return withChips[0], nil
}

// noFailure are limits that no failing address keeps.
func noFailure() *conformity.Limits {
	return &conformity.Limits{High: number(0), Text: fact.New("memory-scan.none")}
}

// scanList judges one list of failing addresses.
func (j *judge) scanList(l *reading.Log, i int) (outcome.Check, scannedList) {
	c := outcome.Check{
		Name:     "list",
		Title:    fact.New("memory-scan.list", "file", l.Name),
		Limits:   noFailure(),
		Evidence: []string{l.SHA256},
	}
	if i > 0 {
		c.Name = fmt.Sprintf("list-%d", i+1)
	}
	s := scannedList{File: l.Name, SHA256: l.SHA256, Pool: l.Failures.Pool, Bad: l.Bad}
	pool, report, err := j.readFailures(l)
	if err == nil {
		s.FaultReport = *report
		c.Value = number(float64(s.Rows))
		c.Text = fact.New("memory.failing-rows", "n", s.Rows)
		j.doubtRows(&s, pool)
		err = nothingSaid(&s)
	}
	switch {
	case err != nil:
		c.Verdict = conformity.Inconclusive
		c.Reason = fact.New("outcome.says", "of", l.Name, "what", fact.Why(err))
	case s.Rows > 0 && s.Findings[0].Kind == memory.ListMisread:
		found := s.Findings[0]
		c.Verdict, c.Settle = conformity.Inconclusive, sentence(found.Advice)
		c.Reason = fact.New("outcome.says", "of", l.Name, "what", found.Fact())
	case s.Rows > 0:
		c.Verdict, c.Reason = conformity.Fail, fact.New("outcome.says", "of", l.Name, "what", c.Text)
		j.faults(s.Findings, &c)
	case s.Agreeing > 0:
		c.Verdict = conformity.Pass
		c.Reason = fact.New("memory-scan.read-back", "file", l.Name, "n", s.Agreeing)
	default:
		c.Verdict, c.Reason = conformity.Pass, fact.New("memory-scan.none-listed", "file", l.Name)
	}
	return c, s
}

// readFailures reads the rows of a list and says what they show of the memory
// that they are about. The error says why they show nothing.
func (j *judge) readFailures(l *reading.Log) (*plans.MemoryPool, *memory.FaultReport, error) {
	pool, err := scanPool(j.in.Family, l.Failures.Pool)
	if err != nil {
		return nil, nil, err
	}
	org := Organisation(*pool)
	if err := org.Check(); err != nil {
		return nil, nil, err
	}
	f := memory.NewFailures(org)
	for row, err := range j.in.Files.Failures(l) {
		if err != nil {
			return nil, nil, fact.New("outcome.not-readable-again", "why", fact.Why(err)).Err()
		}
		f.Add((*memory.Failure)(&row))
	}
	report := f.Report()
	return pool, &report, nil
}

// doubtRows warns of rows that were not taken into account.
func (j *judge) doubtRows(s *scannedList, pool *plans.MemoryPool) {
	if s.Bad > 0 {
		j.warning(fact.New("memory-scan.set-aside", "file", s.File, "n", s.Bad))
	}
	if s.Outside > 0 {
		j.warning(fact.New("memory-scan.outside", "file", s.File, "n", s.Outside, "size", pool.Total))
	}
}

// nothingSaid is why a list without a failing row does not speak for the memory.
func nothingSaid(s *scannedList) error {
	switch {
	case s.Rows > 0:
		return nil
	case s.Outside > 0:
		return fact.New("memory-scan.all-outside").Err()
	case s.Bad > 0:
		return fact.New("memory-scan.all-unreadable").Err()
	}
	return nil
}

// faults turns findings into causes; the same fault of a second list is not
// told again.
func (j *judge) faults(found []memory.Fault, c *outcome.Check) {
	c.Reason = fact.Text(fact.Sentences(c.Reason, sentence(found[0].Fact())))
	for _, x := range found {
		is := x.Fact()
		if slices.ContainsFunc(j.out.Causes, func(o outcome.Cause) bool { return reflect.DeepEqual(o.Text, is) }) {
			continue
		}
		j.suspect(x.Confidence, is, sentence(x.Advice))
		if len(x.Evidence) > 0 {
			evidence := fact.Text(fact.ListOf(fact.Semicolon, x.Evidence))
			j.finding(fact.New("memory-scan.evidence", "fault", is, "evidence", evidence))
		}
	}
}

// scanCount judges the number of failures that the test itself states.
func (j *judge) scanCount(lists int, listed int64) {
	r, typed := j.attempt.Latest(plans.ScanFailing)
	if !typed && lists > 0 {
		return
	}
	c := outcome.Check{Name: plans.ScanFailing, Title: fact.New("memory-scan.stated"), Limits: noFailure()}
	if !typed {
		c.Reason = fact.New("memory-scan.no-list")
		j.check(c)
		return
	}
	stated := int64(math.Round(r.Number()))
	c.Value, c.Text = number(r.Number()), fact.Text(fact.Count(stated))
	switch {
	case r.Number() > 0 && lists > 0 && listed == 0:
		c.Verdict = conformity.Inconclusive
		c.Reason = fact.New("memory-scan.list-shows-none", "n", stated)
		c.Settle = fact.New("memory-scan.run-again")
	case r.Number() > 0:
		c.Verdict, c.Reason = conformity.Fail, fact.New("memory-scan.some-failed", "n", stated)
		if lists == 0 {
			c.Settle = fact.New("memory-scan.import-list")
			j.suspect(0.5, fact.New("memory-scan.chip-not-known"), fact.New("memory-scan.look-list"))
		}
	case listed > 0:
		c.Verdict, c.Reason = conformity.Inconclusive, fact.New("memory-scan.list-shows-some")
	default:
		c.Verdict, c.Reason = conformity.Pass, fact.New("memory-scan.none-failed")
		if lists == 0 {
			j.warning(fact.New("memory-scan.typed-only"))
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
	c := outcome.Check{
		Name:  plans.ScanTested,
		Title: fact.New("memory-scan.tested"),
		Unit:  "MiB",
		Value: number(r.Number() / (1 << 20)),
		Text:  fact.Text(size(r.Number())),
		Limits: &conformity.Limits{
			Low:  number(total / (1 << 20)),
			Text: fact.New("memory-scan.all-of", "size", size(total)),
		},
	}
	switch {
	case r.Number() >= total:
		c.Verdict, c.Reason = conformity.Pass, fact.New("memory-scan.covered-all")
	case r.Number() <= 0:
		c.Verdict, c.Reason = conformity.Inconclusive, fact.New("memory-scan.covered-none")
	default:
		c.Verdict = conformity.Inconclusive
		c.Reason = fact.New("memory-scan.covered-part", "part", size(r.Number()), "total", size(total))
	}
	if c.Verdict != conformity.Pass {
		c.Settle = fact.New("memory-scan.cover-all")
	}
	j.check(c)
}
