package session

import (
	"context"

	"proveout/harness/workflow"
	"proveout/plans"
	"proveout/plans/fact"
)

// Receive asks what has come in and opens a job for it.
func (t *Talk) Receive(ctx context.Context, shop *workflow.Shop) (*workflow.Job, error) {
	if err := shop.MayOpen(); err != nil {
		return nil, err
	}
	t.Heading(fact.New("intake.heading"))
	t.Say(fact.New("intake.how"))
	in := &intake{shop.Receive(), shop, t}
	if err := t.form(ctx, append(in.card(), in.work()...)); err != nil {
		return nil, err
	}
	job, err := in.Open()
	if err != nil {
		return nil, err
	}
	t.Say(workflow.OpenedSaid(job))
	return job, nil
}

// An intake is the answers about a card that came in.
type intake struct {
	*workflow.Incoming
	shop *workflow.Shop
	t    *Talk
}

// phrase is the title of a choice.
func phrase(text string) fact.Fact { return fact.Text(fact.Phrase(text)) }

// library lists the families or plans with their titles. What cannot be read is
// left out here; proveout plans check says why.
func (in *intake) library(kind plans.FileKind) func() []choice {
	return func() []choice {
		all, _ := workflow.Library(in.shop.Dir, kind)
		var out []choice
		for _, e := range all {
			if e.Trouble == "" {
				out = append(out, choice{e.ID, phrase(e.Title)})
			}
		}
		return out
	}
}

// fullPlan is the full plan where the shop has one of that name.
func (in *intake) fullPlan() string {
	const full = "full"
	if _, err := plans.FindPlan(in.shop.Dir, full); err != nil {
		return ""
	}
	return full
}

func (in *intake) variants() []choice {
	return choicesOf(in.Family.Variants(), func(name string) choice {
		f, err := in.Family.Variant(name)
		if err != nil {
			return named(name)
		}
		return choice{name, phrase(f.Title)}
	})
}

func (in *intake) benches() []choice {
	return choicesOf(in.shop.Benches, func(b plans.Bench) choice { return choice{b.ID, phrase(b.Title)} })
}

func (in *intake) technicians() []choice {
	return choicesOf(in.shop.Technicians, func(t plans.Technician) choice {
		return choice{t.ID, fact.Text(fact.Name(t.Name))}
	})
}

func (in *intake) kindsOfWork() []choice { return choicesOf(in.Plan.Work(), named) }

// keep takes an answer as it is.
func keep(to *string) func(string) error {
	return func(answer string) error { *to = answer; return nil }
}

// card asks what it is and what it must go through.
func (in *intake) card() []question {
	return []question{
		{Ask: fact.New("intake.family"), Choices: in.library(plans.FamilyKind), Accept: in.SetFamily},
		{Ask: fact.New("intake.variant"), Choices: in.variants, Accept: in.SetVariant,
			Skip: func() bool { return len(in.Family.Variants()) < 2 }},
		{Ask: fact.New("intake.bench"), Choices: in.benches, Accept: in.SetBench,
			Skip: func() bool { return len(in.shop.Benches) == 1 }},
		{Ask: fact.New("intake.technician"), Choices: in.technicians, Accept: keep(&in.Technician),
			Skip: func() bool { return len(in.shop.Technicians) == 1 }},
		{Ask: fact.New("intake.plan"), Choices: in.library(plans.PlanKind), Default: in.fullPlan, Accept: in.SetPlan},
		{Ask: fact.New("intake.serial"), Optional: true, Accept: keep(&in.Opening.Card.Serial)},
		{Ask: fact.New("intake.mark"), Many: true, Accept: in.AddMark},
	}
}

// work asks why it came and what was done.
func (in *intake) work() []question {
	return []question{
		{Ask: fact.New("intake.complaint"), Optional: true, Accept: keep(&in.Complaint)},
		{Ask: fact.New("intake.complaint-every"), Optional: true, Accept: in.SetComplaintEvery,
			Skip: func() bool { return in.Complaint == "" }},
		{Ask: fact.New("intake.condition"), Optional: true, Accept: keep(&in.Condition)},
		{Ask: fact.New("intake.work"), Many: true, Choices: in.kindsOfWork, Accept: in.AddWork},
		{Ask: fact.New("intake.work-notes"), Optional: true, Accept: keep(&in.WorkNotes),
			Skip: func() bool { return len(in.Work) == 0 }},
		{Ask: fact.New("intake.customer"), Optional: true, Accept: keep(&in.Customer)},
		{Ask: fact.New("intake.photo-before"), Many: true, Accept: in.photo("photo before")},
		{Ask: fact.New("intake.photo-after"), Many: true, Accept: in.photo("photo after")},
	}
}

func (in *intake) photo(role string) func(string) error {
	return func(answer string) error { return in.AddPhoto(in.t.o.Path(unquote(answer)), role) }
}
