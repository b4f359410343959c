package command

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"proveout/harness/job"
	"proveout/harness/reading"
	"proveout/harness/session"
	"proveout/plans"
	"proveout/plans/quantity"
)

// intake asks what has come in and opens a job for it. It returns the number
// of the job.
func (c *Console) intake(ctx context.Context, talk *session.Talk, shopDir string, shop *plans.Shop) (string, error) {
	if err := writable(filepath.Join(shopDir, "jobs")); err != nil {
		return "", err
	}
	talk.Heading("What has come in")
	talk.Say("Answer each question and press Enter; /back goes to the question before, /stop leaves without opening a job.")
	in := &incoming{c: c, shopDir: shopDir, shop: shop}
	if err := talk.Form(ctx, append(in.card(), in.work()...)); err != nil {
		return "", err
	}
	o, err := in.opening()
	if err != nil {
		return "", err
	}
	dir, err := job.Create(shopDir, o)
	if err != nil {
		return "", err
	}
	number := filepath.Base(dir)
	talk.Say(fmt.Sprintf("Opened job %s: %s, plan %s, on %s.", number, o.Card.Title, o.Plan, o.Bench))
	return number, nil
}

// incoming gathers the answers about a card that came in.
type incoming struct {
	c       *Console
	shopDir string
	shop    *plans.Shop

	familyText, planText []byte
	file                 *plans.FamilyFile
	family               *plans.Family
	plan                 *plans.Plan
	bench                *plans.Bench
	technician           string
	opened               job.Opening
	unit                 reading.Card
}

// choices lists the families or plans with their titles. What cannot be read is
// left out here; proveout plans check says why.
func (in *incoming) choices(kind plans.FileKind) []session.Choice {
	entries, _ := plans.List(in.shopDir, kind)
	l := &library{in.c, kind, ""}
	var out []session.Choice
	for _, e := range entries {
		if title, err := l.title(in.shopDir, e.ID); err == nil {
			out = append(out, session.Choice{Name: e.ID, Title: title})
		}
	}
	return out
}

// defaultPlan is the full plan where the shop has one of that name.
func (in *incoming) defaultPlan() string {
	for _, c := range in.choices(plans.PlanKind) {
		if c.Name == "full" {
			return c.Name
		}
	}
	return ""
}

// card asks what it is and what it must go through.
func (in *incoming) card() []session.Question {
	return []session.Question{
		{Ask: "Family of the card", Choices: func() []session.Choice { return in.choices(plans.FamilyKind) }, Accept: in.takeFamily},
		{Ask: "Variant", Choices: func() []session.Choice {
			var out []session.Choice
			for _, name := range in.file.Variants() {
				title := ""
				if f, err := in.file.Variant(name); err == nil {
					title = f.Title
				}
				out = append(out, session.Choice{Name: name, Title: title})
			}
			return out
		}, Skip: func() bool { return len(in.file.Variants()) < 2 }, Accept: func(a string) (err error) {
			in.family, err = in.file.Variant(a)
			return err
		}},
		{Ask: "Bench", Choices: func() []session.Choice {
			var out []session.Choice
			for _, b := range in.shop.Benches {
				out = append(out, session.Choice{Name: b.ID, Title: b.Title})
			}
			return out
		}, Skip: in.onlyBench, Accept: func(a string) (err error) {
			if in.bench, err = chooseBench(in.shop, a); err == nil {
				err = in.bench.Accepts(in.family)
			}
			return err
		}},
		{Ask: "Technician", Choices: func() []session.Choice {
			var out []session.Choice
			for _, t := range in.shop.Technicians {
				out = append(out, session.Choice{Name: t.ID, Title: t.Name})
			}
			return out
		}, Skip: func() bool {
			if len(in.shop.Technicians) == 1 {
				in.technician = in.shop.Technicians[0].ID
			}
			return len(in.shop.Technicians) == 1
		}, Accept: func(a string) error { in.technician = a; return nil }},
		{Ask: "Acceptance plan", Choices: func() []session.Choice { return in.choices(plans.PlanKind) }, Default: func() string { return in.defaultPlan() }, Accept: in.takePlan},
		{Ask: "Serial number", Optional: true, Accept: func(a string) error { in.unit.Serial = a; return nil }},
		{Ask: "Another mark that ties paper and card, such as: sticker=BX 04417", Many: true, Optional: true, Accept: func(a string) error {
			name, value, ok := strings.Cut(a, "=")
			if !ok || strings.TrimSpace(name) == "" || strings.TrimSpace(value) == "" {
				return errors.New("write name=value")
			}
			in.unit.Marks = append(in.unit.Marks, reading.Mark{Name: strings.TrimSpace(name), Value: strings.TrimSpace(value)})
			return nil
		}},
	}
}

