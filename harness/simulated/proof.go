package simulated

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"proveout/harness/register"
	"proveout/harness/workflow"
	"proveout/plans"
	"proveout/plans/document"
)

// An Order says what to prove.
type Order struct {
	Plan   *plans.Plan
	Family *plans.Family // of the variant
	Shop   *plans.Shop   // nil: the one that init makes
	Dir    string        // of the shop; empty where there is none
	Cards  int           // good cards; each fault gets a tenth as many
	Seed   uint32

	only func(row string) bool // tests look at a few rows
}

// A proof is an order with all that its cards have in common.
type proof struct {
	order  Order
	plan   *plans.Plan
	family *plans.Family
	shop   *plans.Shop
	bench  *plans.Bench
	root   string // temporary folder
	album  album

	own         []plans.ReferenceSet // of the shop's own known-good cards
	ownEntries  []register.Entry     // the shop's register
	otherClocks []map[string]float64

	work      []string // kinds, so that every step is needed
	complaint float64  // s between the strikes of the fault that came in
	circumstances
}

// circumstances are what the plan looks at.
type circumstances struct {
	soaks, loads, scans, sizes, detects, looked bool
	runs, rails                                 int
	patterns, modes, points                     []string
}

// newProof looks at plan, family and shop.
func newProof(o Order) (*proof, error) {
	p := &proof{order: o, plan: o.Plan, family: o.Family, shop: o.Shop}
	if err := plans.AsError(plans.CheckPlanAgainstFamily(o.Plan, o.Family)); err != nil {
		return nil, err
	}
	if p.shop == nil {
		text := plans.ShopTemplate(plans.ShopParams{SlotKind: o.Family.Bus.Kind, SlotKey: usualKey(o.Family.Bus.Kind)})
		shop, problems := plans.ParseShop("shop.toml", []byte(text))
		if len(problems) > 0 {
			return nil, plans.AsError(problems)
		}
		p.shop = shop
	}
	if err := p.chooseBench(); err != nil {
		return nil, err
	}
	if err := p.knownGood(); err != nil {
		return nil, err
	}
	p.lookAt()
	return p, p.variantClocks()
}

func usualKey(bus string) string {
	if bus == "PCIe" {
		return ""
	}
	return "universal"
}

// chooseBench takes the first bench of the shop that the card fits.
func (p *proof) chooseBench() (refused error) {
	for i := range p.shop.Benches {
		err := p.shop.Benches[i].Accepts(p.family)
		if err == nil {
			p.bench = &p.shop.Benches[i]
			return nil
		}
		if refused == nil {
			refused = err
		}
	}
	return refused
}

// lookAt notes what the steps of the plan look at.
func (p *proof) lookAt() {
	for i := range p.plan.Steps {
		step := &p.plan.Steps[i]
		if len(step.WhenWork) > 0 && !slices.Contains(p.work, step.WhenWork[0]) {
			p.work = append(p.work, step.WhenWork[0])
		}
		switch step.Kind {
		case plans.InspectionKind:
			for _, item := range plans.SpecOf[plans.Inspection](step).Checklist {
				p.points = append(p.points, item.Name)
			}
		case plans.RailsKind:
			p.rails = len(plans.SpecOf[plans.Rails](step).Names(p.family))
		case plans.DetectionKind:
			p.detects = true
		case plans.MemorySizeKind:
			p.sizes = len(p.family.Memory) > 0
		case plans.MemoryScanKind:
			p.scans = true
		case plans.ImageKind:
			spec := plans.SpecOf[plans.Image](step)
			p.looked, p.patterns, p.modes = true, spec.Patterns, spec.Modes.On(p.family)
		case plans.LoadKind:
			spec := plans.SpecOf[plans.Load](step)
			p.loads, p.runs = true, max(spec.Runs, p.runs)
			p.struck(&spec.Timed)
		case plans.SoakKind:
			p.soaks = true
			p.struck(&plans.SpecOf[plans.Soak](step).Timed)
		}
	}
}

// struck sets how often the fault came back before the repair, so that the run of
// the plan is long enough to show that it is gone.
func (p *proof) struck(t *plans.Timed) {
	if t.Prove == "" || t.Duration == nil {
		return
	}
	needed := -math.Log1p(-t.Confidence.Value) * t.Improvement
	p.complaint = t.Duration.Value * float64(max(t.Runs, 1)) / needed / 1.2
}

