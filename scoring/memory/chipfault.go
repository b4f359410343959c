package memory

import (
	"fmt"
	"slices"
)

// chip explains the failures of one chip.
func (d *diagnosis) chip(v *chipView) {
	n := v.log.rows
	fd := Finding{AddressLine: -1}
	shape := v.addressShape()
	column, isColumn := v.column()
	first, last, isRow := v.row()
	switch {
	case v.isolated():
		fd.Kind = IsolatedCells
		fd.Lines = slices.Clone(v.failing)
		fd.Confidence = confidence(n, 0.97)
		fd.Where = fmt.Sprintf("%d words of %s, first 0x%x, lines %s", len(v.words), v.name(), v.words[0], lineNames(v.failing))
		fd.Advice = "the cells themselves are bad: replace the chip; soldering does not help"
	case isColumn && !shapeBeatsColumn(shape):
		_, value := v.fixedBits()
		fd.Kind = ChipColumn
		fd.Lines = slices.Clone(v.failing)
		fd.Confidence = confidence(n, 0.95)
		fd.Where = fmt.Sprintf("one column of %s (word address ends in 0x%x, low %d bits), lines %s", v.name(), value&ones(column), column, lineNames(v.failing))
		fd.Advice = "a column of the chip's array is bad: replace the chip"
	case isRow:
		fd.Kind = ChipRow
		fd.Lines = slices.Clone(v.failing)
		fd.Confidence = confidence(n, 0.93)
		fd.Where = fmt.Sprintf("one row of %s, words 0x%x to 0x%x, lines %s", v.name(), first, last, lineNames(v.failing))
		fd.Advice = "a row of the chip's array is bad: replace the chip"
	default:
		before := len(d.found)
		d.chipLines(v, shape)
		d.qualify(v, d.found[before].Kind)
		return
	}
	d.add(v, fd)
	d.qualify(v, fd.Kind)
}

// shapeBeatsColumn is true when one address bit stands still for itself: the
// low bits then do not.
func shapeBeatsColumn(s addressShape) bool { return s.line >= 0 && s.line < columnRun }

// chipLines explains a chip whose failures are not confined to a part of it.
func (d *diagnosis) chipLines(v *chipView, shape addressShape) {
	switch len(v.failing) {
	case 0: // every line below the stray limit: spread thinly over all of them
		d.add(v, weakFinding(v))
		return
	case 1:
		fd := v.lineFinding(v.failing[0])
		if other, ok := d.quietPartner(v, v.failing[0]); ok && fd.Kind != LineOpen {
			a, b := min(v.failing[0], other), max(v.failing[0], other)
			fd.Kind, fd.Lines = LinesShorted, []int{a, b}
			fd.Where = fmt.Sprintf("data lines D%d and D%d of %s", a, b, v.name())
			fd.Advice = pairAdvice(LinesShorted, a, b, v)
			fd.Evidence = append(fd.Evidence, fmt.Sprintf("D%d fails only where D%d was written the other way", v.failing[0], other))
		}
		if fd.Kind != LinesShorted && d.gappy(v, v.failing[0]) {
			fd.Kind = LineOpen
			fd.Confidence = min(fd.Confidence, 0.8)
			fd.Advice = openAdvice(v, v.failing[0])
			fd.Evidence = append(fd.Evidence, "it was right at many addresses between the failing ones")
		}
		d.add(v, fd)
		d.addressAlternative(v)
		return
	case 2:
		if d.linePair(v) {
			return
		}
	}
	switch {
	case shape.found():
		d.add(v, addressFinding(v, shape, v.name()))
	case v.deadLike():
		d.add(v, Finding{Kind: ChipDead, AddressLine: -1, Lines: slices.Clone(v.failing), Confidence: confidence(v.log.rows, 0.97),
			Where:    fmt.Sprintf("%s, all its lines", v.name()),
			Advice:   "supply pins, clock, select and strobe of the chip; press on it while the test runs; then replace it",
			Evidence: []string{fmt.Sprintf("%.0f %% of the chip's bits are wrong in a failing row", 100*v.density), v.heldValue()},
		})
	case v.fewLines():
		for _, l := range v.failing {
			fd := v.lineFinding(l)
			fd.Confidence = confidence(v.log.to0[l]+v.log.to1[l], 0.85)
			d.add(v, fd)
		}
	default:
		d.add(v, weakFinding(v))
	}
}

// heldValue says whether the chip always returned the same value.
func (v *chipView) heldValue() string {
	if v.varying != 0 {
		return "what it returns changes from row to row"
	}
	and, or := ^uint32(0), uint32(0)
	for _, r := range v.log.sample {
		and &= r.cr | ^r.cover
		or |= r.cr
	}
	mask := uint32(ones(v.org.ChipBits))
	return fmt.Sprintf("it always returns 0x%x", (and|or)&mask)
}

