package memory

import (
	"math/bits"

	"proveout/plans/fact"
)

// pairEvidence is how two lanes of the bus behave in the rows that cover both
// and in which at least one of them failed.
type pairEvidence struct {
	rows   int
	both   int // both failed
	differ int // they were written differently
	to0    int // one of them failed alone, and read 0
	to1    int // one of them failed alone, and read 1
	rivals int // other lanes whose written value differed just as faithfully
}

// gatherPair looks at lanes a and b of one bank in the rows of both samples.
func gatherPair(samples [][]sampleRow, a, b int) pairEvidence {
	var e pairEvidence
	rival := ^uint64(0)
	width := 0
	for _, rows := range samples {
		for i := range rows {
			row := &rows[i]
			atA, atB := a-int(row.lane0), b-int(row.lane0)
			if atA < 0 || atB < 0 || atA >= int(row.width) || atB >= int(row.width) {
				continue
			}
			wrong := row.written ^ row.read
			wrongA, wrongB := wrong>>uint(atA)&1, wrong>>uint(atB)&1
			if wrongA|wrongB == 0 {
				continue
			}
			e.rows++
			width = int(row.width)
			wroteA, wroteB := row.written>>uint(atA)&1, row.written>>uint(atB)&1
			if wroteA != wroteB {
				e.differ++
			}
			switch {
			case wrongA&wrongB == 1:
				e.both++
			case wrongA == 1 && wroteA == 1, wrongB == 1 && wroteB == 1:
				e.to0++
			default:
				e.to1++
			}
			rival &= row.written ^ -wroteA // lanes that were written the opposite of a
			rival &^= 1<<uint(atA) | 1<<uint(atB)
		}
	}
	e.rivals = bits.OnesCount64(rival & ones(width))
	return e
}

const almostAll = 0.99

// joined says whether the two lanes are shorted or swapped rather than faulty
// each for itself. kind is empty when they are not; strong is true when the
// data were varied enough to rule out two separate faults.
//
// What joins two lines shows only where they are written differently: where
// they are written alike, a short and an exchange both return the right value.
// Two separate faults fail whatever the other line was written. Where the low
// level wins, both lines return 0 (wired-and), where the high one does, 1
// (wired-or); common practice, no source.
func (e pairEvidence) joined() (kind Kind, how fact.Fact, strong bool) {
	if e.rows < 4 || share(e.differ, e.rows) < almostAll {
		return "", fact.Fact{}, false
	}
	strong = e.rows >= 20 && e.rivals <= 2
	switch {
	case share(e.both, e.rows) >= almostAll:
		return LinesSwapped, fact.New("memory.each-returned-the-other"), strong
	case share(e.to0, e.rows) >= almostAll:
		return LinesShorted, fact.New("memory.wired-and"), strong
	case share(e.to1, e.rows) >= almostAll:
		return LinesShorted, fact.New("memory.wired-or"), strong
	}
	return "", fact.Fact{}, false
}

// master returns the lane whose written value data line of chip always
// returned instead of its own, when exactly one lane of the same row does so:
// a short in which the other line wins.
func master(rows []sampleRow, lane int) (winner int, ok bool) {
	match := ^uint64(0)
	n, width, lane0 := 0, int32(0), int32(0)
	for i := range rows {
		row := &rows[i]
		at := lane - int(row.lane0)
		if at < 0 || at >= int(row.width) {
			continue
		}
		if n > 0 && (row.width != width || row.lane0 != lane0) {
			return 0, false
		}
		width, lane0 = row.width, row.lane0
		got := row.read >> uint(at) & 1
		match &= ^(row.written ^ -got) // lanes that were written what this one returned
		match &^= 1 << uint(at)
		n++
	}
	match &= ones(int(width))
	if n < 20 || bits.OnesCount64(match) != 1 {
		return 0, false
	}
	return bits.TrailingZeros64(match) + int(lane0), true
}
