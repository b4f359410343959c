package scoring

import (
	"math"

	"proveout/plans"
	"proveout/plans/fact"
	"proveout/scoring/conformity"
	"proveout/scoring/memory"
	"proveout/scoring/outcome"
)

var _ = judges(plans.MemorySizeKind, (*judge).memorySize)

// A SizeReport is a memory size that was read, what explains it, and the
// verdict.
type SizeReport struct {
	memory.SizeReport
	Verdict conformity.Verdict `json:"verdict"`
}

// ExplainSize judges a number of bytes as [memory.ExplainSize] explains it.
func ExplainSize(pools []memory.Organisation, reported, step int64) SizeReport {
	r := SizeReport{memory.ExplainSize(pools, reported, step), conformity.Inconclusive}
	switch r.Whole {
	case memory.Yes:
		r.Verdict = conformity.Pass
	case memory.No:
		r.Verdict = conformity.Fail
	}
	return r
}

// memorySize compares the size shown with what the family's chips make up, and
// says which chips would explain a shortfall.
func (j *judge) memorySize(*plans.MemorySize) {
	var reports []SizeReport
	for _, pool := range j.in.Family.Memory {
		c, report := j.poolSize(pool)
		j.check(c)
		if report != nil {
			reports = append(reports, *report)
		}
	}
	if len(reports) > 0 {
		j.out.Detail = map[string]any{"memory_size": reports}
	}
}

// poolSize judges the size of one memory of the card.
func (j *judge) poolSize(pool plans.MemoryPool) (outcome.Check, *SizeReport) {
	total := pool.Total.Value / (1 << 20)
	c := outcome.Check{
		Name:   plans.SizeReading(pool.Name),
		Title:  sizeTitle(pool.Name),
		Unit:   "MiB",
		Limits: &conformity.Limits{Low: number(total), High: number(total), Text: fact.Text(fact.Of(pool.Total))},
	}
	r, ok := j.attempt.Latest(c.Name)
	if !ok {
		c.Reason = notRead(c.Title)
		return c, nil
	}
	c.Value, c.Text = number(r.Number()/(1<<20)), fact.Text(size(r.Number()))
	org, shown, step := Organisation(pool), int64(math.Round(r.Number())), int64(math.Round(r.Resolution))
	if err := org.Check(); err != nil {
		c.Verdict, c.Reason = conformity.Inconclusive, because(err)
		return c, nil
	}
	if shown < 0 {
		c.Verdict = conformity.Inconclusive
		c.Reason = sentence(fact.New("memory.negative", "size", memory.Bytes(shown)))
		return c, nil
	}
	report := ExplainSize([]memory.Organisation{org}, shown, step)
	j.explainSize(&c, pool, report)
	return c, &report
}

func sizeTitle(pool string) fact.Fact {
	if pool == "" {
		return fact.New("memory-size.title")
	}
	return fact.New("memory-size.title-of", "memory", fact.Phrase(pool))
}

func (j *judge) explainSize(c *outcome.Check, pool plans.MemoryPool, report SizeReport) {
	c.Verdict = report.Verdict
	if report.Whole == memory.Yes && report.ReportedBytes == report.ExpectedBytes {
		c.Reason = fact.New("memory-size.all", "title", c.Title, "size", c.Text)
		return
	}
	best := report.Explanations[0]
	shown := fact.New("memory-size.shown", "title", c.Title, "size", c.Text, "total", pool.Total)
	c.Reason = fact.Text(fact.Sentences(shown, sentence(best.Text)))
	switch {
	case c.Verdict == conformity.Pass:
		j.out.DisplayMatter = true
		return
	case best.Kind == memory.SizeReserved:
		c.Settle = sentence(best.NextCheck)
		return
	}
	for i, e := range report.Explanations {
		if i == 4 {
			break
		}
		look := sentence(e.NextCheck)
		if len(e.Chips) > 0 {
			chips := fact.New("memory-size.look-at", "chips", fact.Names(fact.And, e.Chips))
			look = fact.Text(fact.Sentences(chips, look))
		}
		j.suspect(e.Confidence, e.Text, look)
		if i > 0 {
			j.finding(fact.New("memory-size.or", "explanation", e.Text))
		}
	}
	if c.Verdict == conformity.Inconclusive {
		c.Settle = sentence(best.NextCheck)
	}
}

// settleMemoryDisplay keeps a size that fell short by what tools leave out as
// a pass only when the picture and the other checks are clean (common
// practice, no source).
func settleMemoryDisplay(out *outcome.Outcome) {
	var unclean []fact.Fact // steps
	pictures := 0
	for _, s := range out.Steps {
		picture := s.Kind == string(plans.ImageKind) && (s.Required || s.Attempts > 0)
		if picture {
			pictures++
		}
		if picture && s.Verdict != conformity.Pass || s.Verdict == conformity.Fail {
			unclean = append(unclean, fact.New("memory-size.unclean", "step", s.ID, "verdict", s.Verdict.Fact()))
		}
	}
	but := fact.New("memory-size.not-clean", "steps", fact.ListOf(fact.Comma, unclean))
	if len(unclean) == 0 {
		but = fact.New("memory-size.no-picture")
	}
	for i := range out.Steps {
		s := &out.Steps[i]
		if !s.DisplayMatter || s.Verdict != conformity.Pass {
			continue
		}
		if len(unclean) == 0 && pictures > 0 {
			s.Findings = append(s.Findings, fact.New("memory-size.display"))
			continue
		}
		s.Verdict = conformity.Inconclusive
		s.Reason = fact.Text(fact.Sentences(s.Reason, but))
		for k := range s.Checks {
			c := &s.Checks[k]
			if c.Verdict == conformity.Pass && c.Value != nil && c.Limits != nil && *c.Value != *c.Limits.High {
				c.Verdict = conformity.Inconclusive
				c.Settle = fact.New("memory-size.let-pass")
			}
		}
	}
}
