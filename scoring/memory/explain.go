package memory

import (
	"cmp"
	"fmt"
	"math"
	"math/bits"
	"slices"
)

// A verdict is the likeliest cause of a group of rows.
type verdict struct {
	*hypothesis
	rows   []wholeRow
	sure   float64                 // chance that it is just this
	here   float64                 // chance that it is some fault of this chip, or of this bank
	rival  []*hypothesis           // others that are not much less likely
	rivals map[*hypothesis]float64 // their chances
}

// names says whether a verdict is of a chip.
func (v *verdict) names(chip int) bool { return v.chip == chip || v.other >= 0 && v.other == chip }

// chips are those that a verdict names: one, two, or none of its own.
func (v *verdict) chips() []int {
	if v.other >= 0 {
		return []int{v.chip, v.other}
	}
	return []int{v.chip}
}

const (
	// caution divides the logarithms of odds: rows of one test are less than
	// independent observations. Set so that the confidences come out true.
	caution = 1.25
	// mostSure bounds a confidence: beside what is weighed there is always
	// something that nobody thought of. Common practice, no source.
	mostSure = 0.98
)

// name tells apart what is told apart in a report.
func (h *hypothesis) name() string {
	return fmt.Sprint(h.kind, h.bank, h.chip, h.lines, h.line, h.pair, h.other)
}

// likeliest weighs what could have left the rows of a group.
func likeliest(s *scene) (v verdict, score, outsideScore float64) {
	all := s.hypotheses()
	weights := make([]float64, len(all))
	best, most := -1, math.Inf(-1)
	outsideScore = math.Inf(-1)
	for i, h := range all {
		weights[i] = s.weight(h, most)
		if weights[i] > most {
			best, most = i, weights[i]
		}
		if h.outside() {
			outsideScore = max(outsideScore, weights[i])
		}
	}
	v = verdict{hypothesis: all[best], rows: s.rows, rivals: map[*hypothesis]float64{}}
	total, same := 0.0, map[string]float64{}
	var ranked []int // what has any weight
	names := make([]string, len(all))
	for i, h := range all {
		p := math.Exp((weights[i] - most) / caution)
		if p == 0 {
			continue
		}
		ranked, names[i] = append(ranked, i), h.name()
		total += p
		same[names[i]] += p
		if h.bank == v.bank && h.chip == v.chip && h.outside() == v.outside() {
			v.here += p
		}
	}
	v.sure, v.here = min(same[names[best]]/total, mostSure), min(v.here/total, mostSure)
	told := map[string]bool{names[best]: true}
	slices.SortStableFunc(ranked, func(a, b int) int { return cmp.Compare(weights[b], weights[a]) })
	for _, i := range ranked {
		if chance := same[names[i]] / total; !told[names[i]] && chance >= 0.1 && len(v.rival) < 3 {
			v.rival = append(v.rival, all[i])
			v.rivals[all[i]] = chance
		}
		told[names[i]] = true
	}
	return v, most, outsideScore
}

// explain finds the cause or the causes of rows, those of most rows first: one
// for all of them, or one for each group that failed in one place, when that is
// likelier than a single cause.
func explain(org *Organisation, rows []wholeRow, order *sequence) []verdict {
	whole := newScene(org, rows, order)
	one, score, apart := likeliest(whole)
	scattered := one.kind == RandomErrors || one.kind == BusLine
	if explained := whole.explains(one.hypothesis); explained*100 >= 98*len(rows) && !scattered {
		return []verdict{one}
	}
	several, sum := explainGroups(org, groupRows(org, rows, byPlace), len(rows), order)
	if dense := groupRows(org, rows, byDensity); len(dense) > 1 {
		if each, s := explainGroups(org, dense, len(rows), order); s > sum || len(several) < 2 {
			several, sum = each, s
		}
	}
	if parts := groupRows(org, rows, byPart); len(parts) <= mostParts {
		each, s := explainGroups(org, parts, len(rows), order)
		if s -= coincidences(each, len(rows)); s > sum || len(several) < 2 {
			several, sum = each, s
		}
	}
	if len(several) < 2 {
		return []verdict{one}
	}
	if sum <= score {
		if one.outside() {
			one.sure = min(one.sure, mostSure, 1/(1+math.Exp((sum-score)/caution)))
		}
		return []verdict{one}
	}
	is := 1.0
	if !math.IsInf(apart, -1) {
		is = 1 / (1 + math.Exp((apart-sum)/caution))
	}
	for i := range several {
		several[i].sure *= is
		several[i].here *= is
	}
	return several
}

// mostParts is how many chips may each have a fault of their own in the same
// rows.
const mostParts = 3

// coincidences is what it costs that chips which fail now and then did so in the
// same rows.
func coincidences(parts []verdict, rows int) float64 {
	together, now := -rows, 0
	for _, v := range parts {
		together += len(v.rows)
		if v.kind == ChipWeak || v.kind == IsolatedCells {
			now++
		}
	}
	if now < 2 {
		return 0
	}
	return 3 * float64(max(0, together)) // one in twenty
}

// explainGroups finds the cause of each group, of so many rows in all, and the
// logarithm of the chance of all of them.
func explainGroups(org *Organisation, groups [][]wholeRow, rows int, order *sequence) (several []verdict, sum float64) {
	for i, g := range groups {
		scene := newScene(org, g, order)
		v, s, _ := likeliest(scene)
		// A value or two of the same test spoke in the first group already.
		if i > 0 && scene.values <= 2 {
			s -= min(max(v.list, 0), scene.one())
		}
		if v.outside() { // of a part of the rows alone there is none
			v.sure, v.here = v.sure/2, v.here/2
		}
		several = append(several, v)
		sum += s + float64(len(g))*math.Log(min(1, float64(len(g))/float64(rows)))
	}
	return several, sum
}

// A grouping is a way to divide rows.
type grouping int

const (
	byPlace   grouping = iota // by the chip that failed, or the bank when several did
	byPart                    // by chip, a row that failed in several being one of each
	byDensity                 // rows with many wrong bits by bank, the others by chip
)

// groupRows divides rows by where they failed, the largest group first.
func groupRows(org *Organisation, rows []wholeRow, by grouping) [][]wholeRow {
	type place struct{ bank, chip int }
	at := map[place][]wholeRow{}
	var order []place
	put := func(p place, r wholeRow) {
		if at[p] == nil {
			order = append(order, p)
		}
		at[p] = append(at[p], r)
	}
	for _, r := range rows {
		p := place{r.bank, (r.lane0 + bits.TrailingZeros64(r.wrong)) / org.ChipBits}
		last := (r.lane0 + bits.Len64(r.wrong) - 1) / org.ChipBits
		dense := by == byDensity && bits.OnesCount64(r.wrong) >= max(3, r.width/6)
		switch {
		case dense, last != p.chip && by != byPart:
			put(place{r.bank, -1}, r)
			continue
		case last == p.chip:
			put(p, r)
			continue
		}
		for wrong := r.wrong; wrong != 0; {
			p.chip = (r.lane0 + bits.TrailingZeros64(wrong)) / org.ChipBits
			part := r
			part.wrong = wrong & r.lanes(p.chip*org.ChipBits, org.ChipBits)
			wrong &^= part.wrong
			put(p, part)
		}
	}
	slices.SortStableFunc(order, func(a, b place) int { return len(at[b]) - len(at[a]) })
	var out [][]wholeRow
	for _, p := range order {
		out = append(out, at[p])
	}
	return out
}
