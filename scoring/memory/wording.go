package memory

import (
	"slices"
	"strings"

	"proveout/plans/fact"
)

const (
	// decided is the least confidence with which a cause is named.
	decided = 0.5
	// replaceFrom is the least confidence with which replacing a chip is advised:
	// of ten chips taken off at most one was good. Common practice, no source.
	replaceFrom = 0.9
)

// words makes a finding of a hypothesis; view is its chip, nil for one of several.
func (d *diagnosis) words(h *hypothesis, view *chipView, sure float64) Fault {
	var fd Fault
	switch {
	case h.outside():
		fd = h.outsideWords()
	case h.chip < 0:
		fd = d.bankWords(h)
	default:
		fd = h.chipWords(view)
		fd.Designator = view.designator()
		if sure < replaceFrom && slices.Contains(replaced, fd.Kind) {
			fd.Advice = fact.New("memory.look-more", "least", fact.In(100*replaceFrom, "%").To(1))
		}
	}
	fd.Bank, fd.Chip, fd.Confidence = h.bank, h.chip, rounded(sure)
	if view != nil && h.chip >= 0 {
		fd.Chip = view.chip
	}
	return fd
}

// replaced are the faults whose advice ends with a new chip.
var replaced = []Kind{IsolatedCells, ChipRow, ChipColumn, ChipDead, ChipWeak}

// outsideWords are those of a cause outside the memory.
func (h *hypothesis) outsideWords() Fault {
	where := fact.New("memory.where." + string(h.kind))
	fd := finding(h.kind, 0, where, fact.New("memory.look-outside"))
	switch h.kind {
	case BusLine:
		fd.Where = fact.New("memory.where.bus-line", "line", fact.Name("AD"+dataLine(h.lines[0])[1:]))
		fd.Advice = fact.New("memory.look-bus-line")
		fd.Lines = h.lines
	case BusAddress:
		fd.Where = fact.New("memory.where.bus-address", "bit", addressLine(h.line))
		fd.Advice = fact.New("memory.look-bus-line")
	}
	return fd
}

// bankWords are those of a cause that all chips of a bank share.
func (d *diagnosis) bankWords(h *hypothesis) Fault {
	designators := strings.Join(d.f.org.Banks[h.bank].Designators, ", ")
	if h.kind == BankLost {
		fd := finding(BankLost, 0, fact.New("memory.whole-bank", "bank", h.bank, "chips", designators),
			fact.New("memory.look-bank"))
		fd.Designator = designators
		return fd
	}
	who := fact.New("memory.chips-of-bank-named", "bank", h.bank, "chips", designators)
	fd := h.addressWords(who, fact.New("memory.look-common-address"))
	fd.Designator = designators
	return fd
}

// addressWords are those of an address line of a chip or a group of chips.
func (h *hypothesis) addressWords(who, advice fact.Fact) Fault {
	line := addressLine(h.line)
	if h.line == upperLine {
		return finding(AddressLine, 0, fact.New("memory.address-upper", "who", who), advice)
	}
	if h.pair >= 0 {
		other := addressLine(h.pair)
		fd := finding(AddressLine, 0, fact.New("memory.address-lines", "line", line, "other", other, "who", who), advice,
			fact.New("memory.address-bits-differ", "line", line, "other", other))
		fd.AddressLine, fd.AddressLines = h.line, []int{h.line, h.pair}
		return fd
	}
	fd := finding(AddressLine, 0, fact.New("memory.address-line-or-short", "line", line, "who", who), advice,
		fact.New("memory.address-bit-stands", "line", line, "value", h.value))
	fd.AddressLine = h.line
	return fd
}