func (p *proof) hasClock(name string) bool {
	asked := func(step plans.Step) bool {
		return step.Kind == plans.ClockKind && (len(plans.SpecOf[plans.Clock](&step).Clocks) == 0 ||
			slices.Contains(plans.SpecOf[plans.Clock](&step).Clocks, name))
	}
	return slices.ContainsFunc(p.family.Clocks, func(c plans.FamilyClock) bool { return c.Name == name }) &&
		slices.ContainsFunc(p.plan.Steps, asked)
}

// clocksDiffer reports whether core and memory clock can be told apart.
func (p *proof) clocksDiffer() bool {
	clocks := map[string]float64{}
	for _, c := range p.family.Clocks {
		clocks[c.Name] = c.Value.Value
	}
	return p.hasClock("core") && p.hasClock("memory") && math.Abs(clocks["core"]/clocks["memory"]-1) > 0.05
}

// bestRates are the link rates that card and slot both have, slowest first.
func (p *proof) bestRates() []string {
	var out []string
	for _, r := range p.family.Bus.Rates {
		if len(p.bench.Slot.Rates) == 0 || slices.Contains(p.bench.Slot.Rates, r) {
			out = append(out, r)
		}
	}
	return out
}

func (p *proof) frame() *plans.MemoryPool { return frameOf(p.family) }

// variantClocks gathers what the other variants of the family run at.
func (p *proof) variantClocks() error {
	if len(p.family.Aliases) < 2 {
		return nil
	}
	file, problems := plans.ParseFamily(p.family.File, []byte(p.family.Source))
	if len(problems) > 0 {
		return plans.AsError(problems)
	}
	for _, name := range p.family.Aliases {
		other, err := file.Variant(name)
		if err != nil {
			return err
		}
		clocks, differs := map[string]float64{}, false
		for i, c := range other.Clocks {
			clocks[c.Name] = c.Value.Value
			differs = differs || math.Abs(c.Value.Value/p.family.Clocks[i].Value.Value-1) > 0.03
		}
		if differs {
			p.otherClocks = append(p.otherClocks, clocks)
		}
	}
	return nil
}

// knownGood finds the shop's own known-good cards of the family.
func (p *proof) knownGood() error {
	if p.order.Dir == "" {
		return nil
	}
	entries, _, err := register.Load(p.order.Dir)
	for _, set := range register.Sets(entries, p.family.ID, p.family.Variant) {
		if set.Bench == p.bench.ID {
			p.own = append(p.own, set)
		}
	}
	p.ownEntries = entries
	return err
}

// newCard makes a good card of the family.
func (p *proof) newCard(d dice) *specimen {
	s := goodCard(p.family, p.of(plans.RiseWorkload), p.of(p.workload()), d)
	s.of = p
	if rates := p.bestRates(); len(rates) > 0 {
		s.link = rates[len(rates)-1]
	}
	return s
}

// workload is the one that the plan runs; empty where it runs none.
func (p *proof) workload() string {
	for i := range p.plan.Steps {
		if p.plan.Steps[i].Kind == plans.LoadKind {
			return plans.SpecOf[plans.Load](&p.plan.Steps[i]).Workload
		}
	}
	return ""
}

// of is how good cards lie in a workload: as the shop's own do, else as the family's
// examples.
func (p *proof) of(workload string) spread {
	usual, share, sets := float64(usualScore), scoreSpread, p.family.Reference
	if workload == plans.RiseWorkload {
		usual, share, sets = usualRise, riseSpread, []plans.ReferenceSet{p.family.Thermal.Rises()}
	}
	for _, from := range [][]plans.ReferenceSet{p.own, sets} {
		for _, set := range from {
			if set.Workload != workload || len(set.Scores) == 0 {
				continue
			}
			var known []float64
			for _, s := range set.Scores {
				known = append(known, s.Value)
			}
			return spreadOf(known, usual, share)
		}
	}
	return spreadOf(nil, usual, share)
}

// goodCards is how many known-good cards a simulated set has.
const goodCards = 8

// stock makes the folder of a shop with its plan, its family and its known-good
// cards, which were measured with the instruments of the bench.
func (p *proof) stock(b *bench, d dice) (*workflow.Shop, error) {
	dir, err := os.MkdirTemp(p.root, "shop-")
	if err != nil {
		return nil, err
	}
	if err := workflow.MakeFolders(dir); err != nil {
		return nil, err
	}
	for name, text := range map[string]string{
		workflow.ShopFile: p.shop.Source,
		filepath.Join("plans", plans.PlanKind.FileName(p.plan.ID)):        p.plan.Source,
		filepath.Join("families", plans.FamilyKind.FileName(p.family.ID)): p.measuredFamily(b, d),
	} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			return nil, err
		}
	}
	if err := register.Append(dir, p.measured(b, d)...); err != nil {
		return nil, err
	}
	return workflow.OpenShop(dir, func() time.Time { return began })
}

