package workflow

import (
	"cmp"
	"fmt"
	"strings"

	"proveout/harness/job"
	"proveout/harness/reading"
	"proveout/harness/register"
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/scoring"
	"proveout/scoring/reference"
)

// A Shelf is what the shop's register has of a workload on a bench: the scores
// of known-good cards of a family, and the runs of the control card.
type Shelf struct {
	Workload string
	Bench    *plans.Bench
	Family   *plans.Family // nil: the control card's runs alone
	Warnings []fact.Fact   // lines of the register that cannot be read

	home    *Shop
	entries []register.Entry
}

// Shelf opens the register. Without a bench the shop's only one is meant.
func (s *Shop) Shelf(workload, bench string, family *plans.Family) (*Shelf, error) {
	b, err := s.benchNamed(bench)
	if err != nil {
		return nil, err
	}
	h := &Shelf{Workload: workload, Bench: b, Family: family, home: s}
	return h, h.load()
}

func (h *Shelf) load() (err error) {
	h.entries, h.Warnings, err = register.Load(h.home.Dir)
	return err
}

func (h *Shelf) append(entries ...register.Entry) error {
	for i := range entries {
		e := &entries[i]
		e.At, e.Workload, e.Bench = h.home.Now(), h.Workload, h.Bench.ID
	}
	if err := register.Append(h.home.Dir, entries...); err != nil {
		return err
	}
	return h.load()
}

// Scores are those of the family that were not taken out, oldest first.
func (h *Shelf) Scores() []register.Entry {
	var out []register.Entry
	for _, e := range register.Standing(h.entries) {
		if e.Family == h.Family.ID && e.Variant == h.Family.Variant && e.Workload == h.Workload && e.Bench == h.Bench.ID {
			out = append(out, e)
		}
	}
	return out
}

// Range is where scores of good cards sit.
func (h *Shelf) Range() (reference.Outcome, error) {
	for _, own := range register.Sets(h.entries, h.Family.ID, h.Family.Variant) {
		if own.Workload == h.Workload && own.Bench == h.Bench.ID {
			o := reference.Options{Direction: reference.Direction(own.Better), Confidence: scoring.GoodRange}
			return reference.Ranges(scoring.GoodCards(&own), o)
		}
	}
	return reference.Outcome{}, fmt.Errorf("the shop has no scores of its own for %s on %s; "+
		"add those of known-good cards with: proveout reference add", h.Workload, h.Bench.ID)
}

// Add adds the score of a known-good card. A card that the set already has, and
// another unit, are refused.
func (h *Shelf) Add(e register.Entry) error {
	for _, have := range h.Scores() {
		if have.Card == e.Card {
			return fmt.Errorf("the set already has a score of %s (number %d: %g %s); "+
				"take it out first with: proveout reference remove %d --because WHY",
				e.Card, have.Seq, have.Value, have.Unit, have.Seq)
		}
		if have.Unit != e.Unit || have.Better != e.Better {
			return fmt.Errorf("the set is in %s, %s is better; this score is in %s, %s is better",
				have.Unit, have.Better, e.Unit, e.Better)
		}
	}
	if _, known := h.Bench.Instrument(e.Read); e.Read != "" && !known {
		return fmt.Errorf("%s has no instrument %q", h.Bench.ID, e.Read)
	}
	e.Kind, e.Family, e.Variant = register.Score, h.Family.ID, h.Family.Variant
	return h.append(e)
}

// Take adds scores of accepted jobs.
func (h *Shelf) Take(proposed []register.Entry, by string) error {
	for i := range proposed {
		proposed[i].By = by
	}
	if len(proposed) == 0 {
		return nil
	}
	return h.append(proposed...)
}

// FromJobs gathers the mean scores of accepted jobs of the family on the bench
// that the set lacks.
func (h *Shelf) FromJobs() ([]register.Entry, error) {
	briefs, err := job.List(h.home.Dir)
	if err != nil {
		return nil, err
	}
	known := map[string]bool{}
	for _, e := range h.Scores() {
		known[e.Job] = true
	}
	out := []register.Entry{}
	for _, b := range briefs {
		if b.Err != nil || known[b.Number] || b.Job.Bench != h.Bench.ID {
			continue
		}
		if b.Job.Card.Family != h.Family.ID || b.Job.Card.Variant != h.Family.Variant {
			continue
		}
		j, err := h.home.Job(b.Number)
		if err != nil || !j.Outcome().Accepted {
			continue
		}
		if e, ok := j.score(h.Workload); ok {
			out = append(out, e)
		}
	}
	return out, nil
}