// chipWords are those of a fault of one chip.
func (h *hypothesis) chipWords(v *chipView) (fd Fault) {
	switch h.kind {
	case AddressLine:
		return h.addressWords(v.name(), fact.New("memory.look-address-pin"))
	case LineStuck0, LineStuck1, LineOpen:
		return v.lineWords(h.kind, h.lines[0])
	case LinesShorted, LinesSwapped:
		return h.pairWords(v)
	case ChipDead:
		fd = finding(ChipDead, 0, fact.New("memory.whole-chip", "chip", v.name()), fact.New("memory.look-dead"),
			fact.New("memory.wrong-bits", "share", fact.In(100*v.density, "%").To(1)), v.heldValue())
	case ChipWeak:
		fd = finding(ChipWeak, 0,
			fact.New("memory.spread", "chip", v.name(), "n", len(v.failing)), fact.New("memory.look-weak"),
			fact.New("memory.wrong-bits", "share", fact.In(100*v.density, "%").To(0.1)))
		if len(v.failing) == 0 {
			fd.Where = fact.New("memory.spread-thin", "chip", v.name())
		}
	case IsolatedCells:
		fd = finding(IsolatedCells, 0, fact.New("memory.cells", "n", len(v.words), "chip", v.name(),
			"first", hex(v.words[0]), "lines", dataLines(v.failing)), fact.New("memory.look-cells"))
	case ChipRow:
		fd = finding(ChipRow, 0, fact.New("memory.row", "chip", v.name(), "first", hex(h.first), "last", hex(h.last),
			"lines", dataLines(v.failing)), fact.New("memory.look-row"))
	case ChipColumn:
		fd = finding(ChipColumn, 0, fact.New("memory.column", "chip", v.name(), "end", hex(h.first),
			"n", h.low, "lines", dataLines(v.failing)), fact.New("memory.look-column"))
	}
	fd.Lines = v.failing
	return fd
}

// lineWords are those of a single data line.
func (v *chipView) lineWords(kind Kind, line int) Fault {
	advice := fact.New("memory.look-open", "line", dataLine(line), "chip", v.designator())
	switch kind {
	case LineStuck0:
		advice = fact.New("memory.look-stuck-0", "line", dataLine(line), "chip", v.designator())
	case LineStuck1:
		advice = fact.New("memory.look-stuck-1", "line", dataLine(line), "chip", v.designator())
	}
	fd := finding(kind, 0, fact.New("memory.data-line", "line", dataLine(line), "chip", v.name()), advice,
		fact.New("memory.directions", "to0", v.log.to0[line], "to1", v.log.to1[line]))
	fd.Lines = []int{line}
	return fd
}

// pairWords are those of two data lines that touch or are exchanged.
func (h *hypothesis) pairWords(v *chipView) Fault {
	if h.other >= 0 {
		a, b := h.sides(v)
		fd := finding(h.kind, 0, fact.New("memory.lines-of-two-chips",
			"line", dataLine(h.lines[0]), "chip", a, "other", dataLine(h.second), "other-chip", b),
			fact.New("memory.look-side-by-side"), h.how)
		fd.Lines = h.lines
		return fd
	}
	a, b := h.lines[0], h.lines[1]
	advice := fact.New("memory.look-shorted", "line", dataLine(a), "other", dataLine(b), "chip", v.designator())
	if h.kind == LinesSwapped {
		advice = fact.New("memory.look-swapped", "line", dataLine(a), "other", dataLine(b), "chip", v.designator())
	}
	fd := finding(h.kind, 0, fact.New("memory.data-lines", "line", dataLine(a), "other", dataLine(b), "chip", v.name()),
		advice, h.how)
	fd.Lines = h.lines
	return fd
}

// sides are the two chips of a pair of lines.
func (h *hypothesis) sides(v *chipView) (a, b fact.Fact) {
	at := func(chip int) fact.Fact {
		return fact.New("memory.chip", "chip", v.org.Designator(h.bank, chip), "bank", h.bank, "lane", chip)
	}
	return at(h.chip), at(h.other)
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

// notDecided is the finding of rows that several causes explain: the chip, when
// at least that is known, and what it may be.
func (d *diagnosis) notDecided(v *verdict, view *chipView) Fault {
	where := fact.New("memory.where.undecided")
	chip, sure := -1, v.sure
	if view != nil && v.here >= decided {
		chip, sure = v.chip, v.here
		where = fact.New("memory.undecided-at-chip", "chip", view.name())
	}
	fd := finding(NotDecided, rounded(sure), where, fact.New("memory.look-undecided"))
	fd.Bank, fd.Chip = -1, -1
	if chip >= 0 {
		fd.Bank, fd.Chip, fd.Designator = v.bank, chip, view.designator()
	}
	for _, h := range append([]*hypothesis{v.hypothesis}, v.rival...) {
		share := v.sure
		if h != v.hypothesis {
			share = v.rivals[h]
		}
		may := d.words(h, d.view(h.bank, h.chip), share)
		fd.Evidence = append(fd.Evidence, fact.New("memory.may-be", "fault", may.Fact(),
			"share", fact.In(100*share, "%").To(1)))
	}
	return fd
}
