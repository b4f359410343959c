package memory

import (
	"cmp"
	"math"
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

// What each fault leaves in the rows, by which it is known (common practice, no
// source; the tests put each one in and find it again):
//
//	line stuck      one data line, wrong in one direction only
//	line open       one data line, wrong in both directions
//	lines shorted   two lines, wrong only where written differently, and then alike
//	lines swapped   two lines, each returns what was written to the other
//	chip dead       half of the chip's bits on varied data, or one value always
//	chip weak       few bits of a row, on many lines, all over the chip
//	isolated cells  few words, scattered, again and again
//	row, column     words of one row, or of one column address
//	address line    one bit of the word address stands still, or two always differ
//	bank lost       dead chips side by side, all of a bank
//
// Growth with temperature or time and a single pattern are told beside the
// fault, since any of them can come and go.

// A diagnosis is the work in progress: views not yet explained, findings with
// the number of rows each explains.
type diagnosis struct {
	f     *Failures
	views []*chipView
	done  map[*chipView]bool
	found []weighed
}

type weighed struct {
	Fault
	rows int64
}

// Report returns the counts so far and what explains the failing rows. More
// rows may follow.
//
// Causes that several chips share come before those of one chip, because each
// chip by itself would show a fault of its own: an address line of the whole
// memory, a bank that does not answer, two lines of different chips that touch,
// and only then each chip for itself. The finding that explains most rows
// stands first; growth and pattern findings follow the fault of their chip.
func (f *Failures) Report() FaultReport {
	d := &diagnosis{f: f, views: f.views(), done: map[*chipView]bool{}}
	if !d.addressAsData() {
		d.banks()
		d.crossPairs()
		for _, v := range d.views {
			if !d.done[v] {
				d.chip(v)
			}
		}
	}
	d.mergeBanks()
	slices.SortStableFunc(d.found, func(a, b weighed) int { return cmp.Compare(b.rows, a.rows) })
	report := f.report
	report.Findings = []Fault{}
	for _, w := range d.found {
		report.Findings = append(report.Findings, w.Fault)
	}
	return report
}

// add files a finding for a chip.
func (d *diagnosis) add(v *chipView, fd Fault) { d.addLight(v, fd, 0) }

// addLight files a finding that stands behind others of the chip: it counts
// for fewer rows than they do.
func (d *diagnosis) addLight(v *chipView, fd Fault, fewer int64) {
	fd.Bank, fd.Chip, fd.Designator = v.bank, v.chip, v.designator()
	d.done[v] = true
	d.found = append(d.found, weighed{fd, v.log.rows - fewer})
}

func (v *chipView) designator() string { return v.org.Designator(v.bank, v.chip) }

// name is the chip with its place.
func (v *chipView) name() fact.Fact {
	return fact.New("memory.chip", "chip", v.designator(), "bank", v.bank, "lane", v.chip)
}

// banks looks for faults that all chips of a bank share.
func (d *diagnosis) banks() {
	perBank := d.f.org.ChipsPerBank()
	if perBank < 2 {
		return
	}
	for bank := range d.f.org.Banks {
		var broad []*chipView // chips that fail on more than a line or two
		for _, v := range d.views {
			if v.bank == bank && !v.isolated() && len(v.failing) >= min(3, v.org.ChipBits) {
				broad = append(broad, v)
			}
		}
		if len(broad) < 2 {
			continue
		}
		shape := shapeOf(broad...)
		var whole []*chipView // of these, the ones that the shared cause would explain
		fewest, most := int64(math.MaxInt64), int64(0)
		for _, v := range broad {
			if _, _, inRow := v.row(); !inRow && (shape.found() || v.deadLike()) {
				whole = append(whole, v)
				fewest, most = min(fewest, v.log.rows), max(most, v.log.rows)
			}
		}
		// What is common to the bank fails its chips alike: all of them, and none
		// much more often than another. An address-as-data test writes the same
		// to some chips everywhere, and those cannot show that they are lost.
		alike := len(whole) == perBank && fewest*5 >= most
		if alike || len(whole) >= 2 && d.aliases(whole...) != nil && silent(whole) {
			d.wholeBank(bank, whole, shape)
		}
	}
}

// silent reports, for an address-as-data test, whether the rows of these chips
// cover the whole bus and every line of it always returned one and the same
// value: chips to which nothing else was written cannot show that they do not
// answer.
func silent(chips []*chipView) bool {
	covered := make([]bool, chips[0].org.BusBits)
	value := chips[0].log.sample[0].read & 1
	for _, v := range chips {
		for i := range v.log.sample {
			row := &v.log.sample[i]
			if row.read != -value&ones(int(row.width)) {
				return false
			}
			for lane := range int(row.width) {
				covered[int(row.lane0)+lane] = true
			}
		}
	}
	return !slices.Contains(covered, false)
}

// wholeBank files one finding for chips of a bank.
func (d *diagnosis) wholeBank(bank int, chips []*chipView, shape addressShape) {
	rows := int64(0)
	for _, v := range chips {
		rows += v.log.rows
		d.done[v] = true
	}
	designators := strings.Join(d.f.org.Banks[bank].Designators, ", ")
	var fd Fault
	if shape.found() {
		who := fact.New("memory.chips-of-bank-named", "bank", bank, "chips", designators)
		fd = addressFinding(chips[0], shape, who, fact.New("memory.look-common-address"))
	} else {
		fd = finding(BankLost, confidence(rows, 0.97),
			fact.New("memory.whole-bank", "bank", bank, "chips", designators), fact.New("memory.look-bank"))
	}
	fd.Bank, fd.Chip, fd.Designator = bank, -1, designators
	d.found = append(d.found, weighed{fd, rows})
}

// addressFinding is an address-line fault of a chip or a group of chips.
func addressFinding(v *chipView, s addressShape, who, advice fact.Fact) Fault {
	sure := confidence(v.log.rows, 0.95)
	if s.pair != nil {
		a, b := addressLine(s.pair[0]), addressLine(s.pair[1])
		fd := finding(AddressLine, sure, fact.New("memory.address-lines", "line", a, "other", b, "who", who), advice,
			fact.New("memory.address-bits-differ", "line", a, "other", b))
		fd.AddressLine, fd.AddressLines = s.pair[0], slices.Clone(s.pair)
		return fd
	}
	line := addressLine(s.line)
	fd := finding(AddressLine, sure, fact.New("memory.address-line-or-short", "line", line, "who", who), advice,
		fact.New("memory.address-bit-stands", "line", line, "value", s.value))
	fd.AddressLine = s.line
	return fd
}

// crossPairs looks for two lines of different chips that are shorted or
// swapped. Only varied data can show it; otherwise two faults are assumed.
func (d *diagnosis) crossPairs() {
	single := func(v *chipView) bool { return !d.done[v] && len(v.failing) == 1 && !v.isolated() }
	for i, v := range d.views {
		if !single(v) {
			continue
		}
		for _, w := range d.views[i+1:] {
			if w.bank != v.bank || !single(w) {
				continue
			}
			line, other := v.failing[0], w.failing[0]
			lane, otherLane := v.chip*v.org.ChipBits+line, w.chip*w.org.ChipBits+other
			e := gatherPair([][]sampleRow{v.log.sample, w.log.sample}, lane, otherLane)
			kind, how, strong := e.joined()
			if kind == "" || !strong {
				continue
			}
			fd := finding(kind, confidence(int64(e.rows), share(e.differ, e.rows)),
				fact.New("memory.lines-of-two-chips", "line", dataLine(line), "chip", v.name(),
					"other", dataLine(other), "other-chip", w.name()),
				fact.New("memory.look-side-by-side"), how)
			fd.Lines = []int{line}
			d.add(v, fd)
			fd.Lines = []int{other}
			d.add(w, fd)
			break
		}
	}
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