// score is the mean score of the job in a workload, or its rise over ambient.
func (j *Job) score(workload string) (register.Entry, bool) {
	for i, step := range j.Outcome().Steps {
		number := j.Input.Job.Number
		e := register.Entry{
			Kind: register.Score, Family: j.Family.ID, Variant: j.Family.Variant, Better: "higher",
			Card: cmp.Or(j.Input.Job.Card.Serial, "job "+number), Job: number,
		}
		name := "score"
		if workload == plans.RiseWorkload {
			name, e.Better, e.Read = "rise", "lower", thermometer(j.Input.Job.Attempts[step.ID])
		} else if plans.SpecOf[plans.Load](&j.Plan.Steps[i]).Workload != workload {
			continue
		}
		for _, check := range step.Checks {
			if check.Name == name && check.Value != nil {
				e.Unit, e.Value = cmp.Or(check.Unit, "fps"), *check.Value
				return e, true
			}
		}
	}
	return register.Entry{}, false
}

// thermometer is what the last attempt at a soak says that it was read with; empty
// where the bench's own was.
func thermometer(attempts []reading.Attempt) string {
	if len(attempts) == 0 {
		return ""
	}
	last := &attempts[len(attempts)-1]
	for i := range last.Logs {
		if last.Logs[i].Instrument != "" {
			return last.Logs[i].Instrument
		}
	}
	typed, _ := last.Latest("temperature")
	return typed.Instrument
}

// A SetLine is one set of the shop's own scores.
type SetLine struct {
	Family   string `json:"family"`
	Variant  string `json:"variant,omitempty"`
	Workload string `json:"workload"`
	Bench    string `json:"bench"`
	Unit     string `json:"unit"`
	Scores   int    `json:"scores"`
}

// Sets lists the shop's own sets, with what cannot be read of the register.
func (s *Shop) Sets() (sets []SetLine, warnings []fact.Fact, err error) {
	entries, warnings, err := register.Load(s.Dir)
	sets = []SetLine{}
	at := map[SetLine]int{}
	for _, e := range register.Standing(entries) {
		one := SetLine{Family: e.Family, Variant: e.Variant, Workload: e.Workload, Bench: e.Bench, Unit: e.Unit}
		i, known := at[one]
		if !known {
			i = len(sets)
			at[one] = i
			sets = append(sets, one)
		}
		sets[i].Scores++
	}
	return sets, warnings, err
}

// Answered is what was found of a score that stands off from its set: that it does
// not belong ([register.Removal]), or that it does ([register.Kept]). The register
// keeps both entries.
func (s *Shop) Answered(found register.Kind, number int, by, because string) (register.Entry, error) {
	entries, _, err := register.Load(s.Dir)
	if err != nil {
		return register.Entry{}, err
	}
	for _, e := range register.Standing(entries) {
		if e.Seq == number {
			return e, register.Append(s.Dir, register.Entry{
				Kind: found, At: s.Now(), By: by,
				Workload: e.Workload, Bench: e.Bench, Refers: number, Text: because,
			})
		}
	}
	return register.Entry{}, fmt.Errorf("no set has a score with the number %d", number)
}

// AddRun adds a run of the control card.
func (h *Shelf) AddRun(value float64, unit, by string) error {
	return h.append(register.Entry{Kind: register.Control, By: by, Unit: unit, Card: h.Bench.ControlCard, Value: value})
}

// Control is how the control card's runs on the bench lie.
func (h *Shelf) Control() (scoring.ControlCard, error) {
	return scoring.ControlCardOn(h.Bench.ID, h.Workload, register.ControlRuns(h.entries), register.Answers(h.entries))
}

// Answer notes that somebody looked into the signals of all runs so far.
func (h *Shelf) Answer(by, text string) error {
	card, err := h.Control()
	if err != nil {
		return err
	}
	if len(card.Runs) == 0 {
		return fmt.Errorf("the control card has no runs of %s on %s", h.Workload, h.Bench.ID)
	}
	e := register.Entry{Kind: register.Answer, By: by, Refers: card.Last, Text: strings.TrimSpace(text)}
	return h.append(e)
}
