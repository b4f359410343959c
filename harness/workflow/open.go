package workflow

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"proveout/harness/job"
	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/document"
	"proveout/plans/quantity"
)

// An Incoming is a card that came in, as far as it is known: its job is not
// opened yet. The methods that set something refuse what does not fit what was
// set before.
type Incoming struct {
	job.Opening
	Family *plans.FamilyFile
	Card   *plans.Family // the variant that the card is
	Plan   *plans.Plan
	Bench  *plans.Bench

	home *Shop
}

// Receive begins with a card that came in. A shop's only bench and technician
// are known from the start.
func (s *Shop) Receive() *Incoming {
	in := &Incoming{home: s}
	if len(s.Benches) == 1 {
		in.Bench = &s.Benches[0]
	}
	in.Technician, _ = s.TechnicianNamed("")
	return in
}

// SetFamily sets the family of the card. Of several variants the first is taken
// until another one is set.
func (in *Incoming) SetFamily(id string) (err error) {
	if in.Family, err = plans.FindFamily(in.home.Dir, id); err != nil {
		return err
	}
	names := in.Family.Variants()
	if len(names) > 1 {
		in.Card, err = in.Family.Variant(names[0])
		return err
	}
	return in.SetVariant(strings.Join(names, ""))
}

// SetVariant sets which variant of the family the card is.
func (in *Incoming) SetVariant(name string) (err error) {
	if in.Card, err = in.Family.Variant(name); err != nil || in.Bench == nil {
		return err
	}
	return fits(in.Bench, in.Card)
}

// SetBench sets the bench.
func (in *Incoming) SetBench(id string) (err error) {
	if in.Bench, err = in.home.benchNamed(id); err != nil {
		return err
	}
	return fits(in.Bench, in.Card)
}

// fits says why the slot of a bench does not take a card.
func fits(bench *plans.Bench, card *plans.Family) error {
	if err := bench.Accepts(card); err != nil {
		return fmt.Errorf("bench %s does not take this card: %w", bench.ID, err)
	}
	return nil
}

// SetPlan sets what the card must go through.
func (in *Incoming) SetPlan(id string) (err error) {
	if in.Plan, err = plans.FindPlan(in.home.Dir, id); err != nil {
		return err
	}
	if err := plans.AsError(plans.CheckPlanAgainstFamily(in.Plan, in.Card)); err != nil {
		return err
	}
	_, err = PlanMaps(in.home.Dir, in.Plan)
	return err
}

// SetComplaintEvery sets how often the fault came back.
func (in *Incoming) SetComplaintEvery(text string) error {
	in.ComplaintEvery = 0
	if text == "" {
		return nil
	}
	q, err := quantity.Parse(text, quantity.Duration)
	if err != nil || q.Value <= 0 || q.Tolerated {
		return fmt.Errorf("%q is not a duration; write for instance \"2 h\"", text)
	}
	in.ComplaintEvery = q.Value
	return nil
}

// AddMark adds a feature of this very card, NAME=VALUE.
func (in *Incoming) AddMark(text string) error {
	name, value, _ := strings.Cut(text, "=")
	name, value = strings.TrimSpace(name), strings.TrimSpace(value)
	if name == "" || value == "" {
		return fmt.Errorf("write NAME=VALUE, as in \"sticker=BX 04417\", not %q", text)
	}
	in.Opening.Card.Marks = append(in.Opening.Card.Marks, reading.Mark{Name: name, Value: value})
	return nil
}

// AddWork adds a kind of work that the plan knows.
func (in *Incoming) AddWork(text string) error {
	text = strings.Join(strings.Fields(text), " ")
	known := in.Plan.Work()
	at := slices.IndexFunc(known, func(k string) bool { return strings.EqualFold(k, text) })
	if at < 0 {
		return fmt.Errorf("%q is not a kind of work this plan knows; %s", text, document.DidYouMean(text, known))
	}
	if !slices.Contains(in.Work, known[at]) {
		in.Work = append(in.Work, known[at])
	}
	return nil
}

// AddPhoto adds a picture of the card: "photo before", "photo after" or
// "close-up".
func (in *Incoming) AddPhoto(path, role string) error {
	small, err := printVersion(path, len(in.Photos))
	if err != nil {
		return err
	}
	in.Photos = append(in.Photos, job.Photo{File: path, Role: role, Caption: reading.Roles()[role], Print: small})
	return nil
}

// Open opens the job.
func (in *Incoming) Open() (*Job, error) {
	o := in.Opening
	o.Opened, o.Plan, o.Bench = in.home.Now(), in.Plan.ID, in.Bench.ID
	o.PlanText, o.FamilyText = []byte(in.Plan.Source), []byte(in.Card.Source)
	o.Card.Family, o.Card.Variant = in.Card.ID, in.Card.Variant
	if o.Card.Title == "" {
		o.Card.Title = in.Card.Title
	}
	dir, err := job.Create(in.home.Dir, o)
	if err != nil {
		return nil, err
	}
	return in.home.Job(filepath.Base(dir))
}

// MayOpen finds out, before anybody is asked anything, whether the shop's
// folder can be written.
func (s *Shop) MayOpen() error {
	dir := filepath.Join(s.Dir, "jobs")
	err := os.MkdirAll(dir, 0o755)
	if err == nil {
		var f *os.File
		if f, err = os.CreateTemp(dir, ".writable-"); err == nil {
			err = errors.Join(f.Close(), os.Remove(f.Name()))
		}
	}
	if err != nil {
		return fmt.Errorf("no job can be opened here: %w", err)
	}
	return nil
}

// Attachment says what a file is that is kept with a job.
type Attachment struct {
	Step    string
	Role    string // "photo before", "photo after", "close-up"; any other is no picture of the card
	Caption string
}

// Attach keeps files with the job. All are looked at before the first is kept.
func (j *Job) Attach(a Attachment, paths ...string) (kept []reading.Evidence, err error) {
	ofCard := strings.HasPrefix(a.Role, "photo") || a.Role == "close-up"
	photos := make([]job.Photo, len(paths))
	for i, path := range paths {
		photos[i] = job.Photo{File: path, Role: a.Role, Caption: a.Caption}
		if ofCard {
			photos[i].Print, err = printVersion(path, len(j.Input.Job.Card.Photos)+i)
		} else {
			err = checkFile(path)
		}
		if err != nil {
			return nil, err
		}
	}
	err = j.work(func(f *job.Folder) error {
		for _, p := range photos {
			e, err := f.KeepPhoto(p)
			if err != nil {
				return err
			}
			if ofCard {
				add := func(j *reading.Job) { j.Card.Photos = append(j.Card.Photos, e.Evidence) }
				if err := f.Amend(add); err != nil {
					return err
				}
			}
			kept = append(kept, e.Evidence)
			err = f.Append(job.Entry{
				Kind: job.Remark, Step: a.Step, Attempt: j.Last(a.Step).Number, By: j.By,
				File: &e, Text: "attached " + e.Name,
			})
			if err != nil {
				return err
			}
		}
		return nil
	})
	return kept, err
}