// fewLines is true when few lines fail and each fails often: separate line
// faults rather than a weak chip.
func (v *chipView) fewLines() bool {
	if len(v.failing) > max(2, v.org.ChipBits/4) {
		return false
	}
	for _, l := range v.failing {
		if to0, to1 := v.errors(l); (to0+to1)*20 < v.log.rows {
			return false
		}
	}
	return true
}

func weakFinding(v *chipView) Finding {
	return Finding{Kind: ChipWeak, AddressLine: -1, Lines: slices.Clone(v.failing),
		Confidence: confidence(v.log.rows, 0.93),
		Where:      fmt.Sprintf("%s, errors spread over %d of its lines", v.name(), len(v.failing)),
		Advice:     "the chip's supply and its decoupling, the clock's shape, heat; then replace it",
		Evidence:   []string{fmt.Sprintf("%.1f %% of the chip's bits are wrong in a failing row", 100*v.density)},
	}
}

// openShare is the smallest share of errors in the rarer direction that speaks
// of an open line. A line that floats gives both; a rotating single 1 across
// 64 lines still leaves 1 in 64 in the rarer direction.
const openShare = 0.004

// lineFinding explains a single failing line.
func (v *chipView) lineFinding(line int) Finding {
	to0, to1 := v.errors(line)
	n := to0 + to1
	minor := min(to0, to1)
	fd := Finding{AddressLine: -1, Lines: []int{line}, Where: fmt.Sprintf("data line D%d of %s", line, v.name())}
	fd.Evidence = []string{fmt.Sprintf("%d errors 1 to 0, %d errors 0 to 1", to0, to1)}
	if float64(minor) >= openShare*float64(n) && minor > 0 {
		if lane, ok := master(v.log.sample, v.org.ChipBits, v.chip, line); ok {
			return v.masterFinding(fd, line, lane)
		}
		fd.Kind = LineOpen
		fd.Confidence = confidence(n, 0.97)
		fd.Advice = openAdvice(v, line)
		return fd
	}
	fd.Kind = LineStuck0
	rail := "ground"
	if to1 > to0 {
		fd.Kind, rail = LineStuck1, "the supply"
	}
	fd.Confidence = confidence(n, float64(n-minor)/float64(n))
	fd.Advice = fmt.Sprintf("pin D%d of %s: bridge to %s or to a neighbouring pin, resistance to ground with the card unpowered; then the chip's output", line, v.org.Designator(v.bank, v.chip), rail)
	return fd
}

func openAdvice(v *chipView, line int) string {
	return fmt.Sprintf("pin D%d of %s: lifted pin or cracked joint; then the trace and its resistor", line, v.org.Designator(v.bank, v.chip))
}

func (v *chipView) masterFinding(fd Finding, line, lane int) Finding {
	fd.Kind = LinesShorted
	fd.Confidence = confidence(int64(len(v.log.sample)), 0.9)
	chip, other := lane/v.org.ChipBits, lane%v.org.ChipBits
	if chip == v.chip {
		fd.Lines = []int{min(line, other), max(line, other)}
	}
	name := v.org.Designator(v.bank, chip)
	fd.Where = fmt.Sprintf("data line D%d of %s, following D%d of %s", line, v.name(), other, name)
	fd.Advice = "solder bridge between these two lines, at the pins first"
	fd.Evidence = append(fd.Evidence, fmt.Sprintf("it always returned what was written to D%d of %s", other, name))
	return fd
}

// linePair explains two failing lines of one chip: shorted or swapped, and
// otherwise each for itself.
func (d *diagnosis) linePair(v *chipView) bool {
	a, b := v.failing[0], v.failing[1]
	base := v.chip * v.org.ChipBits
	e := gatherPair([][]sampleRow{v.log.sample}, base+a, base+b)
	kind, how, strong, ok := e.joined()
	if ok {
		purity := share(e.differ, e.rows)
		if !strong { // two separate line faults would show the same rows
			purity = min(purity, 0.75)
		}
		d.add(v, Finding{Kind: kind, AddressLine: -1, Lines: []int{a, b}, Confidence: confidence(int64(e.rows), purity),
			Where:    fmt.Sprintf("data lines D%d and D%d of %s", a, b, v.name()),
			Advice:   pairAdvice(kind, a, b, v),
			Evidence: []string{how},
		})
		d.addressAlternative(v)
		return true
	}
	if !v.fewLines() {
		return false
	}
	for _, l := range v.failing {
		d.add(v, v.lineFinding(l))
	}
	return true
}

func pairAdvice(kind Kind, a, b int, v *chipView) string {
	if kind == LinesSwapped {
		return fmt.Sprintf("lines D%d and D%d of %s are crossed: jumper wires and resistor packs of an earlier repair", a, b, v.org.Designator(v.bank, v.chip))
	}
	return fmt.Sprintf("solder bridge between D%d and D%d of %s: at the pins first, then along the traces and resistor packs", a, b, v.org.Designator(v.bank, v.chip))
}
