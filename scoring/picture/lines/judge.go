package lines

import (
	"fmt"
	"math"
	"slices"
)

// A State says what a picture tells about a data line.
type State int

// The zero value is the safe one: the picture could not judge the line.
const (
	NotJudged State = iota
	Good
	Bad
)

// String returns the word of the JSON reports.
func (s State) String() string {
	switch s {
	case Good:
		return "good"
	case Bad:
		return "bad"
	}
	return "not judged"
}

// MarshalText writes the word of a state.
func (s State) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads the word of a state.
func (s *State) UnmarshalText(text []byte) error {
	for _, known := range []State{NotJudged, Good, Bad} {
		if known.String() == string(text) {
			*s = known
			return nil
		}
	}
	return fmt.Errorf("a data line is not %q", text)
}

// A Line is the judgement of one data line.
type Line struct {
	Bank       int      `json:"bank"`
	Chip       int      `json:"chip"`
	Designator string   `json:"designator"`
	Line       int      `json:"line"`
	State      State    `json:"state"`
	Follows    *float64 `json:"follows,omitempty"`    // how strongly the shown bit follows the written one; 1 is fully
	SE         *float64 `json:"se,omitempty"`         // its standard error
	Shown      bool     `json:"shown,omitempty"`      // the picture holds bits of the line, enough to judge it
	PixelBits  []int    `json:"pixel_bits,omitempty"` // bits of the pixel that lie on the line, 0 the lowest

	// What the line showed in photographs of bit solids, when it alone differed
	// from all others: [0] when it alone was written 0, [1] when it alone was
	// written 1. 1 is as written, 0 the opposite, 0.5 now this and now that.
	Alone [2]*float64 `json:"alone,omitzero"`
}

// A ratio is how strongly a shown bit follows the written bit: 1 fully, 0 not at
// all, with its standard error. SE is +Inf when nothing is known.
type ratio struct{ value, se float64 }

// What the faults make of the ratio, by calculation. A stuck, open or unrelated
// line: 0. A line shorted to another: shown is both (or either) of them, so a
// change of one counts in half of the cases: ½. But two neighbouring bits of one
// channel move the level together: the shorted pair steps by the sum of both
// weights, in half of the cases, which is ¾ of the step of the upper bit and 1½
// of that of the lower.
//
// So a line is bad when it is clearly away from 1 and not by more than the ¾ and
// 1½ allow, and good when it is clearly above ½ and ¾; between them, or when the
// standard error is too large, it is not judged. At 4.8 standard errors the chance
// of a normal deviation is 2 in a million: with the 128 lines of a card, 1 alarm
// in 5000 captures if the errors were normal, which they are not quite. Three are
// enough against ¾, since one single fault gives that: a short to the next lower
// bit. With a standard error above 0.12 a line could not be told from one that is
// shorted.
const (
	largestSE = 0.12
	clearly   = 4.8  // standard errors
	lowest    = 0.76 // of a good line: a little above ¾
	highest   = 1.25
)

func (r ratio) state() State {
	switch {
	case !(r.se <= largestSE):
		return NotJudged
	case r.value < lowest && 1-r.value > clearly*r.se, r.value > highest && r.value-1 > clearly*r.se:
		return Bad
	case r.value < highest && r.value-0.75 > 3*r.se && r.value-0.5 > clearly*r.se:
		return Good
	}
	return NotJudged
}

// combine weighs ratios by their standard errors.
func combine(all []ratio) ratio {
	var sum, weights float64
	for _, r := range all {
		if r.se > 0 && !math.IsInf(r.se, 0) {
			sum += r.value / (r.se * r.se)
			weights += 1 / (r.se * r.se)
		}
	}
	if weights == 0 {
		return ratio{0, math.Inf(1)}
	}
	return ratio{sum / weights, 1 / math.Sqrt(weights)}
}

