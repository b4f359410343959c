package lines

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"proveout/plans/fact"
	"proveout/scoring/memory"
	"proveout/scoring/picture/pattern"
)

// confidence turns a deviation and its standard error into a number below 1.
func confidence(deviation, se float64) float64 {
	if se <= 0 {
		return 0.99
	}
	return min(0.999, 1-math.Exp(-math.Abs(deviation)/se/4))
}

// Colour names a channel.
func Colour(channel int) fact.Fact {
	return [3]fact.Fact{fact.New("lines.red"), fact.New("lines.green"), fact.New("lines.blue")}[channel]
}

// DataLines names data lines of a chip: "D3 and D4".
func DataLines(lines []int) fact.List { return numbered("D", lines) }

func numbered(letter string, numbers []int) fact.List {
	names := make([]fact.Name, len(numbers))
	for i, n := range numbers {
		names[i] = fact.Name(fmt.Sprintf("%s%d", letter, n))
	}
	return fact.ListOf(fact.And, names)
}

// hundredths is a ratio as findings show it.
func hundredths(v float64) fact.Amount { return fact.In(v, "").To(0.01) }

// TwoDigits is a share as findings show it: with two significant digits.
func TwoDigits(share float64) fact.Amount {
	return fact.In(share, "").To(math.Pow(10, math.Floor(math.Log10(share))-1))
}

func (v *view) designator(of chipKey) string { return v.Org.Banks[of.bank].Designators[of.chip] }

func (v *view) converterFinding(c converterBit, r ratio) memory.Fault {
	f := ConverterFinding(v.Mode.Format, c.channel, c.bit, r.value, r.se)
	f.Confidence = confidence(1-r.value, r.se)
	return f
}

// ConverterFinding is the fault of a bit of a channel that follows what was
// written by so much of its step all over the picture, with a standard error.
func ConverterFinding(format pattern.Format, channel, bit int, follows, se float64) memory.Fault {
	pixelBit := format.Fields()[channel].Shift + bit
	return memory.Fault{
		Kind: ConverterBit, Chip: everyChip, Bank: -1, AddressLine: -1, Lines: []int{pixelBit},
		Confidence: 0.95,
		Where:      fact.New("lines.everywhere", "colour", Colour(channel), "bit", bit, "pixel-bit", pixelBit),
		Advice:     fact.New("lines.look-converter"),
		Evidence:   []fact.Fact{fact.New("lines.bit-follows", "ratio", hundredths(follows), "error", hundredths(se))},
	}
}

func (v *view) deadFinding(of chipKey, judged int) memory.Fault {
	lines := make([]int, v.Org.ChipBits)
	for i := range lines {
		lines[i] = i
	}
	name := v.designator(of)
	return memory.Fault{
		Kind: memory.ChipDead, Bank: of.bank, Chip: of.chip, Designator: name, Lines: lines, AddressLine: -1,
		Confidence: 0.99,
		Where:      fact.New("lines.whole-chip", "chip", name, "n", judged),
		Advice:     fact.New("lines.look-dead", "chip", name),
	}
}

func (v *view) lostBankFinding(bank int) memory.Fault {
	chips := fact.Names(fact.Comma, v.Org.Banks[bank].Designators)
	return memory.Fault{
		Kind: memory.BankLost, Bank: bank, Chip: everyChip, AddressLine: -1, Confidence: 0.98,
		Where:  fact.New("lines.bank-not-shown", "bank", bank, "chips", chips),
		Advice: fact.New("lines.look-bank"),
	}
}

func (v *view) foldFinding(of chipKey, f fold, confidence float64) memory.Fault {
	out := memory.Fault{
		Kind: memory.AddressLine, Bank: of.bank, Chip: of.chip, AddressLine: f.line, Confidence: confidence,
	}
	who := fact.New("lines.every-chip")
	if of.chip != everyChip {
		out.Designator = v.designator(of)
		who = fact.New("lines.chip", "chip", out.Designator)
	}
	lines := numbered("A", []int{f.line})
	out.Advice = fact.New("lines.look-address-stuck", "lines", lines, "who", who)
	if f.other != none {
		out.AddressLines = []int{f.line, f.other}
		lines = numbered("A", out.AddressLines)
		out.Advice = fact.New("lines.look-address-shorted", "lines", lines, "who", who)
	}
	out.Where = fact.New("lines.shown-elsewhere", "who", who, "n", v.beat<<f.line, "lines", lines)
	share := fact.In(100*min(1, f.strong), "%").To(1)
	out.Evidence = []fact.Fact{fact.New("lines.traced", "share", share)}
	return out
}

