package lines

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"proveout/scoring/memory"
	"proveout/scoring/picture/raster"
)

// ConverterBit is the kind of a fault between memory and screen: one bit of one
// channel is wrong in every lane class, so no chip is to blame.
const ConverterBit memory.Kind = "converter-bit"

// A Report is what a capture says about the memory.
type Report struct {
	Transfer  Transfer
	Sharp     bool // the capture smooths nothing
	Lines     []Line
	Findings  []memory.Finding
	Levels    [3][]Level    // transfer curve of each channel
	Residual  [3][]float32  // what remains unexplained, screen levels; NaN where unusable
	Clean     [3]float64    // noise of each channel, screen levels
	Converter []slotOfPixel // converter bits found
}

// A Level is one point of a transfer curve.
type Level struct {
	Written uint8   // 8-bit level of the pattern
	Mean    float64 // mean captured level, corrected for gain and offset
	Count   int
}

// slotOfPixel names a bit of a channel.
type slotOfPixel struct{ Channel, Bit int }

// A Task says how much to read out of a capture.
type Task int

// Everything judges lines and explains faults; LevelsOnly estimates levels and
// leaves all lines not judged, for patterns whose bits are not pseudo-random;
// FromPhotograph is Everything, but does not take a larger scatter in some lane
// classes for a weak chip, since sharpness and moiré vary over a photograph.
const (
	Everything Task = iota
	LevelsOnly
	FromPhotograph
)

// Analyse reads the data lines out of a capture. Channels that are missing are
// left out. The codes are those of the written pattern.
func Analyse(b Buffer, codes []uint32, bytes []byte, g *raster.Grid, missing [3]bool, task Task) (*Report, error) {
	l, err := newLanes(b)
	if err != nil {
		return nil, err
	}
	if len(codes) != g.Width*g.Height || g.Width != b.Mode.Width || g.Height != b.Mode.Height {
		return nil, fmt.Errorf("a grid of %d×%d and %d pixels do not belong to %s", g.Width, g.Height, len(codes), b.Mode)
	}
	if task == FromPhotograph {
		g = insideOf(g, b.Mode.Layout().Mark)
	}
	v := &view{lanes: l, g: g, m: identity(), codes: codes, bytes: bytes}
	v.m.missing = missing
	rep := &Report{}
	u := l.planes(codes)
	v.task = task
	if task != LevelsOnly {
		v.m.fitTaps(g, u, b.Mode.Layout().Mark)
		if !v.m.sharp {
			g.Trim(2, 1)
		}
	}
	t := v.fit(u)
	if task != LevelsOnly && max(v.noise[0], v.noise[1], v.noise[2]) > 14 {
		u, t = v.foldedBanks(u, t, rep)
	}
	j := newJudge(l, t, v.m, v.noise, task)
	rep.Lines = j.lines()
	rep.Levels = curves(l, t, v.m)
	if task != LevelsOnly {
		v.explain(j, u, rep)
		v.weak(rep)
	} else {
		for i := range rep.Lines {
			rep.Lines[i].State = NotJudged
		}
	}
	for ch := range 3 {
		rep.Transfer.Gain[ch], rep.Transfer.Offset[ch], rep.Transfer.Gamma[ch] = v.m.gain[ch], v.m.offset[ch], v.m.gamma[ch]
		rep.Transfer.Noise += v.noise[ch] * v.m.gain[ch] / 3
	}
	for _, b := range g.PhaseX { // phases that do not occur do not count
		for d, w := range v.m.hx[b] {
			rep.Transfer.Taps[d] += float64(w) / float64(len(g.PhaseX))
		}
	}
	rep.Residual, rep.Clean, rep.Sharp = v.r, v.noise, v.m.sharp
	return rep, nil
}

// foldedBanks looks for address faults of whole banks and, when it finds one,
// goes on with what the folded memory shows.
func (v *view) foldedBanks(u [3][]float32, t [][3]tally, rep *Report) ([3][]float32, [][3]tally) {
	for bank := range v.banks {
		f, ok := v.wholeFold(bank, u)
		if !ok {
			continue
		}
		rep.Findings = append(rep.Findings, v.foldFinding(bank, -1, f, 1-math.Exp(-f.gain/4)))
		v.codes = v.foldCodes(bank, -1, f)
		u = v.planes(v.codes)
		v.m.noise = [3]float64{}
		v.m.fitTaps(v.g, u, v.Mode.Layout().Mark)
		t = v.fit(u)
	}
	return u, t
}

