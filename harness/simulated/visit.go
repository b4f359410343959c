package simulated

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"proveout/harness/workflow"
	"proveout/plans"
	"proveout/scoring/outcome"
)

// A visit is one card's way through the plan on one bench.
type visit struct {
	proof *proof
	card  *specimen
	bench *bench
	slip  *slip // what goes wrong on the bench; nil: nothing
	fresh bool  // the captures are its own; else they may be those of another good card
	d     dice

	shop *workflow.Shop
	job  *workflow.Job
	dir  string // for the files that the bench makes
	word bool   // something was said of what was imported

	previous bool   // another card of the family was tested before, with these logs
	before   copies // of the card before
	own      copies // of this one
}

// copies are logs that lie about on the bench.
type copies struct{ soak, run []byte }

// A result is what became of a card.
type result struct {
	outcome *outcome.Outcome
	refused error  // at the import of what went wrong
	step    string // that refused it
	said    bool   // what went wrong was told, whatever the verdict
}

// take takes the card through the plan, step by step, as far as it goes: a
// failed gate ends it, and so does a file that is refused, which a technician
// then puts right.
func (v *visit) take(ctx context.Context) (r result, err error) {
	if v.previous {
		last := &visit{proof: v.proof, bench: v.bench, d: v.d, shop: v.shop, dir: v.dir}
		last.card = v.proof.newCard(v.d)
		if _, err := last.take(ctx); err != nil {
			return r, err
		}
		v.before = last.own
	}
	if err := v.open(); err != nil {
		return r, err
	}
	if err := v.job.Take(); err != nil {
		return r, err
	}
	defer func() { err = errors.Join(err, v.job.Close()) }()
	for i := range v.job.Plan.Steps {
		step := &v.job.Plan.Steps[i]
		if err := ctx.Err(); err != nil {
			return r, err
		}
		if v.job.HeldBy(step) != "" || v.card.silent && step.Kind.Powered() && step.Kind != plans.DetectionKind {
			continue
		}
		e, err := v.gather(step)
		if err != nil {
			return r, fmt.Errorf("simulating step %s: %w", step.ID, err)
		}
		if v.slip != nil {
			v.slip.spoil(v, e)
		}
		if err := v.bring(ctx, e); err != nil {
			if ctx.Err() != nil {
				return r, ctx.Err()
			}
			r.refused, r.step = err, step.ID
			return r, nil
		}
	}
	r.outcome = v.job.Outcome()
	r.said = v.word
	for _, s := range r.outcome.Steps {
		r.said = r.said || len(s.Warnings) > 0
	}
	return r, nil
}

// open opens the job of the card.
func (v *visit) open() error {
	in := v.shop.Receive()
	in.Technician = v.shop.Technicians[0].ID
	if err := in.SetFamily(v.proof.family.ID); err != nil {
		return err
	}
	if err := in.SetVariant(v.proof.family.Variant); err != nil {
		return err
	}
	if err := in.SetBench(v.bench.ID); err != nil {
		return err
	}
	if err := in.SetPlan(v.proof.plan.ID); err != nil {
		return err
	}
	in.Work, in.ComplaintEvery = v.proof.work, v.proof.complaint
	var err error
	if v.job, err = in.Open(); err != nil {
		return err
	}
	v.job.Files = afresh{v.job.Files}
	if !v.ownPictures() {
		v.job.Files = remembered{v.job.Files, &v.proof.album}
	}
	return nil
}

// ownPictures reports whether the card's captures are like those of no other.
func (v *visit) ownPictures() bool {
	return v.fresh || len(v.card.screen) > 0 || len(v.card.memory) > 0
}

// bring records and imports the evidence of a step.
func (v *visit) bring(ctx context.Context, e *evidence) error {
	if err := v.record(e); err != nil {
		return err
	}
	for i, l := range e.lists {
		in := workflow.Import{}
		in.Failures.Pool = l.pool
		if err := v.imported(ctx, e.step, in, fmt.Sprintf("scan-%d.txt", i+1), l.data); err != nil {
			return err
		}
	}
	if e.dump != nil {
		if err := v.imported(ctx, e.step, workflow.Import{}, "space.txt", e.dump); err != nil {
			return err
		}
	}
	for i := range e.shots {
		if err := v.show(ctx, e.step, &e.shots[i], i); err != nil {
			return err
		}
	}
	return v.bringLogs(ctx, e)
}

func (v *visit) bringLogs(ctx context.Context, e *evidence) error {
	if e.beside != nil {
		in := workflow.Import{}
		if spec := plans.SpecOf[plans.Soak](e.step); e.step.Kind == plans.SoakKind {
			in.Place = spec.Place(v.card.family)
		}
		return v.imported(ctx, e.step, in, "log.csv", e.beside)
	}
	for i, run := range e.runs {
		name := fmt.Sprintf("run-%d.csv", i+1)
		v.own.run = run.file()
		if err := v.imported(ctx, e.step, workflow.Import{}, name, v.own.run); err != nil {
			return err
		}
	}
	if e.soak != nil {
		in := workflow.Import{Place: e.soak.place, Instrument: e.soak.instrument}
		v.own.soak = e.soak.file()
		return v.imported(ctx, e.step, in, "soak.csv", v.own.soak)
	}
	return nil
}

// record types the answers. What is asked about, because it is far from what is
// usual, is looked at again: when it was typed as it was read, a note says so.
func (v *visit) record(e *evidence) error {
	if len(e.answers) == 0 {
		return nil
	}
	try := func() error {
		path, err := v.write("results.toml", e.results())
		if err != nil {
			return err
		}
		results, err := v.job.ReadResults(path)
		if err != nil {
			return err
		}
		return v.job.Record(results)
	}
	err := try()
	if err == nil || e.note != "" || v.slip != nil {
		return err
	}
	e.note = "Looked at again: this is what the display shows."
	return try()
}

// show imports a capture; when it does not tell what it shows, the technician
// does.
func (v *visit) show(ctx context.Context, step *plans.Step, s *shot, number int) (err error) {
	if s.data == nil {
		if s.data, err = encoded(s.image, s.kind); err != nil {
			return err
		}
	}
	in, name := workflow.Import{}, fmt.Sprintf("capture-%d.%s", number+1, s.kind)
	if s.stated {
		in.Capture = workflow.Shown{Pattern: s.pattern, Mode: s.mode}
	}
	err = v.imported(ctx, step, in, name, s.data)
	if errors.Is(err, workflow.ErrUnnamed) {
		in.Capture = workflow.Shown{Pattern: s.pattern, Mode: s.mode}
		err = v.imported(ctx, step, in, name, s.data)
	}
	return err
}

func (v *visit) imported(ctx context.Context, step *plans.Step, in workflow.Import, name string, data []byte) error {
	path, err := v.write(name, data)
	if err != nil {
		return err
	}
	done, err := v.job.Import(ctx, step, in, path)
	if err != nil && v.slip == nil && step.Kind == plans.ImageKind {
		// A screen that stays as it is gives the same file twice.
		in.Again = "The screen shows the same."
		done, err = v.job.Import(ctx, step, in, path)
	}
	for _, one := range done {
		v.word = v.word || one.Bad > 0
	}
	return err
}

func (v *visit) write(name string, data []byte) (string, error) {
	path := filepath.Join(v.dir, name)
	return path, os.WriteFile(path, data, 0o644)
}

// began is when simulated cards come in: what is judged does not hang on it.
var began = time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
