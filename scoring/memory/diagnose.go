package memory

import (
	"cmp"
	"slices"
	"strings"

	"proveout/plans/fact"
)

// A FaultReport is what a list of failing addresses shows.
type FaultReport struct {
	Rows     int64   `json:"rows"`     // failing rows inside the memory
	Agreeing int64   `json:"agreeing"` // rows that read back what was written
	Outside  int64   `json:"outside"`  // rows that cannot belong to this memory
	Findings []Fault `json:"findings"` // the likeliest explanation first, by weight of rows
}

// What each cause leaves in the rows, by which it is known (common practice, no
// source; the tests put each one in and find it again):
//
//	line stuck        one data line, wrong in one direction only
//	line open         one data line, wrong in both directions
//	lines shorted     two lines, wrong only where written differently, and then alike
//	lines swapped     two lines, each returns what was written to the other
//	chip dead         half of the chip's bits on varied data, or one value always
//	chip weak         few bits of a row, on many lines, all over the chip
//	isolated cells    few words, scattered, again and again
//	row, column       words of one row, or of one column address
//	address line      one bit of the word address stands still, or two always differ
//	bank lost         every access to a bank, on all its lines
//	random errors     few bits of a row, on any line of any chip
//	garbage accesses  whole accesses anywhere, but not all
//	bus line          the same bit of the slot's 32 lines, in whatever chip it lies
//	bus address       whole accesses in every bank, one bit of the byte address stands still
//	list misread      addresses outside the memory, or no multiples of the values' width
//
// Growth with temperature or time and a single pattern are told beside the
// fault, since any of them can come and go.

// A diagnosis is the work in progress: findings with the number of rows each
// explains.
type diagnosis struct {
	f     *Failures
	views []*chipView
	found []weighed
}

type weighed struct {
	Fault
	rows int64
}

// misplacedShare is the share, as 1 in so many, of rows whose address lies outside
// the memory or is no multiple of their width from which on the list is not taken
// for what it seems: tests read words where words lie. Common practice, no source.
const misplacedShare = 5

// Report returns the counts so far and what explains the failing rows, weighed
// against each other. More rows may follow. The finding that explains most rows
// stands first; readings that the rows allow, too, and growth and pattern follow
// the fault of their chip.
func (f *Failures) Report() FaultReport {
	report := f.report
	report.Findings = []Fault{}
	if f.report.Rows == 0 {
		return report
	}
	d := &diagnosis{f: f, views: f.views()}
	if misplaced := f.askew + f.report.Outside; misplaced*misplacedShare >= f.report.Rows+f.report.Outside {
		d.misread()
	} else {
		verdicts := explain(&f.org, f.whole, f.sampled())
		for i := range verdicts {
			// One row in 200 may be a stray error: two chips that fail in the same
			// row, or a slip of the test itself.
			v := &verdicts[i]
			if rows := int64(len(v.rows)) * f.pieces / int64(len(f.whole)); rows*200 > f.pieces || len(d.found) == 0 {
				d.tell(v, rows)
			}
		}
		d.small(verdicts)
	}
	d.mergeBanks()
	slices.SortStableFunc(d.found, func(a, b weighed) int { return cmp.Compare(b.rows, a.rows) })
	for _, w := range d.found[:min(len(d.found), mostFindings)] {
		report.Findings = append(report.Findings, w.Fault)
	}
	return report
}

// small explains the chips that failed in so few of many rows that one cause
// could do for all, as a few bad cells beside a stuck line, or where a cause of all
// chips cannot be at work, as a weak chip beside an address line.
func (d *diagnosis) small(verdicts []verdict) {
	for _, view := range d.views {
		if slices.ContainsFunc(verdicts, func(v verdict) bool { return v.bank == view.bank && v.names(view.chip) }) {
			continue
		}
		rows := view.wholeRows(func(r *wholeRow) bool {
			return !slices.ContainsFunc(verdicts, func(v verdict) bool { return v.chip < 0 && v.chance(r) > 0 })
		})
		all := view.log.rows * int64(len(rows)) / int64(min(len(view.log.sample), maxWhole))
		again := int64(len(view.words)) < view.log.rows // what fails at one word twice is no stray error
		if len(rows) < 4 || all*200 <= d.f.pieces && !again {
			continue
		}
		v, _, _ := likeliest(newScene(&d.f.org, rows, nil))
		d.tell(&v, all)
	}
}