// work asks why it came and what was done.
func (in *incoming) work() []session.Question {
	text := func(to *string) func(string) error { return func(a string) error { *to = a; return nil } }
	return []session.Question{
		{Ask: "Complaint, as received", Optional: true, Accept: text(&in.opened.Complaint)},
		{Ask: "How often the fault came back, such as 2 h, when it came and went", Optional: true, Skip: func() bool { return in.opened.Complaint == "" }, Accept: func(a string) error {
			if a == "" {
				in.opened.ComplaintEvery = 0
				return nil
			}
			q, err := quantity.Parse(a, quantity.Duration)
			if err != nil || q.Value <= 0 {
				return fmt.Errorf("%q is not a duration; write for instance 2 h", a)
			}
			in.opened.ComplaintEvery = q.Value
			return nil
		}},
		{Ask: "Condition as received", Optional: true, Accept: text(&in.opened.Condition)},
		{Ask: "Work done, one kind after the other", Many: true, Choices: func() []session.Choice {
			var out []session.Choice
			for _, w := range in.plan.Work() {
				out = append(out, session.Choice{Name: w})
			}
			return out
		}, Accept: func(a string) error {
			if !slices.Contains(in.opened.Work, a) {
				in.opened.Work = append(in.opened.Work, a)
			}
			return nil
		}},
		{Ask: "Remark on the work", Optional: true, Skip: func() bool { return len(in.opened.Work) == 0 }, Accept: text(&in.opened.WorkNotes)},
		{Ask: "Customer reference", Optional: true, Accept: text(&in.opened.Customer)},
		in.photo("Photo as received: its path", "photo before"),
		in.photo("Photo after the repair: its path", "photo after"),
	}
}

func (in *incoming) photo(ask, role string) session.Question {
	return session.Question{Ask: ask, Many: true, Accept: func(a string) error {
		path := in.c.path(strings.Trim(a, `"'`))
		small, err := printVersion(path, len(in.opened.Photos))
		if err != nil {
			return err
		}
		in.opened.Photos = append(in.opened.Photos, job.Photo{File: path, Role: role, Caption: photoCaption(role), Print: small})
		return nil
	}}
}

func (in *incoming) onlyBench() bool {
	if len(in.shop.Benches) != 1 {
		return false
	}
	in.bench = &in.shop.Benches[0]
	return true
}

func (in *incoming) takeFamily(id string) error {
	found, err := plans.Find(in.shopDir, plans.FamilyKind, id)
	if err != nil {
		return err
	}
	if in.file, err = plans.FindFamily(in.shopDir, id); err != nil {
		return err
	}
	in.familyText = found.Data
	variant := ""
	if names := in.file.Variants(); len(names) > 0 {
		variant = names[0]
	}
	if in.family, err = in.file.Variant(variant); err != nil {
		return err
	}
	if in.onlyBench() {
		if err := in.bench.Accepts(in.family); err != nil {
			return fmt.Errorf("bench %s does not take this card: %w", in.bench.ID, err)
		}
	}
	return nil
}

func (in *incoming) takePlan(id string) (err error) {
	if in.planText, in.plan, err = findPlan(in.shopDir, id); err != nil {
		return err
	}
	if err := plans.AsError(plans.CheckPlanAgainstFamily(in.plan, in.family)); err != nil {
		return err
	}
	_, err = planMaps(in.shopDir, in.plan)
	return err
}

// opening is the job as the answers say.
func (in *incoming) opening() (job.Opening, error) {
	o := in.opened
	o.Opened, o.Plan, o.Bench, o.Technician = in.c.Now(), in.plan.ID, in.bench.ID, in.technician
	o.PlanText, o.FamilyText = in.planText, in.familyText
	o.Card = in.unit
	o.Card.Family, o.Card.Variant, o.Card.Title = in.family.ID, in.family.Variant, in.family.Title
	return o, nil
}

// writable finds out, before anybody is asked anything, whether a folder can
// be written.
func writable(dir string) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return fmt.Errorf("no job can be opened here: %w", err)
	}
	f, err := os.CreateTemp(dir, ".writable-")
	if err != nil {
		return fmt.Errorf("no job can be opened here: %w", err)
	}
	return errors.Join(f.Close(), os.Remove(f.Name()))
}