// exampleLine marks a section of a family's file as examples.
const exampleLine = "example = true"

// measuredFamily is the family's file with what the bench measured of the rails of
// known-good cards in the place of its examples.
func (p *proof) measuredFamily(b *bench, d dice) string {
	var out strings.Builder
	for _, section := range sectionsOf(p.family.Source) {
		head, _, _ := strings.Cut(section, "\n")
		if strings.Contains(section, exampleLine) && strings.Contains(head, "rail]") {
			section = withoutExample(section)
			if good := p.measuredOhms(section, b, d); good != "" {
				section = strings.TrimRight(section, "\n") + "\n" + good + "\n\n"
			}
		}
		out.WriteString(section)
	}
	return out.String()
}

// sectionsOf parts a file before each line that begins a table.
func sectionsOf(text string) []string {
	var out []string
	for {
		i := strings.Index(text[min(1, len(text)):], "\n[")
		if i < 0 {
			return append(out, text)
		}
		out, text = append(out, text[:i+2]), text[i+2:]
	}
}

func withoutExample(section string) string {
	lines := strings.SplitAfter(section, "\n")
	lines = slices.DeleteFunc(lines, func(line string) bool { return strings.HasPrefix(line, exampleLine) })
	return strings.Join(lines, "")
}

// measuredOhms are the resistances of known-good cards on the rail of a section.
func (p *proof) measuredOhms(section string, b *bench, d dice) string {
	for i := range p.family.Rails {
		rail := &p.family.Rails[i]
		if rail.Resistance == nil || !strings.Contains(section, "name = "+document.Quote(rail.Name)+"\n") {
			continue
		}
		meter, _ := b.gauge("resistance", "")
		var good []string
		for range goodCards {
			shown, step := meter.read(usualOhms(rail)*math.Exp(d.normal(ohmSpread)), 0, 0.1, d)
			good = append(good, document.Quote(written(shown, step, unitOf("resistance", "ohm"))))
		}
		return "good = [" + strings.Join(good, ", ") + "]"
	}
	return ""
}

// measured are scores and rises of known-good cards, as the bench measures them;
// somebody has looked into those that stand off. The shop's own stay as they are.
func (p *proof) measured(b *bench, d dice) []register.Entry {
	out := slices.Clone(p.ownEntries)
	for _, workload := range []string{p.workload(), plans.RiseWorkload} {
		of := func(s plans.ReferenceSet) bool { return s.Workload == workload }
		if workload == "" || slices.ContainsFunc(p.own, of) {
			continue
		}
		one := register.Entry{
			Kind: register.Score, At: began, By: p.shop.Technicians[0].ID, Family: p.family.ID, Variant: p.family.Variant,
			Workload: workload, Bench: b.ID, Unit: "fps", Better: "higher",
		}
		read := b.scored
		if workload == plans.RiseWorkload {
			if sensor, ok := b.gauge("temperature", p.family.Thermal.Sensor); ok {
				one.Read = sensor.ID
			}
			one.Unit, one.Better, read = "K", "lower", func(rise float64, d dice) float64 {
				return b.risen(rise, p.family.Thermal.Sensor, d)
			}
		}
		good := p.of(workload)
		for i := range goodCards {
			one.Card, one.Value = fmt.Sprintf("good-%d", i+1), read(good.draw(d), d)
			kept := register.Entry{Kind: register.Kept, At: began, Workload: workload, Bench: b.ID, Refers: len(out) + 1,
				Text: "measured again"}
			out = append(out, one, kept)
		}
	}
	return out
}

// one takes one card through the plan. inflict and slip may be nil.
func (p *proof) one(ctx context.Context, row *row, number int) (v *visit, r result, err error) {
	d := throw(p.order.Seed, row.key(), number)
	bench := newBench(p.bench, d.between(21, 25), d)
	v = &visit{proof: p, bench: bench, d: d, slip: row.slip, fresh: row.good()}
	v.card = p.newCard(d)
	if row.fault != nil {
		row.fault.inflict(v.card, row.amount, d)
	}
	if row.hidden != nil && (number%2 == 1 || row.slip.alone) {
		row.hidden.inflict(v.card, row.hidden.gross, d)
	}
	if row.slip != nil && row.slip.before != nil {
		row.slip.before(v)
	}
	if v.shop, err = p.stock(bench, d); err != nil {
		return v, r, err
	}
	defer os.RemoveAll(v.shop.Dir)
	v.dir = v.shop.Dir
	r, err = v.take(ctx)
	return v, r, err
}
