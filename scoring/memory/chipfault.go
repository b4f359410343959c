package memory

import "proveout/plans/fact"

// chip explains the failures of one chip: by the part of its array that they
// keep to, where there is one, else by its lines.
//
// The order matters. Few cells that fail again and again look like a line
// fault on the few lines that they sit on, and a row or a column like a weak
// chip: so the narrow explanations are asked first.
func (d *diagnosis) chip(v *chipView) {
	before := len(d.found)
	shape := shapeOf(v)
	column, isColumn := v.column()
	first, last, isRow := v.row()
	lines := dataLines(v.failing)
	var fd Fault
	switch {
	case v.isolated():
		fd = finding(IsolatedCells, confidence(v.log.rows, 0.97),
			fact.New("memory.cells", "n", len(v.words), "chip", v.name(), "first", hex(v.words[0]), "lines", lines),
			fact.New("memory.look-cells"))
	case isColumn && (shape.line < 0 || shape.line >= columnRun): // else it is one low bit that stands for itself
		_, value := fixedBits(v)
		end := hex(int64(value & ones(column)))
		fd = finding(ChipColumn, confidence(v.log.rows, 0.95),
			fact.New("memory.column", "chip", v.name(), "end", end, "n", column, "lines", lines),
			fact.New("memory.look-column"))
	case isRow:
		fd = finding(ChipRow, confidence(v.log.rows, 0.93),
			fact.New("memory.row", "chip", v.name(), "first", hex(first), "last", hex(last), "lines", lines),
			fact.New("memory.look-row"))
	}
	if fd.Kind == "" {
		d.chipLines(v, shape)
	} else {
		fd.Lines = v.failing
		d.add(v, fd)
	}
	d.qualify(v, d.found[before].Kind)
}

// chipLines explains a chip whose failures are all over its array: one or two
// data lines, an address line, or the chip as a whole.
func (d *diagnosis) chipLines(v *chipView, shape addressShape) {
	switch len(v.failing) {
	case 0: // every line below the stray limit: spread thinly over all of them
		d.add(v, v.weak())
		return
	case 1:
		d.oneLine(v, v.failing[0])
		return
	case 2:
		if d.linePair(v, v.failing[0], v.failing[1]) {
			return
		}
	}
	switch {
	case shape.found():
		d.add(v, addressFinding(v, shape, v.name(), fact.New("memory.look-address-pin")))
	case v.deadLike():
		fd := finding(ChipDead, confidence(v.log.rows, 0.97),
			fact.New("memory.whole-chip", "chip", v.name()), fact.New("memory.look-dead"),
			fact.New("memory.wrong-bits", "share", fact.In(100*v.density, "%").To(1)), v.heldValue())
		fd.Lines = v.failing
		d.add(v, fd)
	case v.fewLines():
		for _, line := range v.failing {
			fd := v.lineFinding(line)
			fd.Confidence = confidence(v.log.to0[line]+v.log.to1[line], 0.85)
			d.add(v, fd)
		}
	default:
		d.add(v, v.weak())
	}
}

// oneLine explains a chip that fails on one data line.
func (d *diagnosis) oneLine(v *chipView, line int) {
	fd := v.lineFinding(line)
	if other, ok := d.quietPartner(v, line); ok && fd.Kind != LineOpen {
		low, high := min(line, other), max(line, other)
		fd.Kind, fd.Lines = LinesShorted, []int{low, high}
		fd.Where, fd.Advice = v.linesAt(low, high), v.pairAdvice(LinesShorted, low, high)
		fd.Evidence = append(fd.Evidence,
			fact.New("memory.only-opposite", "line", dataLine(line), "other", dataLine(other)))
	}
	if fd.Kind != LinesShorted && d.gappy(v, line) {
		fd.Kind = LineOpen
		fd.Confidence = min(fd.Confidence, 0.8)
		fd.Advice = v.openAdvice(line)
		fd.Evidence = append(fd.Evidence, fact.New("memory.right-between"))
	}
	d.add(v, fd)
	d.addressAlternative(v)
}

// heldValue says whether the chip always returned the same value.
func (v *chipView) heldValue() fact.Fact {
	if v.varying != 0 {
		return fact.New("memory.returns-varying")
	}
	all, any := ^uint32(0), uint32(0)
	for i := range v.log.sample {
		row := &v.log.sample[i]
		all &= row.got | ^row.covered
		any |= row.got
	}
	return fact.New("memory.returns-always", "value", hex(int64(all|any)&int64(ones(v.org.ChipBits))))
}