// lineFinding names a fault of one or two data lines.
func (v *view) lineFinding(of chipKey, h hypothesis, lines []int, confidence float64, j *judge) memory.Fault {
	name := v.designator(of)
	f := memory.Fault{
		Kind: h.kind, Bank: of.bank, Chip: of.chip, Designator: name, Lines: lines, AddressLine: -1,
		Confidence: confidence, Advice: lineAdvice(name, h, DataLines(lines)),
	}
	var bits []fact.Fact
	seen := map[converterBit]bool{}
	for _, line := range lines {
		for _, s := range v.slots(of.bank, of.chip, line) {
			if bit := (converterBit{s.channel, s.bit}); !seen[bit] {
				seen[bit] = true
				bits = append(bits, fact.New("lines.bit", "colour", Colour(s.channel), "bit", s.bit))
			}
		}
		r := j.line(of.bank, of.chip, line)
		f.Evidence = append(f.Evidence, fact.New("lines.line-follows", "line", fmt.Sprintf("D%d", line),
			"ratio", hundredths(r.value), "error", hundredths(r.se)))
	}
	f.Where = fact.New("lines.at-lines", "chip", name, "lines", DataLines(lines),
		"n", len(bits), "bits", fact.ListOf(fact.Comma, bits), "columns", v.columns(of, lines))
	if len(v.slots(of.bank, of.chip, lines[0])) == 1 && v.phases == 1 {
		f.Evidence = append(f.Evidence, fact.New("lines.or-converter"))
	}
	return f
}

func lineAdvice(chip string, h hypothesis, lines fact.List) fact.Fact {
	switch {
	case h.kind == memory.LineStuck0:
		return fact.New("lines.look-stuck-0", "chip", chip, "lines", lines)
	case h.kind == memory.LineStuck1:
		return fact.New("lines.look-stuck-1", "chip", chip, "lines", lines)
	case h.kind == memory.LineOpen:
		return fact.New("lines.look-open", "chip", chip, "lines", lines)
	case h.kind == memory.LinesSwapped:
		return fact.New("lines.look-exchanged", "chip", chip, "lines", lines)
	case h.or:
		return fact.New("lines.look-wired-or", "chip", chip, "lines", lines)
	}
	return fact.New("lines.look-wired-and", "chip", chip, "lines", lines)
}

// columns says where the pixels of data lines lie.
func (v *view) columns(of chipKey, lines []int) fact.Fact {
	var phases []fact.Count
	for _, line := range lines {
		for _, s := range v.slots(of.bank, of.chip, line) {
			if phase := fact.Count(s.class % v.phases); !slices.Contains(phases, phase) {
				phases = append(phases, phase)
			}
		}
	}
	if v.Mode.LineBytes()%int(v.beat) != 0 || v.phases == 1 { // they move from row to row
		return fact.New("lines.lane-classes", "some", len(phases), "n", v.phases)
	}
	slices.SortFunc(phases, cmp.Compare[fact.Count])
	return fact.New("lines.columns", "n", len(phases), "columns", fact.ListOf(fact.And, phases), "period", v.phases)
}

func (v *view) weakFinding(of chipKey, rate float64, evidence fact.Fact) memory.Fault {
	name := v.designator(of)
	return memory.Fault{
		Kind: memory.ChipWeak, Bank: of.bank, Chip: of.chip, Designator: name, AddressLine: -1, Confidence: 0.95,
		Where:    fact.New("lines.weak-chip", "chip", name, "share", TwoDigits(rate)),
		Advice:   fact.New("lines.look-weak", "chip", name),
		Evidence: []fact.Fact{evidence},
	}
}