// follow estimates the ratio of one bit from pairs of levels that differ in it.
// Black and white are the levels of the screen at which the capture is clipped.
func (t *tally) follow(bit int, level []float32, black, white float32, noise float64) ratio {
	weight := float64(level[1<<bit])
	left := func(l float32) float64 { return float64(min(white, max(black, l))) } // by clipping
	var sum, weights float64
	for low := range t.cells {
		high := low | 1<<bit
		if high == low {
			continue
		}
		a, b := t.cells[low], t.cells[high]
		if a.weight < 0.5 || b.weight < 0.5 {
			continue
		}
		// Only what clipping leaves of the step can be seen.
		seen := (left(level[high]) - left(level[low])) / weight
		if seen < 0.5 {
			continue
		}
		w := a.weight * b.weight / (a.weight + b.weight) * seen * seen
		sum += w * (b.deviation() - a.deviation()) / seen
		weights += w
	}
	if weights == 0 {
		return ratio{0, math.Inf(1)}
	}
	// The class's own scatter counts when it is larger than the noise.
	scatter := max(noise, math.Sqrt(t.within()))
	return ratio{1 + sum/weights/weight, scatter / weight / math.Sqrt(weights)}
}

// A judge holds the ratios of every slot.
type judge struct {
	*lanes
	ratios [][3][]ratio // by lane class, channel and bit
	task   Task
}

// judge judges what the view leaves at present.
func (v *view) judge() *judge {
	j := &judge{lanes: v.lanes, ratios: make([][3][]ratio, len(v.tallies)), task: v.task}
	for channel, f := range v.fields {
		black, white := float32(v.model.screenLevel(channel, 0)), float32(v.model.screenLevel(channel, 255))
		if v.task == FromPhotograph { // clipped before it was unmixed
			black, white = -1000, 1000
		}
		for k := range v.tallies {
			for bit := range f.Bits {
				r := v.tallies[k][channel].follow(bit, v.level[channel], black, white, v.noise[channel])
				j.ratios[k][channel] = append(j.ratios[k][channel], r)
			}
		}
	}
	if v.task == FromPhotograph {
		j.compareClasses()
	}
	return j
}

func (j *judge) ratio(s slot) ratio { return j.ratios[s.class][s.channel][s.bit] }

// line judges one data line by all of its slots.
func (j *judge) line(bank, chip, line int) ratio {
	var all []ratio
	for _, s := range j.slots(bank, chip, line) {
		all = append(all, j.ratio(s))
	}
	return combine(all)
}

// lines judges every data line of the memory.
func (j *judge) lines() []Line {
	var out []Line
	for bank := range j.banks {
		for chip := range j.Org.ChipsPerBank() {
			for line := range j.Org.ChipBits {
				r := j.line(bank, chip, line)
				l := Line{
					Bank: bank, Chip: chip, Line: line, Designator: j.Org.Banks[bank].Designators[chip],
					State: r.state(),
				}
				if r.se < math.Inf(1) {
					l.Follows, l.SE = &r.value, &r.se
				}
				for _, s := range j.slots(bank, chip, line) {
					if bit := j.pixelBit(s.channel, s.bit); !slices.Contains(l.PixelBits, bit) {
						l.PixelBits = append(l.PixelBits, bit)
					}
				}
				l.Shown = len(l.PixelBits) > 0 && j.shows(bank)
				out = append(out, l)
			}
		}
	}
	return out
}

// A converterBit is one bit of one channel that is wrong in the whole picture.
type converterBit struct{ channel, bit int }

// converterBits lists the bits that are bad in every lane class that could judge
// them, in at least two of them and on two different data lines, with the ratio
// in the first. Two chips that fail in the same bit at once are far less likely
// than one converter.
func (j *judge) converterBits() (found []converterBit, ratios []ratio) {
	type wire struct{ bank, chip, line int }
	for channel, f := range j.fields {
		for bit := range f.Bits {
			bad, good := []int{}, false
			wires := map[wire]bool{}
			for k := range j.ratios {
				switch j.ratios[k][channel][bit].state() {
				case Bad:
					bad = append(bad, k)
					p := j.wires[k][channel][bit]
					wires[wire{p.Bank, p.Chip, p.Line}] = true
				case Good:
					good = true
				}
			}
			if j.task == FromPhotograph && len(bad)*3 < 2*j.phases {
				continue // the other lane classes could not be judged: a dead chip looks the same
			}
			if len(bad) >= 2 && !good && len(wires) >= 2 {
				found = append(found, converterBit{channel, bit})
				ratios = append(ratios, j.ratios[bad[0]][channel][bit])
			}
		}
	}
	return found, ratios
}
