package simulated

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"os"
	"runtime"
	"slices"
	"strings"
	"sync"

	"proveout/harness/reading"
	"proveout/plans/fact"
	"proveout/scoring/conformity"
	"proveout/scoring/endurance"
	"proveout/scoring/outcome"
)

// A row is one line of the catalogue: good cards, or cards with one fault of one
// size, or benches with one slip.
type row struct {
	fault    *cardFault
	size     string // sizeLeast or sizeGross, of a card's fault
	amount   float64
	nameable bool // what is taken of the card can tell the fault
	slip     *slip
	hidden   *cardFault // that every second card has
	n        int
}

// The sizes of a fault of a card.
const (
	sizeLeast = "least"
	sizeGross = "gross"
)

func (r *row) good() bool { return r.fault == nil && r.slip == nil }

// key names the row.
func (r *row) key() string {
	switch {
	case r.fault != nil:
		return r.fault.id + " " + r.size
	case r.slip != nil:
		return r.slip.id
	}
	return "good"
}

// A Proof is what a plan lets through.
type Proof struct {
	Plan    string  `json:"plan"`
	Family  string  `json:"family"`
	Variant string  `json:"variant,omitempty"`
	Bench   string  `json:"bench"`
	Seed    uint32  `json:"seed"`
	Cards   int     `json:"cards"` // simulated, all in all
	Good    Good    `json:"good"`
	Faults  []Fault `json:"faults"`
	Steps   []Step  `json:"steps"`
}

// Good is what became of good cards.
type Good struct {
	N            int        `json:"n"`
	Accepted     int        `json:"accepted"`
	Inconclusive int        `json:"inconclusive"` // undecided, or with a file that was refused
	Failed       int        `json:"failed"`
	Accepted95   [2]float64 `json:"accepted_95"` // interval of the chance, 0 to 1
	Failed95     [2]float64 `json:"failed_95"`
}

// A Fault is what became of one fault.
type Fault struct {
	ID         string     `json:"id"`
	Group      string     `json:"group"`          // "card", "bench" or "person"
	Size       string     `json:"size,omitempty"` // "least" or "gross", of a card's fault
	Amount     float64    `json:"amount,omitempty"`
	Unit       string     `json:"unit,omitempty"`
	Title      fact.Fact  `json:"title"`
	N          int        `json:"n"`
	Noticed    int        `json:"noticed"`
	Named      int        `json:"named"`
	Nameable   bool       `json:"nameable"` // what was taken of the card can tell it from other faults
	Accepted   int        `json:"accepted"`
	Noticed95  [2]float64 `json:"noticed_95"`
	Accepted95 [2]float64 `json:"accepted_95"`
}

// A Step says what a step of the plan is worth.
type Step struct {
	ID        string `json:"id"`
	Caught    int    `json:"caught"`          // faulty cards that did not pass it
	Alone     int    `json:"caught_alone"`    // of those, that passed every other required step
	GoodStuck int    `json:"good_not_passed"` // good cards that did not pass it
}

// rows is the catalogue as far as it concerns the plan.
func (p *proof) rows() []*row {
	good, each := p.order.Cards, (p.order.Cards+9)/10
	out := []*row{{n: good}}
	gross := map[string]*cardFault{}
	for _, g := range p.faultGroups() {
		nameable := g.shown(p)
		for i := range g.faults {
			f := &g.faults[i]
			if !f.needs(p) {
				continue
			}
			gross[f.id] = f
			one := row{fault: f, size: sizeLeast, amount: f.least, nameable: nameable && f.named != nil, n: each}
			if f.least != f.gross {
				out = append(out, &one)
			}
			other := one
			other.size, other.amount = sizeGross, f.gross
			out = append(out, &other)
		}
	}
	wrong := slips()
	for i := range wrong {
		if s := &wrong[i]; s.needs(p) {
			out = append(out, &row{slip: s, hidden: gross[s.hides], n: each})
		}
	}
	return out
}

// Kept is the proof as a shop keeps it and a certificate tells it.
func (p *Proof) Kept(o Order, tool string) *reading.Proof {
	digest := func(text string) string {
		sum := sha256.Sum256([]byte(text))
		return hex.EncodeToString(sum[:])
	}
	out := &reading.Proof{
		Plan: p.Plan, PlanSHA256: digest(o.Plan.Source), Family: p.Family, FamilySHA256: digest(o.Family.Source),
		Variant: p.Variant, Bench: p.Bench, Tool: tool, Seed: p.Seed,
		Good: reading.Tried{N: p.Good.N, Accepted: p.Good.Accepted},
	}
	for _, f := range p.Faults {
		of := &out.Slips
		switch f.Size {
		case sizeLeast:
			of = &out.Least
		case sizeGross:
			of = &out.Gross
		}
		of.N += f.N
		of.Accepted += f.Accepted
	}
	return out
}

// A tally counts what became of the cards of a row.
type tally struct {
	n, accepted, failed, named int
	caught, alone              map[string]int
}

// Prove takes simulated cards through the plan, as many at once as there are
// processors. tell, which may be nil, hears how many are done of how many.
func Prove(ctx context.Context, o Order, tell func(done, all int)) (*Proof, error) {
	p, err := newProof(o)
	if err != nil {
		return nil, err
	}
	if p.root, err = os.MkdirTemp("", "proveout-"); err != nil {
		return nil, err
	}
	defer os.RemoveAll(p.root)
	rows := p.rows()
	if o.only != nil {
		rows = slices.DeleteFunc(rows, func(r *row) bool { return !o.only(r.key()) })
	}
	tallies, err := p.runAll(ctx, rows, tell)
	if err != nil {
		return nil, err
	}
	return p.summary(rows, tallies), nil
}