// fewLines is true when few lines fail and each fails often: separate line
// faults rather than a weak chip.
func (v *chipView) fewLines() bool {
	if len(v.failing) > max(2, v.org.ChipBits/4) {
		return false
	}
	for _, line := range v.failing {
		if (v.log.to0[line]+v.log.to1[line])*20 < v.log.rows {
			return false
		}
	}
	return true
}

func (v *chipView) weak() Fault {
	where := fact.New("memory.spread", "chip", v.name(), "n", len(v.failing))
	if len(v.failing) == 0 {
		where = fact.New("memory.spread-thin", "chip", v.name())
	}
	fd := finding(ChipWeak, confidence(v.log.rows, 0.93), where, fact.New("memory.look-weak"),
		fact.New("memory.wrong-bits", "share", fact.In(100*v.density, "%").To(0.1)))
	fd.Lines = v.failing
	return fd
}

// openShare is the smallest share of errors in the rarer direction that speaks
// of an open line. A line that floats gives both; a rotating single 1 across
// 64 lines still leaves 1 in 64 in the rarer direction.
const openShare = 0.004

// lineFinding explains a single failing line by the direction of its errors: a
// line tied to ground only ever turns 1 into 0, one tied to the supply 0 into
// 1, a floating one both, and one that follows another line whatever that was
// written.
func (v *chipView) lineFinding(line int) Fault {
	to0, to1 := v.log.to0[line], v.log.to1[line]
	errors, rarer := to0+to1, min(to0, to1)
	where := fact.New("memory.data-line", "line", dataLine(line), "chip", v.name())
	directions := fact.New("memory.directions", "to0", to0, "to1", to1)
	var fd Fault
	if float64(rarer) >= openShare*float64(errors) && rarer > 0 {
		if lane, ok := master(v.log.sample, v.chip*v.org.ChipBits+line); ok {
			return v.following(line, lane, directions)
		}
		fd = finding(LineOpen, confidence(errors, 0.97), where, v.openAdvice(line), directions)
	} else {
		kind, advice := LineStuck0, fact.New("memory.look-stuck-0", "line", dataLine(line), "chip", v.designator())
		if to1 > to0 {
			kind, advice = LineStuck1, fact.New("memory.look-stuck-1", "line", dataLine(line), "chip", v.designator())
		}
		fd = finding(kind, confidence(errors, float64(errors-rarer)/float64(errors)), where, advice, directions)
	}
	fd.Lines = []int{line}
	return fd
}

func (v *chipView) openAdvice(line int) fact.Fact {
	return fact.New("memory.look-open", "line", dataLine(line), "chip", v.designator())
}

// following is the finding of a line that returns what another lane was
// written.
func (v *chipView) following(line, lane int, directions fact.Fact) Fault {
	chip, other := lane/v.org.ChipBits, lane%v.org.ChipBits
	name, winner := v.org.Designator(v.bank, chip), dataLine(other)
	fd := finding(LinesShorted, confidence(int64(len(v.log.sample)), 0.9),
		fact.New("memory.following", "line", dataLine(line), "chip", v.name(), "other", winner, "other-chip", name),
		fact.New("memory.look-bridge"),
		directions, fact.New("memory.returned-other", "other", winner, "other-chip", name))
	fd.Lines = []int{line}
	if chip == v.chip {
		fd.Lines = []int{min(line, other), max(line, other)}
	}
	return fd
}

// linePair explains two failing lines of one chip: shorted or swapped, and
// otherwise each for itself. It reports false when they explain nothing.
func (d *diagnosis) linePair(v *chipView, a, b int) bool {
	base := v.chip * v.org.ChipBits
	e := gatherPair([][]sampleRow{v.log.sample}, base+a, base+b)
	if kind, how, strong := e.joined(); kind != "" {
		purity := share(e.differ, e.rows)
		if !strong { // two separate line faults would show the same rows
			purity = min(purity, 0.75)
		}
		fd := finding(kind, confidence(int64(e.rows), purity), v.linesAt(a, b), v.pairAdvice(kind, a, b), how)
		fd.Lines = []int{a, b}
		d.add(v, fd)
		d.addressAlternative(v)
		return true
	}
	if !v.fewLines() {
		return false
	}
	for _, line := range v.failing {
		d.add(v, v.lineFinding(line))
	}
	return true
}

func (v *chipView) linesAt(a, b int) fact.Fact {
	return fact.New("memory.data-lines", "line", dataLine(a), "other", dataLine(b), "chip", v.name())
}

func (v *chipView) pairAdvice(kind Kind, a, b int) fact.Fact {
	if kind == LinesSwapped {
		return fact.New("memory.look-swapped", "line", dataLine(a), "other", dataLine(b), "chip", v.designator())
	}
	return fact.New("memory.look-shorted", "line", dataLine(a), "other", dataLine(b), "chip", v.designator())
}