// explain names the faults behind the bad lines, one after the other, each time
// going on with what remains.
func (v *view) explain(j *judge, u [3][]float32, rep *Report) {
	rounds := 6
	if v.task == FromPhotograph {
		rounds = 1 // what a fault does to its neighbours is not linear there
	}
	defer func() { settleOthers(j, rep) }()
	for range rounds {
		var t [][3]tally
		switch {
		case v.explainConverter(j, u, rep):
			t = v.again(v.shownPlanes(u, rep))
		default:
			bank, chip, bad, judged := worstChip(j, rep)
			if len(bad) == 0 {
				return
			}
			t = v.explainChip(bank, chip, bad, judged, j, u, rep)
		}
		v.setNoise(t)
		j = newJudge(v.lanes, t, v.m, v.noise, v.task)
	}
}

// settleOthers looks again at lines that looked bad before the faults were
// explained and are named by none: what they are then, counts, but never as good
// after having looked bad.
func settleOthers(j *judge, rep *Report) {
	after := j.lines()
	for i := range rep.Lines {
		l := &rep.Lines[i]
		if l.State != Bad {
			continue
		}
		named := false
		for _, f := range rep.Findings {
			named = named || f.Kind == memory.BankLost && f.Bank == l.Bank || f.Bank == l.Bank && f.Chip == l.Chip && slices.Contains(f.Lines, l.Line)
		}
		if !named && after[i].State != Bad {
			l.State = NotJudged
		}
	}
	if j.task == FromPhotograph {
		besideFaults(j, after, rep)
	}
}

// explainConverter adds a finding for each converter bit that is new.
func (v *view) explainConverter(j *judge, _ [3][]float32, rep *Report) bool {
	found := false
	for _, s := range j.converterBits() {
		if v.known(rep, s.channel, s.bit) {
			continue
		}
		found = true
		rep.Converter = append(rep.Converter, slotOfPixel{s.channel, s.bit})
		name := [3]string{"red", "green", "blue"}[s.channel]
		r := j.r[s.class][s.channel][s.bit]
		rep.Findings = append(rep.Findings, memory.Finding{
			Kind: ConverterBit, Chip: -1, Bank: -1, AddressLine: -1, Lines: []int{v.Mode.Format.Fields()[s.channel].Shift + s.bit},
			Confidence: confidence(1-r.value, r.se),
			Where:      fmt.Sprintf("%s bit %d (pixel bit %d), everywhere in the picture", name, s.bit, v.Mode.Format.Fields()[s.channel].Shift+s.bit),
			Advice:     "converter, not memory: the bit is wrong in every lane. Look at the connections between graphics chip and converter and at the converter itself.",
			Evidence:   []string{fmt.Sprintf("the shown bit follows the written bit by %.2f ± %.2f", r.value, r.se)},
		})
		for i := range rep.Lines { // nothing can be said about the lines behind it
			ln := &rep.Lines[i]
			for _, b := range ln.PixelBits {
				if b == v.Mode.Format.Fields()[s.channel].Shift+s.bit {
					ln.State = NotJudged
				}
			}
		}
	}
	return found
}

func (v *view) known(rep *Report, ch, bit int) bool {
	for _, c := range rep.Converter {
		if c == (slotOfPixel{ch, bit}) {
			return true
		}
	}
	return false
}

// shownPlanes takes the converter bits found so far out of the levels: half
// their weight stays, since a stuck bit is taken up by the offset.
func (v *view) shownPlanes(_ [3][]float32, rep *Report) [3][]float32 {
	u := v.planes(v.codes)
	for _, c := range rep.Converter {
		shift := v.Mode.Format.Fields()[c.Channel].Shift + c.Bit
		w := float32(v.weight(c.Channel, c.Bit))
		for i, code := range v.codes {
			u[c.Channel][i] -= w * (float32(code>>shift&1) - 0.5)
		}
	}
	return u
}

