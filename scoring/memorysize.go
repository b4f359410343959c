package scoring

import (
	"fmt"
	"math"
	"strings"

	"proveout/plans"
	"proveout/plans/fact"
	"proveout/plans/quantity"
	"proveout/scoring/conformity"
	"proveout/scoring/memory"
)

var _ = judges(plans.MemorySizeKind, (*judge).memorySize)

func (j *judge) memorySize(*plans.MemorySize) {
	var reports []memory.SizeReport
	for _, pool := range j.in.Family.Memory {
		name := plans.SizeReading(pool.Name)
		c := Check{Name: name, Title: english(sizeTitle(pool.Name)), Unit: "MiB", Limits: sizeLimits(pool)}
		r, ok := j.attempt.Latest(name)
		if !ok {
			c.Reason = english(said(c.Title) + " was not read.")
			j.check(c)
			continue
		}
		c.Value, c.Text = number(r.Number()/(1<<20)), english(quantity.Format(r.Number(), 0, quantity.Bytes))
		org, shown, step := Organisation(pool), int64(math.Round(r.Number())), int64(math.Round(r.Resolution))
		if err := org.Check(); err != nil {
			c.Verdict, c.Reason = conformity.Inconclusive, english(endSentence(saidOfError(err)))
			j.check(c)
			continue
		}
		if shown < 0 {
			c.Verdict, c.Reason = conformity.Inconclusive, english(endSentence(said(fact.New("memory.negative", "size", memory.Bytes(shown)))))
			j.check(c)
			continue
		}
		report := memory.ExplainSize([]memory.Organisation{org}, shown, step)
		reports = append(reports, report)
		j.explainSize(&c, pool, report)
		j.check(c)
	}
	if len(reports) > 0 {
		j.out.Detail = map[string]any{"memory_size": reports}
	}
}

func sizeTitle(pool string) string {
	if pool == "" {
		return "Memory size"
	}
	return "Size of the " + pool + " memory"
}

func sizeLimits(pool plans.MemoryPool) *Limits {
	v := pool.Total.Value / (1 << 20)
	return &Limits{Low: number(v), High: number(v), Text: english(pool.Total.Text)}
}

func (j *judge) explainSize(c *Check, pool plans.MemoryPool, report memory.SizeReport) {
	c.Verdict = report.Verdict
	if report.ReportedBytes == report.ExpectedBytes {
		c.Reason = english(fmt.Sprintf("%s: %s, all of it.", said(c.Title), said(c.Text)))
		return
	}
	if pool.Reserved != nil && report.ReportedBytes+int64(pool.Reserved.Value) == report.ExpectedBytes {
		c.Verdict = conformity.Pass
	}
	best := report.Explanations[0]
	c.Reason = english(fmt.Sprintf("%s: %s of %s shown. %s", said(c.Title), said(c.Text), pool.Total.Text, endSentence(upperFirst(said(best.Text)))))
	switch {
	case c.Verdict == conformity.Pass:
		j.out.displayMatter = true
		return
	case best.Kind == memory.SizeReserved:
		c.Settle = english(upperFirst(endSentence(said(best.NextCheck))))
		return
	}
	for i, e := range report.Explanations {
		if i == 4 {
			break
		}
		look := upperFirst(endSentence(said(e.NextCheck)))
		if len(e.Chips) > 0 {
			look = "Look at " + joinAnd(e.Chips) + ". " + look
		}
		j.cause(e.Confidence, said(e.Text), look)
		if i > 0 {
			j.remark("Or: %s", said(e.Text))
		}
	}
	if c.Verdict == conformity.Inconclusive {
		c.Settle = english(upperFirst(endSentence(said(best.NextCheck))))
	}
}

// settleMemoryDisplay keeps a size that fell short by what tools leave out as
// a pass only when the picture and the other checks are clean (common
// practice, no source).
func settleMemoryDisplay(out *Outcome) {
	var unclean []string
	pictures := 0
	for _, s := range out.Steps {
		if s.Kind == string(plans.ImageKind) && (s.Required || s.Attempts > 0) {
			pictures++
			if s.Verdict != conformity.Pass {
				unclean = append(unclean, s.ID+" is "+s.Verdict.String())
			}
			continue
		}
		if s.Verdict == conformity.Fail {
			unclean = append(unclean, s.ID+" failed")
		}
	}
	for i := range out.Steps {
		s := &out.Steps[i]
		if !s.displayMatter || s.Verdict != conformity.Pass {
			continue
		}
		if len(unclean) == 0 && pictures > 0 {
			s.Findings = append(s.Findings, english("The size shown is a matter of display, not a fault: the picture and the other checks are clean."))
			continue
		}
		why := "no picture was checked"
		if len(unclean) > 0 {
			why = strings.Join(unclean, ", ")
		}
		s.Verdict = conformity.Inconclusive
		s.Reason = english(said(s.Reason) + " That would be a matter of display if the picture and the other checks were clean, but " + why + ".")
		for k := range s.Checks {
			if c := &s.Checks[k]; c.Verdict == conformity.Pass && c.Value != nil && c.Limits != nil && *c.Value != *c.Limits.High {
				c.Verdict = conformity.Inconclusive
				c.Settle = english("Let the picture and the other checks pass.")
			}
		}
	}
}
