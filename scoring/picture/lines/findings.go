package lines

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"proveout/scoring/memory"
)

// confidence turns a deviation and its standard error into a number below 1.
func confidence(deviation, se float64) float64 {
	if se <= 0 {
		return 0.99
	}
	return min(0.999, 1-math.Exp(-math.Abs(deviation)/se/4))
}

func (v *view) converterFinding(c converterBit, r ratio) memory.Finding {
	pixelBit := v.pixelBit(c.channel, c.bit)
	return memory.Finding{
		Kind: ConverterBit, Chip: everyChip, Bank: -1, AddressLine: -1, Lines: []int{pixelBit},
		Confidence: confidence(1-r.value, r.se),
		Where: fmt.Sprintf("%s bit %d (pixel bit %d), everywhere in the picture",
			colour(c.channel), c.bit, pixelBit),
		Advice: "converter, not memory: the bit is wrong in every lane. Look at the connections between " +
			"graphics chip and converter and at the converter itself.",
		Evidence: []string{fmt.Sprintf("the shown bit follows the written bit by %.2f ± %.2f", r.value, r.se)},
	}
}

func colour(channel int) string { return [3]string{"red", "green", "blue"}[channel] }

func (v *view) designator(of chipKey) string { return v.Org.Banks[of.bank].Designators[of.chip] }

func (v *view) deadFinding(of chipKey, judged int) memory.Finding {
	lines := make([]int, v.Org.ChipBits)
	for i := range lines {
		lines[i] = i
	}
	name := v.designator(of)
	return memory.Finding{
		Kind: memory.ChipDead, Bank: of.bank, Chip: of.chip, Designator: name, Lines: lines, AddressLine: -1,
		Confidence: 0.99,
		Where:      fmt.Sprintf("chip %s: all %d lines that the picture shows", name, judged),
		Advice: fmt.Sprintf("Check supply, ground, chip select, write enable and strobes at %s, then its soldering; "+
			"then replace it.", name),
	}
}

func (v *view) lostBankFinding(bank int) memory.Finding {
	return memory.Finding{
		Kind: memory.BankLost, Bank: bank, Chip: everyChip, AddressLine: -1, Confidence: 0.98,
		Where: fmt.Sprintf("bank %d (%s): nothing that was written there is shown",
			bank, strings.Join(v.Org.Banks[bank].Designators, ", ")),
		Advice: "Check the select line of the bank and the supply of its chips; " +
			"a strap that sets the memory size may be wrong.",
	}
}

func (v *view) foldFinding(of chipKey, f fold, confidence float64) memory.Finding {
	out := memory.Finding{
		Kind: memory.AddressLine, Bank: of.bank, Chip: of.chip, AddressLine: f.line, Confidence: confidence,
	}
	what, how := fmt.Sprintf("A%d", f.line), "stuck"
	if f.other != none {
		out.AddressLines = []int{f.line, f.other}
		what, how = fmt.Sprintf("A%d and A%d", f.line, f.other), "shorted"
	}
	who := "every chip of the bank"
	if of.chip != everyChip {
		out.Designator = v.designator(of)
		who = "chip " + out.Designator
	}
	out.Where = fmt.Sprintf("%s: what belongs %d bytes away is shown where word-address line %s is wrong",
		who, v.beat<<f.line, what)
	out.Advice = fmt.Sprintf("Word-address line %s is %s at %s. On chips with row and column addresses it is reached "+
		"through a shared pin: trace the pin of that address bit.", what, how, who)
	out.Evidence = []string{
		fmt.Sprintf("content traced to its source explains %.0f %% of the misfit", 100*min(1, f.strong)),
	}
	return out
}

// lineFinding names a fault of one or two data lines.
func (v *view) lineFinding(of chipKey, h hypothesis, lines []int, confidence float64, j *judge) memory.Finding {
	f := memory.Finding{
		Kind: h.kind, Bank: of.bank, Chip: of.chip, Designator: v.designator(of), Lines: lines, AddressLine: -1,
		Confidence: confidence,
	}
	var bits []string
	for _, line := range lines {
		for _, s := range v.slots(of.bank, of.chip, line) {
			if bit := fmt.Sprintf("%s %d", colour(s.channel), s.bit); !slices.Contains(bits, bit) {
				bits = append(bits, bit)
			}
		}
		r := j.line(of.bank, of.chip, line)
		f.Evidence = append(f.Evidence, fmt.Sprintf("D%d follows the written bit by %.2f ± %.2f", line, r.value, r.se))
	}
	f.Where = fmt.Sprintf("chip %s %s, pixel bits %s, %s",
		f.Designator, lineNames(lines), strings.Join(bits, ", "), v.place(of, lines))
	if len(v.slots(of.bank, of.chip, lines[0])) == 1 && v.phases == 1 {
		f.Evidence = append(f.Evidence,
			"every pixel takes this bit from the same line: a fault of the converter bit looks the same")
	}
	f.Advice = lineAdvice(f, h)
	return f
}

func lineAdvice(f memory.Finding, h hypothesis) string {
	at := f.Designator + " " + lineNames(f.Lines)
	switch f.Kind {
	case memory.LineStuck0:
		return "Look at " + at + " for a short to ground, a cold joint or a cut trace to the graphics chip; " +
			"compare its resistance to ground with the neighbouring lines, power off."
	case memory.LineStuck1:
		return "Look at " + at + " for a short to the supply, a cold joint or a cut trace to the graphics chip; " +
			"compare its resistance to the supply with the neighbouring lines, power off."
	case memory.LineOpen:
		return "Look at " + at + " for a lifted pin, a cold joint or a broken trace: " +
			"the line is connected to nothing that drives it."
	case memory.LinesSwapped:
		return "Lines " + at + " are exchanged: look for a wrong rework wire, or an array resistor or chip turned round."
	}
	logic := "a 0 on either pulls both down"
	if h.or {
		logic = "a 1 on either pulls both up"
	}
	return "Look for a solder bridge between " + at + " (" + logic + ")."
}

func lineNames(lines []int) string {
	var s []string
	for _, l := range lines {
		s = append(s, fmt.Sprintf("D%d", l))
	}
	return strings.Join(s, " and ")
}

// place says in words where the pixels of a line lie.
func (v *view) place(of chipKey, lines []int) string {
	var phases []int
	for _, line := range lines {
		for _, s := range v.slots(of.bank, of.chip, line) {
			if phase := s.class % v.phases; !slices.Contains(phases, phase) {
				phases = append(phases, phase)
			}
		}
	}
	if v.Mode.LineBytes()%int(v.beat) != 0 || v.phases == 1 { // they move from row to row
		return fmt.Sprintf("%d of %d lane classes", len(phases), v.phases)
	}
	slices.Sort(phases)
	return fmt.Sprintf("columns %v of every %d", phases, v.phases)
}

func (v *view) weakFinding(of chipKey, rate float64, evidence string) memory.Finding {
	name := v.designator(of)
	return memory.Finding{
		Kind: memory.ChipWeak, Bank: of.bank, Chip: of.chip, Designator: name, AddressLine: -1, Confidence: 0.95,
		Where: fmt.Sprintf("chip %s: about %.2g of its bits are wrong", name, rate),
		Advice: fmt.Sprintf("Check supply and decoupling of %s, its joints and its timing (clock, temperature); "+
			"if it stays, replace it.", name),
		Evidence: []string{evidence},
	}
}

func outliersEvidence(inside, total float64) string {
	return fmt.Sprintf("%.0f of %.0f far outliers lie in its bits", inside, total)
}

func scatterEvidence() string { return "larger scatter in just the bits of the chip" }