// worstChip returns the chip with most bad lines that are not yet named.
func worstChip(j *judge, rep *Report) (bank, chip int, bad []int, judged int) {
	type key struct{ bank, chip int }
	named := map[key]map[int]bool{}
	lost := map[int]bool{}
	for _, f := range rep.Findings {
		if f.Kind == memory.BankLost {
			lost[f.Bank] = true
		}
		if f.Chip >= 0 {
			k := key{f.Bank, f.Chip}
			if named[k] == nil {
				named[k] = map[int]bool{}
			}
			for _, l := range f.Lines {
				named[k][l] = true
			}
		}
	}
	hidden := map[int]bool{}
	for _, c := range rep.Converter {
		hidden[j.Mode.Format.Fields()[c.Channel].Shift+c.Bit] = true
	}
	all := map[key][]Line{}
	count := map[key]int{}
	for _, ln := range j.lines() {
		k := key{ln.Bank, ln.Chip}
		if ln.State == NotJudged || lost[ln.Bank] {
			continue
		}
		count[k]++
		skip := ln.State != Bad || named[k][ln.Line]
		for _, b := range ln.PixelBits {
			skip = skip || hidden[b]
		}
		if !skip {
			all[k] = append(all[k], ln)
		}
	}
	var best key
	for k, b := range all {
		if n, m := len(b), len(all[best]); n > m || n == m && (k.bank < best.bank || k.bank == best.bank && k.chip < best.chip) {
			best = k
		}
	}
	lines := all[best]
	sort.SliceStable(lines, func(a, b int) bool { return lines[a].SE < lines[b].SE })
	for _, ln := range lines {
		bad = append(bad, ln.Line)
	}
	return best.bank, best.chip, bad, count[best]
}

// explainChip names the fault behind the bad lines of a chip and returns the
// sums for what then remains.
func (v *view) explainChip(bank, chip int, bad []int, judged int, j *judge, u [3][]float32, rep *Report) [][3]tally {
	var f memory.Finding
	base := memory.Finding{Bank: bank, Chip: chip, AddressLine: -1, Designator: v.Org.Banks[bank].Designators[chip]}
	codes := v.codes
	half := [][2]int{} // lines that show their mean
	switch {
	case len(bad)*4 >= judged*3 && len(bad) >= 2:
		if fo, ok := v.chipFold(bank, chip); ok {
			if wholeBankBad(j, bank) {
				f = v.foldFinding(bank, -1, fo, 1-math.Exp(-fo.gain/50))
				codes = v.foldCodes(bank, -1, fo)
				break
			}
			f = v.foldFinding(bank, chip, fo, 1-math.Exp(-fo.gain/50))
			codes = v.foldCodes(bank, chip, fo)
			f.Lines = nil
			break
		}
		f = base
		f.Kind, f.Lines, f.Confidence = memory.ChipDead, allLines(v.Org.ChipBits), 0.99
		f.Where = fmt.Sprintf("chip %s: all %d lines that the picture shows", f.Designator, judged)
		f.Advice = fmt.Sprintf("Check supply, ground, chip select, write enable and strobes at %s, then its soldering; then replace it.", f.Designator)
		for _, line := range bad {
			half = append(half, [2]int{line, 0})
		}
	default:
		hs := v.explainLines(bank, chip, bad)
		if len(hs) == 0 {
			hs = []hypothesis{{kind: memory.LineOpen, i: bad[0], j: -1}}
		}
		f, codes, half = v.lineFinding(base, hs, j)
	}
	rep.Findings = append(rep.Findings, f)
	v.markLines(rep, f)
	if f.Kind == memory.ChipDead {
		v.bankLost(bank, rep)
	}
	v.codes = codes
	out := v.planes(v.codes)
	for _, h := range half {
		for _, s := range v.slots(bank, chip, h[0]) {
			v.halve(out, s)
		}
	}
	for _, c := range rep.Converter {
		shift := v.Mode.Format.Fields()[c.Channel].Shift + c.Bit
		w := float32(v.weight(c.Channel, c.Bit))
		for i, code := range v.codes {
			out[c.Channel][i] -= w * (float32(code>>shift&1) - 0.5)
		}
	}
	return v.again(out)
}

// wholeBankBad reports whether every chip of a bank that the picture judges is
// bad in most of its lines.
func wholeBankBad(j *judge, bank int) bool {
	bad, all := map[int]int{}, map[int]int{}
	for _, l := range j.lines() {
		if l.Bank == bank && l.State != NotJudged {
			all[l.Chip]++
			if l.State == Bad {
				bad[l.Chip]++
			}
		}
	}
	for chip, n := range all {
		if bad[chip]*2 < n {
			return false
		}
	}
	return len(all) > 1 && len(all) == j.Org.ChipsPerBank()
}

