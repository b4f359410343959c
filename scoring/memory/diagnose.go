package memory

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// A FaultReport is what a list of failing addresses shows.
type FaultReport struct {
	Rows     int64     `json:"rows"`     // failing rows inside the memory
	Agreeing int64     `json:"agreeing"` // rows that read back what was written
	Outside  int64     `json:"outside"`  // rows that cannot belong to this memory
	Findings []Finding `json:"findings"` // the likeliest explanation first, by weight of rows
}

// Report returns the counts and the findings so far. More rows may follow.
func (f *Failures) Report() FaultReport {
	r := FaultReport{Rows: f.rows, Agreeing: f.agreeing, Outside: f.outside, Findings: f.Findings()}
	if r.Findings == nil {
		r.Findings = []Finding{}
	}
	return r
}

// A diagnosis is the work in progress: views not yet explained, findings with
// the number of rows each explains.
type diagnosis struct {
	f     *Failures
	views []*chipView
	done  map[*chipView]bool
	found []weighed
}

type weighed struct {
	Finding
	rows int64
}

// Findings explains the failing rows so far: first what concerns whole banks,
// then pairs of lines across chips, then each chip for itself. The fault that
// explains most rows stands first; growth and pattern findings follow the
// fault of their chip.
func (f *Failures) Findings() []Finding {
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
	slices.SortStableFunc(d.found, func(a, b weighed) int {
		switch {
		case a.rows > b.rows:
			return -1
		case a.rows < b.rows:
			return 1
		}
		return 0
	})
	var out []Finding
	for _, w := range d.found {
		out = append(out, w.Finding)
	}
	return out
}

// confidence grows with the rows n that a finding rests on; purity is the
// share of them it explains.
func confidence(n int64, purity float64) float64 {
	c := purity * float64(n) / float64(n+4)
	return math.Round(1000*min(max(c, 0.01), 0.999)) / 1000
}

// add files a finding for a chip.
func (d *diagnosis) add(v *chipView, fd Finding) {
	fd.Bank, fd.Chip = v.bank, v.chip
	fd.Designator = v.org.Designator(v.bank, v.chip)
	d.done[v] = true
	d.found = append(d.found, weighed{fd, v.log.rows})
}

func (v *chipView) name() string {
	n := v.org.Designator(v.bank, v.chip)
	if n == "" {
		n = "chip"
	}
	return fmt.Sprintf("%s (bank %d, chip %d)", n, v.bank, v.chip)
}

func lineNames(lines []int) string {
	var b strings.Builder
	for i, l := range lines {
		if i > 0 {
			b.WriteString(", ")
		}
		fmt.Fprintf(&b, "D%d", l)
	}
	return b.String()
}

// banks looks for faults that all chips of a bank share.
func (d *diagnosis) banks() {
	per := d.f.org.ChipsPerBank()
	if per < 2 {
		return
	}
	for bank := range d.f.org.Banks {
		var broad []*chipView
		for _, v := range d.views {
			if v.bank == bank && !v.isolated() && len(v.failing) >= min(3, v.org.ChipBits) {
				broad = append(broad, v)
			}
		}
		if len(broad) < 2 {
			continue
		}
		shape := sharedShape(broad)
		var whole []*chipView
		low, high := int64(math.MaxInt64), int64(0)
		for _, v := range broad {
			if _, _, inRow := v.row(); !inRow && (shape.found() || v.deadLike()) {
				whole = append(whole, v)
				low, high = min(low, v.log.rows), max(high, v.log.rows)
			}
		}
		if len(whole) == per && low*5 >= high || len(whole) >= 2 && d.aliases(whole) != nil && silent(whole) {
			d.wholeBank(bank, whole, shape)
		}
	}
}

// silent reports, for an address-as-data test, whether the rows of these chips cover the whole bus and every
// line of it always returned one and the same value: chips to which nothing
// else was written cannot show that they do not answer.
func silent(chips []*chipView) bool {
	covered := make([]bool, chips[0].org.BusBits)
	var value uint64
	for i, v := range chips {
		for j := range v.log.sample {
			r := &v.log.sample[j]
			m := ones(int(r.bits))
			if i+j == 0 {
				value = r.read & 1
			}
			if r.read != -value&m {
				return false
			}
			for l := range int(r.bits) {
				covered[int(r.lane0)+l] = true
			}
		}
	}
	return !slices.Contains(covered, false)
}

