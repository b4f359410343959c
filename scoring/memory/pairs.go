package memory

import "math/bits"

// pairEvidence is how two bus lanes behave in the rows that cover both and in
// which at least one of them failed.
type pairEvidence struct {
	rows, both, differ int
	to0, to1           int // single failures by direction
	rivals             int // other lanes whose written value differed just as faithfully
}

// gatherPair looks at lanes a and b of one bank in the rows of both samples.
func gatherPair(samples [][]sampleRow, a, b int) pairEvidence {
	var e pairEvidence
	rival := ^uint64(0)
	width := 0
	for _, rows := range samples {
		for i := range rows {
			r := &rows[i]
			pa, pb := a-int(r.lane0), b-int(r.lane0)
			if pa < 0 || pb < 0 || pa >= int(r.bits) || pb >= int(r.bits) {
				continue
			}
			diff := r.written ^ r.read
			fa, fb := diff>>uint(pa)&1, diff>>uint(pb)&1
			if fa|fb == 0 {
				continue
			}
			e.rows++
			width = int(r.bits)
			wa, wb := r.written>>uint(pa)&1, r.written>>uint(pb)&1
			if wa != wb {
				e.differ++
			}
			if fa&fb == 1 {
				e.both++
			} else if (fa == 1 && wa == 1) || (fb == 1 && wb == 1) {
				e.to0++
			} else {
				e.to1++
			}
			rival &= r.written ^ -wa
			rival &^= 1<<uint(pa) | 1<<uint(pb)
		}
	}
	e.rivals = bits.OnesCount64(rival & ones(width))
	return e
}

const almostAll = 0.99

func share(part, whole int) float64 {
	if whole == 0 {
		return 0
	}
	return float64(part) / float64(whole)
}

// joined says whether the two lanes are shorted or swapped rather than faulty
// each for itself. ok is false when they are not; strong is true when the data
// were varied enough to rule out two separate faults.
func (e pairEvidence) joined() (kind Kind, how string, strong, ok bool) {
	if e.rows < 4 || share(e.differ, e.rows) < almostAll {
		return "", "", false, false
	}
	strong = e.rows >= 20 && e.rivals <= 2
	singles := e.to0 + e.to1
	switch {
	case share(e.both, e.rows) >= almostAll:
		return LinesSwapped, "each line returned what was written to the other", strong, true
	case share(e.to0, e.rows) >= almostAll:
		return LinesShorted, "both lines returned 0 whenever they were written differently (wired-and)", strong, true
	case share(e.to1, e.rows) >= almostAll:
		return LinesShorted, "both lines returned 1 whenever they were written differently (wired-or)", strong, true
	case share(singles, e.rows) >= almostAll:
		return "", "", strong, false
	}
	return "", "", false, false
}

// master returns the line of the row whose written value line b always
// returned instead of its own, when exactly one line of the same row does so:
// a short in which the other line wins.
func master(rows []sampleRow, chipBits, chip, line int) (lane int, ok bool) {
	b := chip*chipBits + line
	match := ^uint64(0)
	n, width, lane0 := 0, int32(0), int32(0)
	for i := range rows {
		r := &rows[i]
		pb := b - int(r.lane0)
		if pb < 0 || pb >= int(r.bits) {
			continue
		}
		if n > 0 && (r.bits != width || r.lane0 != lane0) {
			return 0, false
		}
		width, lane0 = r.bits, r.lane0
		read := r.read >> uint(pb) & 1
		match &= ^(r.written ^ -read)
		match &^= 1 << uint(pb)
		n++
	}
	match &= ones(int(width))
	if n < 20 || bits.OnesCount64(match) != 1 {
		return 0, false
	}
	return bits.TrailingZeros64(match) + int(lane0), true
}