// halve replaces a bit by its mean in the planes, in the pixels of one class.
func (v *view) halve(u [3][]float32, s slot) {
	row := make([]int16, v.Mode.Width)
	shift := v.Mode.Format.Fields()[s.channel].Shift + s.bit
	for y := range v.Mode.Height {
		v.row(y, row)
		for x, k := range row {
			if int(k) == s.class {
				i := y*v.Mode.Width + x
				u[s.channel][i] += float32(s.weight) * (0.5 - float32(v.codes[i]>>shift&1))
			}
		}
	}
}

// lineFinding turns the best hypothesis into a finding.
func (v *view) lineFinding(f memory.Finding, hs []hypothesis, j *judge) (memory.Finding, []uint32, [][2]int) {
	h := hs[0]
	rival := 0.0
	for _, o := range hs[1:] {
		if o.j >= 0 != (h.j >= 0) || h.j >= 0 && !(o.i == h.j && o.j == h.i && o.kind == h.kind && o.or == h.or) {
			rival = o.gain
			break
		}
	}
	f.Confidence = 1 - math.Exp(-max(0, h.gain-rival)/15)
	var half [][2]int
	codes := v.codes
	switch {
	case h.j >= 0:
		f.Kind, f.Lines = h.kind, []int{min(h.i, h.j), max(h.i, h.j)}
		codes = v.spoil(f.Bank, f.Chip, h)
	default:
		kind, c := v.settle(f.Bank, f.Chip, h.i)
		f.Kind, f.Lines, f.Confidence = kind, []int{h.i}, min(f.Confidence, c)
		h.kind = kind
		if kind == memory.LineOpen {
			half = append(half, [2]int{h.i, 0})
		} else {
			codes = v.spoil(f.Bank, f.Chip, h)
		}
	}
	var bits []string
	for _, line := range f.Lines {
		rs := []ratio{}
		for _, s := range v.slots(f.Bank, f.Chip, line) {
			bits = append(bits, fmt.Sprintf("%s %d", [3]string{"red", "green", "blue"}[s.channel], s.bit))
			rs = append(rs, j.r[s.class][s.channel][s.bit])
		}
		r := combine(rs)
		f.Evidence = append(f.Evidence, fmt.Sprintf("D%d follows the written bit by %.2f ± %.2f", line, r.value, r.se))
	}
	f.Where = fmt.Sprintf("chip %s %s, pixel bits %s, %s", f.Designator, lineNames(f.Lines), strings.Join(unique(bits), ", "), v.place(f.Bank, f.Chip, f.Lines))
	if len(v.slots(f.Bank, f.Chip, f.Lines[0])) == 1 && v.phases == 1 {
		f.Evidence = append(f.Evidence, "every pixel takes this bit from the same line: a fault of the converter bit looks the same")
	}
	f.Advice = lineAdvice(f, h)
	return f, codes, half
}