func (d *diagnosis) wholeBank(bank int, chips []*chipView, shape addressShape) {
	rows := int64(0)
	for _, v := range chips {
		rows += v.log.rows
		d.done[v] = true
	}
	list := strings.Join(d.f.org.Banks[bank].Designators, ", ")
	var fd Finding
	if shape.found() {
		fd = addressFinding(chips[0], shape, "all chips of bank "+fmt.Sprint(bank)+" ("+list+")")
		fd.Advice = "the address line common to these chips: its trace, its series resistor, the controller's pin; then the pin of each chip"
	} else {
		fd = Finding{Kind: BankLost, AddressLine: -1, Confidence: confidence(rows, 0.97),
			Where:  fmt.Sprintf("bank %d, all chips (%s)", bank, list),
			Advice: "chip select, clock, clock enable and supply of this bank; then the strobes that its chips share",
		}
	}
	fd.Bank, fd.Chip, fd.Designator = bank, -1, list
	d.found = append(d.found, weighed{fd, rows})
}

// addressFinding words an address-line fault of a chip or a group of chips.
func addressFinding(v *chipView, s addressShape, who string) Finding {
	fd := Finding{Kind: AddressLine, AddressLine: s.line, Confidence: confidence(v.log.rows, 0.95),
		Advice: "the chip's address pin: solder joint, bridge to its neighbour, trace, series resistor"}
	if s.pair != nil {
		fd.AddressLine, fd.AddressLines = s.pair[0], slices.Clone(s.pair)
		fd.Where = fmt.Sprintf("word-address lines A%d and A%d of %s, shorted together", s.pair[0], s.pair[1], who)
		fd.Evidence = []string{fmt.Sprintf("A%d and A%d differ in every failing address", s.pair[0], s.pair[1])}
		return fd
	}
	fd.Where = fmt.Sprintf("word-address line A%d of %s, stuck or shorted to a neighbour", s.line, who)
	fd.Evidence = []string{fmt.Sprintf("A%d is %d in every failing address", s.line, s.value)}
	return fd
}

// crossPairs looks for two lines of different chips that are shorted or
// swapped. Only varied data can show it; otherwise two faults are assumed.
func (d *diagnosis) crossPairs() {
	for i, v := range d.views {
		if d.done[v] || len(v.failing) != 1 || v.isolated() {
			continue
		}
		for _, w := range d.views[i+1:] {
			if w.bank != v.bank || d.done[w] || len(w.failing) != 1 || w.isolated() {
				continue
			}
			a := v.chip*v.org.ChipBits + v.failing[0]
			b := w.chip*w.org.ChipBits + w.failing[0]
			e := gatherPair([][]sampleRow{v.log.sample, w.log.sample}, a, b)
			kind, how, strong, ok := e.joined()
			if !ok || !strong {
				continue
			}
			fd := Finding{Kind: kind, AddressLine: -1, Lines: []int{v.failing[0]},
				Confidence: confidence(int64(e.rows), share(e.differ, e.rows)),
				Where: fmt.Sprintf("data line D%d of %s and data line D%d of %s", v.failing[0], v.name(),
					w.failing[0], w.name()),
				Advice:   "the traces of these two lines where they run side by side, and the controller's pins",
				Evidence: []string{how},
			}
			d.add(v, fd)
			fd.Lines = []int{w.failing[0]}
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
	same := func(a, b Finding) bool {
		return a.Kind == b.Kind && a.Chip == b.Chip && a.AddressLine == b.AddressLine &&
			a.Alternative == b.Alternative && slices.Equal(a.Lines, b.Lines)
	}
	shared := map[Kind]bool{LineStuck0: true, LineStuck1: true, LineOpen: true, LinesShorted: true, LinesSwapped: true, AddressLine: true}
	var out []weighed
	used := make([]bool, len(d.found))
	for i, a := range d.found {
		if used[i] {
			continue
		}
		group := []int{i}
		for j := i + 1; shared[a.Kind] && j < len(d.found); j++ {
			if !used[j] && d.found[j].Bank != a.Bank && same(a.Finding, d.found[j].Finding) {
				group = append(group, j)
			}
		}
		if len(group) == banks {
			names := []string{}
			a.rows = 0
			for _, j := range group {
				used[j] = true
				names = append(names, d.found[j].Designator)
				a.rows += d.found[j].rows
			}
			a.Bank, a.Designator = -1, strings.Join(names, ", ")
			a.Where += "; the same in every bank (" + a.Designator + ")"
			a.Advice = "the line is faulty in every bank, so look at the trace and the controller's pin before the chips"
		}
		out = append(out, a)
	}
	d.found = out
}
