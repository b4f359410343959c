package lines

import (
	"cmp"
	"math"
	"slices"

	"proveout/scoring/memory"
)

// ConverterBit is the kind of a fault between memory and screen: one bit of one
// channel is wrong in every lane class, so no chip is to blame.
const ConverterBit memory.Kind = "converter-bit"

// A chipKey names a chip.
type chipKey struct{ bank, chip int }

// explain names the faults behind the bad lines, one after the other, each time
// going on with what remains.
func (v *view) explain(j *judge, rep *Report) {
	rounds := 6 // a card with more faults than that is not repaired by naming them
	if v.task == FromPhotograph {
		rounds = 1 // what a fault does to its neighbours is not linear there
	}
	for range rounds {
		if !v.explainConverter(j, rep) && !v.explainWorstChip(j, rep) {
			break
		}
		j = v.judge()
	}
	j.settleOthers(rep)
}

// settleOthers looks again at lines that looked bad before the faults were
// explained and are named by none: what they are then, counts, but never as good
// after having looked bad. In a photograph tone curve and clipping let a line follow
// less, or with more scatter, where another line of the same pixel fails: what looks
// only a little off beside a fault is not judged.
func (j *judge) settleOthers(rep *Report) {
	after := j.lines()
	for i := range rep.Lines {
		l := &rep.Lines[i]
		if l.State != Bad || rep.names(*l) {
			continue
		}
		littleOff := j.task == FromPhotograph && len(rep.Findings) > 0 && *l.Follows > 0.6 && *l.Follows < 1.5
		if after[i].State != Bad || littleOff {
			l.State = NotJudged
		}
	}
}

// explainConverter adds a finding for each converter bit that is new.
func (v *view) explainConverter(j *judge, rep *Report) bool {
	found := false
	bits, ratios := j.converterBits()
	for i, c := range bits {
		if slices.Contains(rep.hidden, c) {
			continue
		}
		found = true
		rep.hidden = append(rep.hidden, c)
		rep.Findings = append(rep.Findings, v.converterFinding(c, ratios[i]))
		for k := range rep.Lines { // nothing can be said about the lines behind it
			if l := &rep.Lines[k]; slices.Contains(l.PixelBits, v.pixelBit(c.channel, c.bit)) {
				l.State = NotJudged
			}
		}
	}
	if found {
		v.show(v.expected(rep, nil))
	}
	return found
}

// expected are the levels of the screen with what is explained so far: an open
// slot shows its mean, and so does a converter bit, since where it is stuck is
// taken up by the offset.
func (v *view) expected(rep *Report, open []slot) planes {
	out := v.planes(v.codes)
	for _, s := range open {
		bit := v.pixelBit(s.channel, s.bit)
		for y, classes := range v.rows(0, v.Mode.Height, 1) {
			for x, k := range classes {
				if int(k) == s.class {
					i := y*v.Mode.Width + x
					out[s.channel][i] += float32(s.weight) * (0.5 - float32(v.codes[i]>>bit&1))
				}
			}
		}
	}
	for _, c := range rep.hidden {
		bit, weight := v.pixelBit(c.channel, c.bit), float32(v.weight(c.channel, c.bit))
		for i, code := range v.codes {
			out[c.channel][i] -= weight * (float32(code>>bit&1) - 0.5)
		}
	}
	return out
}

// explainWorstChip names the fault behind the bad lines of the chip that has most
// of them, and puts it into the picture. It reports false when no line is left
// that no finding names.
func (v *view) explainWorstChip(j *judge, rep *Report) bool {
	of, bad, judged := j.worstChip(rep)
	if len(bad) == 0 {
		return false
	}
	var open []slot
	var f memory.Fault
	fault, folded := fold{}, false
	// Most of the lines that the picture judges: no fault of a line does that.
	mostBad := len(bad) >= 2 && len(bad)*4 >= judged*3
	if mostBad {
		fault, folded = v.chipFold(of)
	}
	switch {
	case folded:
		confidence := 1 - math.Exp(-fault.gain/50)
		if j.mostlyBad(of.bank) {
			of.chip = everyChip
		}
		f = v.foldFinding(of, fault, confidence)
		v.codes = v.foldCodes(of, fault)
	case mostBad:
		f = v.deadFinding(of, judged)
		for _, line := range bad {
			open = append(open, v.slots(of.bank, of.chip, line)...)
		}
	default:
		f, open = v.explainLines(of, bad, j)
	}
	rep.Findings = append(rep.Findings, f)
	rep.markLines(f)
	if f.Kind == memory.ChipDead {
		v.joinLostBank(of.bank, rep)
	}
	v.show(v.expected(rep, open))
	return true
}