func lineAdvice(f memory.Finding, h hypothesis) string {
	at := f.Designator + " " + lineNames(f.Lines)
	switch f.Kind {
	case memory.LineStuck0:
		return "Look at " + at + " for a short to ground, a cold joint or a cut trace to the graphics chip; compare its resistance to ground with the neighbouring lines, power off."
	case memory.LineStuck1:
		return "Look at " + at + " for a short to the supply, a cold joint or a cut trace to the graphics chip; compare its resistance to the supply with the neighbouring lines, power off."
	case memory.LineOpen:
		return "Look at " + at + " for a lifted pin, a cold joint or a broken trace: the line is connected to nothing that drives it."
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

func unique(s []string) (out []string) {
	seen := map[string]bool{}
	for _, v := range s {
		if !seen[v] {
			seen[v] = true
			out = append(out, v)
		}
	}
	return out
}

// place says in words where the pixels of a line lie.
func (v *view) place(bank, chip int, lines []int) string {
	classes := map[int]bool{}
	for _, line := range lines {
		for _, s := range v.slots(bank, chip, line) {
			classes[s.class%v.phases] = true
		}
	}
	if v.Mode.LineBytes()%int(v.beat) != 0 || v.phases == 1 {
		return fmt.Sprintf("%d of %d lane classes", len(classes), v.phases)
	}
	var cols []int
	row := make([]int16, v.Mode.Width)
	v.row(0, row)
	for x := range min(v.phases, v.Mode.Width) {
		if classes[int(row[x])%v.phases] {
			cols = append(cols, x)
		}
	}
	return fmt.Sprintf("columns %v of every %d", cols, v.phases)
}

func allLines(n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = i
	}
	return out
}

func (v *view) markLines(rep *Report, f memory.Finding) {
	if f.Kind == memory.AddressLine {
		for i := range rep.Lines { // its data lines were seen only where the address is right
			if l := &rep.Lines[i]; l.Bank == f.Bank && (l.Chip == f.Chip || f.Chip < 0) {
				l.State = NotJudged
			}
		}
		return
	}
	for i := range rep.Lines {
		l := &rep.Lines[i]
		if l.Bank != f.Bank || l.Chip != f.Chip || len(l.PixelBits) == 0 {
			continue
		}
		for _, n := range f.Lines {
			if n == l.Line && !(l.State == NotJudged && f.Kind != memory.LinesShorted && f.Kind != memory.LinesSwapped) {
				l.State = Bad
			}
		}
	}
}

// bankLost replaces the findings of dead chips by one of the bank when every
// judged chip of the bank is dead and another bank is not.
func (v *view) bankLost(bank int, rep *Report) {
	dead := map[int]bool{}
	for _, f := range rep.Findings {
		if f.Kind == memory.ChipDead && f.Bank == bank {
			dead[f.Chip] = true
		}
	}
	elsewhere := false
	for _, l := range rep.Lines {
		if l.Bank == bank && l.State == Good || l.Bank == bank && l.State == Bad && !dead[l.Chip] {
			return
		}
		elsewhere = elsewhere || l.Bank != bank && l.State == Good
	}
	if !elsewhere && len(dead) < 2 {
		return
	}
	kept := rep.Findings[:0]
	for _, f := range rep.Findings {
		if !(f.Kind == memory.ChipDead && f.Bank == bank) {
			kept = append(kept, f)
		}
	}
	rep.Findings = append(kept, memory.Finding{
		Kind: memory.BankLost, Bank: bank, Chip: -1, AddressLine: -1, Confidence: 0.98,
		Where:  fmt.Sprintf("bank %d (%s): nothing that was written there is shown", bank, strings.Join(v.Org.Banks[bank].Designators, ", ")),
		Advice: "Check the select line of the bank and the supply of its chips; a strap that sets the memory size may be wrong.",
	})
}

func (v *view) foldFinding(bank, chip int, f fold, c float64) memory.Finding {
	out := memory.Finding{Kind: memory.AddressLine, Bank: bank, Chip: chip, AddressLine: f.a, Confidence: c}
	what := fmt.Sprintf("A%d", f.a)
	how := "stuck"
	if f.b >= 0 {
		out.AddressLines = []int{f.a, f.b}
		what = fmt.Sprintf("A%d and A%d", f.a, f.b)
		how = "shorted"
	}
	who := "every chip of the bank"
	if chip >= 0 {
		out.Designator = v.Org.Banks[bank].Designators[chip]
		who = "chip " + out.Designator
	}
	out.Where = fmt.Sprintf("%s: what belongs %d bytes away is shown where word-address line %s is wrong", who, v.beat<<f.a, what)
	out.Advice = fmt.Sprintf("Word-address line %s is %s at %s. On chips with row and column addresses it is reached through a shared pin: trace the pin of that address bit.", what, how, who)
	out.Evidence = []string{fmt.Sprintf("content traced to its source explains %.0f %% of the misfit", 100*min(1, f.strong))}
	return out
}

// confidence turns a deviation and its standard error into a number below 1.
func confidence(deviation, se float64) float64 {
	if se <= 0 {
		return 0.99
	}
	z := math.Abs(deviation) / se
	return min(0.999, 1-math.Exp(-z/4))
}

// curves pools the mean captured level of each written level.
func curves(l *lanes, t [][3]tally, _ *model) (out [3][]Level) {
	for ch := range 3 {
		for v := range l.level[ch] {
			var a, q float64
			for k := range t {
				c := t[k][ch].cells[v]
				a += c.a
				q += c.q
			}
			if q > 0.5 {
				out[ch] = append(out[ch], Level{uint8(l.level[ch][v]), float64(l.level[ch][v]) + a/q, int(q + 0.5)})
			}
		}
	}
	return out
}
