package pacing

import (
	"encoding/binary"
	"hash/fnv"
	"math"
)

// A Trace is what a run's readings are recognised by, in runs of which one may be
// a copy of another. The zero value is that of no reading.
type Trace struct {
	last  [traceLength]float64
	count int64
	equal int64 // readings that are as the one before
	marks map[uint64]bool
}

const (
	traceLength = 12 // readings in a row that are looked at together
	traceShare  = 8  // one stretch in so many is kept, chosen by what it holds
	mostMarks   = 1 << 14
)

// Add takes the next reading, in any unit.
func (t *Trace) Add(value float64) {
	if before := (t.count + traceLength - 1) % traceLength; t.count > 0 && t.last[before] == value {
		t.equal++
	}
	t.last[t.count%traceLength] = value
	t.count++
	if t.count < traceLength || len(t.marks) >= mostMarks {
		return
	}
	h := fnv.New64a()
	for i := range int64(traceLength) {
		var bits [8]byte
		binary.LittleEndian.PutUint64(bits[:], math.Float64bits(t.last[(t.count+i)%traceLength]))
		h.Write(bits[:])
	}
	sum := h.Sum64()
	if (sum>>32)%traceShare != 0 {
		return
	}
	if t.marks == nil {
		t.marks = map[uint64]bool{}
	}
	t.marks[sum] = true
}

// Still reports whether hardly a reading of many differs from the one before: a
// limiter or vertical sync made them, or nobody measured.
func (t *Trace) Still() bool { return t.count >= 100 && float64(t.equal) >= 0.98*float64(t.count-1) }

// CopyOf reports whether two runs hold the same readings in the same order for
// much of their length. Runs that were really made never do.
func (t *Trace) CopyOf(o *Trace) bool {
	const least = 5 // stretches; fewer repeat by chance where readings are coarse
	fewer, more := t.marks, o.marks
	if len(fewer) > len(more) {
		fewer, more = more, fewer
	}
	alike := 0
	for mark := range fewer {
		if more[mark] {
			alike++
		}
	}
	return len(fewer) >= least && 2*alike > len(fewer)
}