// names reports whether a finding names a line, or its whole bank.
func (rep *Report) names(l Line) bool {
	return slices.ContainsFunc(rep.Findings, func(f memory.Fault) bool {
		return f.Bank == l.Bank && (f.Kind == memory.BankLost || f.Chip == l.Chip && slices.Contains(f.Lines, l.Line))
	})
}

// worstChip returns the chip with most bad lines that no finding names yet, those
// lines, the best known first, and how many of the chip's lines are judged.
func (j *judge) worstChip(rep *Report) (worst chipKey, bad []int, judged int) {
	behindConverter := func(l Line) bool {
		return slices.ContainsFunc(rep.hidden, func(c converterBit) bool {
			return slices.Contains(l.PixelBits, j.pixelBit(c.channel, c.bit))
		})
	}
	for chip := range slices.Chunk(j.lines(), j.Org.ChipBits) {
		chip = slices.DeleteFunc(chip, func(l Line) bool { return l.State == NotJudged })
		count := len(chip)
		chip = slices.DeleteFunc(chip, func(l Line) bool { return l.State == Good || rep.names(l) || behindConverter(l) })
		if len(chip) <= len(bad) {
			continue
		}
		slices.SortStableFunc(chip, func(a, b Line) int { return cmp.Compare(*a.SE, *b.SE) })
		worst, bad, judged = chipKey{chip[0].Bank, chip[0].Chip}, nil, count
		for _, l := range chip {
			bad = append(bad, l.Line)
		}
	}
	return worst, bad, judged
}

// mostlyBad reports whether every chip of a bank, of which there are several, is
// bad in at least half of the lines that the picture judges.
func (j *judge) mostlyBad(bank int) bool {
	for chip := range slices.Chunk(j.lines(), j.Org.ChipBits) {
		if chip[0].Bank != bank {
			continue
		}
		bad, all := 0, 0
		for _, l := range chip {
			if l.State != NotJudged {
				all++
			}
			if l.State == Bad {
				bad++
			}
		}
		if all == 0 || bad*2 < all {
			return false
		}
	}
	return j.Org.ChipsPerBank() > 1
}

// markLines marks the lines of a finding. Of a chip or bank that shows what was
// written elsewhere the lines were seen only where the address is right: they are
// not judged.
func (rep *Report) markLines(f memory.Fault) {
	for i := range rep.Lines {
		l := &rep.Lines[i]
		switch {
		case l.Bank != f.Bank || f.Chip != everyChip && l.Chip != f.Chip:
		case f.Kind == memory.AddressLine:
			l.State = NotJudged
		case !slices.Contains(f.Lines, l.Line) || len(l.PixelBits) == 0:
		case l.State != NotJudged || f.Kind == memory.LinesShorted || f.Kind == memory.LinesSwapped:
			l.State = Bad
		}
	}
}

// joinLostBank replaces the findings of dead chips by one of the bank when every
// judged chip of the bank is dead and another bank is not.
func (v *view) joinLostBank(bank int, rep *Report) {
	dead := map[int]bool{}
	for _, f := range rep.Findings {
		if f.Kind == memory.ChipDead && f.Bank == bank {
			dead[f.Chip] = true
		}
	}
	elsewhere := false // a good line
	for _, l := range rep.Lines {
		if l.Bank == bank && (l.State == Good || l.State == Bad && !dead[l.Chip]) {
			return
		}
		elsewhere = elsewhere || l.Bank != bank && l.State == Good
	}
	if !elsewhere && len(dead) < 2 {
		return
	}
	rep.Findings = slices.DeleteFunc(rep.Findings, func(f memory.Fault) bool {
		return f.Kind == memory.ChipDead && f.Bank == bank
	})
	rep.Findings = append(rep.Findings, v.lostBankFinding(bank))
}