// sampled is the order of all rows when a part of them was kept, in no order.
func (f *Failures) sampled() *sequence {
	if f.pieces > int64(len(f.whole)) {
		return &f.order
	}
	return nil
}

// mostFindings bounds the list: with more causes than that nobody begins anywhere.
const mostFindings = 16

// misread files that the list is not what it was taken for.
func (d *diagnosis) misread() {
	fd := finding(ListMisread, 0.95, fact.New("memory.where."+string(ListMisread)), fact.New("memory.look-list"))
	if n := d.f.askew; n > 0 {
		fd.Evidence = append(fd.Evidence, fact.New("memory.askew", "n", n))
	}
	if n := d.f.report.Outside; n > 0 {
		fd.Evidence = append(fd.Evidence, fact.New("memory.beyond", "n", n))
	}
	fd.Bank, fd.Chip = -1, -1
	d.found = append(d.found, weighed{fd, d.f.report.Rows})
}

// tell files what a verdict says: the cause, or that it is not decided, then what
// the rows allow as well, and the circumstances of a chip's errors.
func (d *diagnosis) tell(v *verdict, rows int64) {
	view := d.view(v.bank, v.chip)
	if v.sure < decided {
		d.found = append(d.found, weighed{d.notDecided(v, view), rows})
		return
	}
	for i, chip := range v.chips() {
		fd := d.words(v.hypothesis, d.view(v.bank, chip), v.sure)
		if i > 0 {
			fd.Lines = []int{v.second}
		}
		d.found = append(d.found, weighed{fd, rows})
	}
	for _, h := range v.rival {
		fd := d.words(h, d.view(h.bank, h.chip), v.rivals[h])
		fd.Alternative = true
		if h.addresses() && v.ofDataLine() || h.ofDataLine() && v.addresses() {
			fd.Evidence = append(fd.Evidence, fact.New("memory.vary-the-data"))
		}
		rows--
		d.found = append(d.found, weighed{fd, rows})
	}
	if view != nil && v.bank >= 0 {
		d.qualify(view, v.kind, rows)
	}
}

func (d *diagnosis) view(bank, chip int) *chipView {
	for _, v := range d.views {
		if v.bank == bank && v.chip == chip {
			return v
		}
	}
	return nil
}

func (v *chipView) designator() string { return v.org.Designator(v.bank, v.chip) }

// name is the chip with its place.
func (v *chipView) name() fact.Fact {
	return fact.New("memory.chip", "chip", v.designator(), "bank", v.bank, "lane", v.chip)
}

// mergeBanks joins the same fault of the same lines in every bank into one
// finding: what the banks share is the trace or the controller.
func (d *diagnosis) mergeBanks() {
	banks := len(d.f.org.Banks)
	if banks < 2 {
		return
	}
	shared := []Kind{LineStuck0, LineStuck1, LineOpen, LinesShorted, LinesSwapped, AddressLine}
	same := func(a, b Fault) bool {
		return a.Kind == b.Kind && a.Chip == b.Chip && a.AddressLine == b.AddressLine &&
			a.Alternative == b.Alternative && slices.Equal(a.Lines, b.Lines)
	}
	var out []weighed
	used := make([]bool, len(d.found))
	for i, a := range d.found {
		if used[i] {
			continue
		}
		group := []int{i}
		for j := i + 1; slices.Contains(shared, a.Kind) && j < len(d.found); j++ {
			if b := d.found[j]; !used[j] && b.Bank != a.Bank && same(a.Fault, b.Fault) {
				group = append(group, j)
			}
		}
		if len(group) == banks {
			var names []string
			a.rows = 0
			for _, j := range group {
				used[j] = true
				names = append(names, d.found[j].Designator)
				a.rows += d.found[j].rows
			}
			a.Bank, a.Designator = -1, strings.Join(names, ", ")
			a.Where = fact.New("memory.in-every-bank", "where", a.Where, "chips", a.Designator)
			a.Advice = fact.New("memory.look-before-chips")
		}
		out = append(out, a)
	}
	d.found = out
}