// runAll takes all cards of all rows through the plan.
func (p *proof) runAll(ctx context.Context, rows []*row, tell func(done, all int)) ([]tally, error) {
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	type work struct{ row, number int }
	queue, tallies, all, done := make(chan work), make([]tally, len(rows)), 0, 0
	for i, r := range rows {
		all += r.n
		tallies[i] = tally{caught: map[string]int{}, alone: map[string]int{}}
	}
	var mu sync.Mutex
	var workers sync.WaitGroup
	for range 2 * runtime.GOMAXPROCS(0) { // half of them wait for the disk
		workers.Go(func() {
			for w := range queue {
				v, r, err := p.one(ctx, rows[w.row], w.number)
				if err != nil {
					stop(err)
					continue
				}
				mu.Lock()
				tallies[w.row].add(rows[w.row], v, r)
				done++
				if tell != nil {
					tell(done, all)
				}
				mu.Unlock()
			}
		})
	}
	for i, r := range rows {
		for number := range r.n {
			select {
			case queue <- work{i, number}:
			case <-ctx.Done():
			}
		}
	}
	close(queue)
	workers.Wait()
	if ctx.Err() != nil {
		return nil, context.Cause(ctx)
	}
	return tallies, nil
}

func (t *tally) add(row *row, v *visit, r result) {
	t.n++
	if r.refused != nil {
		t.caught[r.step]++
		t.alone[r.step]++
		if row.slip != nil {
			t.named++
		}
		return
	}
	switch {
	case r.outcome.Accepted && (row.slip == nil || !row.slip.mended || !r.said):
		t.accepted++
	case r.outcome.Verdict == conformity.Fail:
		t.failed++
	}
	if row.nameable && !r.outcome.Accepted && row.fault.named(v.card, r) {
		t.named++
	}
	var stuck []string
	for _, s := range r.outcome.Steps {
		passed := s.Verdict == conformity.Pass || s.Verdict == conformity.NotApplicable
		if s.Required && !passed && !behindGate(r.outcome, s.ID) {
			stuck = append(stuck, s.ID)
		}
	}
	for _, id := range stuck {
		t.caught[id]++
		if len(stuck) == 1 {
			t.alone[id]++
		}
	}
}

// behindGate reports whether a step did not run because a gate before it failed.
func behindGate(o *outcome.Outcome, id string) bool {
	for _, s := range o.Steps {
		switch {
		case s.ID == id:
			return false
		case s.Gate && s.Verdict == conformity.Fail:
			return true
		}
	}
	return false
}

// summary makes the proof of the tallies.
func (p *proof) summary(rows []*row, tallies []tally) *Proof {
	out := &Proof{Plan: p.plan.ID, Family: p.family.ID, Variant: p.family.Variant, Bench: p.bench.ID,
		Seed: p.order.Seed, Faults: []Fault{}}
	worth := map[string]*Step{}
	for i := range p.plan.Steps {
		worth[p.plan.Steps[i].ID] = &Step{ID: p.plan.Steps[i].ID}
	}
	for i, r := range rows {
		t := &tallies[i]
		out.Cards += t.n
		for id, n := range t.caught {
			if r.good() {
				worth[id].GoodStuck += n
				continue
			}
			worth[id].Caught += n
			worth[id].Alone += t.alone[id]
		}
		if r.good() {
			out.Good = Good{N: t.n, Accepted: t.accepted, Failed: t.failed, Inconclusive: t.n - t.accepted - t.failed,
				Accepted95: interval(t.accepted, t.n), Failed95: interval(t.failed, t.n)}
			continue
		}
		out.Faults = append(out.Faults, r.fact(t))
	}
	for i := range p.plan.Steps {
		out.Steps = append(out.Steps, *worth[p.plan.Steps[i].ID])
	}
	return out
}

func (r *row) fact(t *tally) Fault {
	f := Fault{N: t.n, Accepted: t.accepted, Noticed: t.n - t.accepted, Named: t.named,
		Accepted95: interval(t.accepted, t.n), Noticed95: interval(t.n-t.accepted, t.n)}
	if r.fault != nil {
		f.ID, f.Title, f.Group, f.Size = r.fault.id+"/"+r.size, titleOf(r.fault.id), groupCard, r.size
		f.Nameable = r.nameable
		if r.fault.least != r.fault.gross {
			f.Amount, f.Unit = r.amount, r.fault.unit
		}
		return f
	}
	f.ID, f.Title, f.Group = r.slip.id, titleOf(r.slip.id), r.slip.group
	return f
}

// titleOf says a fault of the catalogue.
func titleOf(id string) fact.Fact {
	if point, ok := strings.CutPrefix(id, pointed); ok {
		return fact.New("proof.point", "point", point)
	}
	return fact.New("proof.fault." + id)
}

// Interval is that of 95 % of the chance, 0 to 1, behind n cards of which k were so
// (Clopper and Pearson, as [endurance.ShownReliability]).
func Interval(k, n int) (low, high float64) {
	if n == 0 {
		return 0, 1
	}
	const each = 0.975
	low, err := endurance.ShownReliability(n, n-k, each)
	others, err2 := endurance.ShownReliability(n, k, each)
	if err != nil || err2 != nil {
		return 0, 1 // cannot happen: the counts are possible
	}
	return low, 1 - others
}

func interval(k, n int) [2]float64 {
	low, high := Interval(k, n)
	return [2]float64{low, high}
}
