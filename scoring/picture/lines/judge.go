package lines

import "math"

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

// A Line is the judgement of one data line.
type Line struct {
	Bank, Chip int
	Designator string
	Line       int
	State      State
	Follows    float64 // how strongly the shown bit follows the written one, 1 is fully
	SE         float64 // standard error of Follows; +Inf when not judged
	PixelBits  []int   // bits of the pixel that lie on the line, 0 the lowest
}

// A short between neighbouring bits of a channel leaves the upper following by
// three quarters and the lower by one and a half, any other short by one half,
// every other fault by less. A line is good when it follows clearly better than
// that, and bad when it clearly follows otherwise than a good one; between them,
// or when the standard error is above maxSE, it is not judged.
const (
	maxSE    = 0.12
	clearly  = 4.8 // standard errors
	badBelow = 0.76
	badAbove = 1.25
)

// A judge holds the ratios of every slot.
type judge struct {
	*lanes
	r    [][3][]ratio // by lane class, channel and bit
	task Task
}

func newJudge(l *lanes, t [][3]tally, m *model, noise [3]float64, task Task) *judge {
	j := &judge{lanes: l, r: make([][3][]ratio, len(t)), task: task}
	fields := l.Mode.Format.Fields()
	for k := range t {
		for ch := range 3 {
			j.r[k][ch] = make([]ratio, fields[ch].Bits)
			black, white := float32(m.screenLevel(ch, 0)), float32(m.screenLevel(ch, 255))
			if task == FromPhotograph { // clipped before it was unmixed
				black, white = -1000, 1000
			}
			for b := range j.r[k][ch] {
				j.r[k][ch][b] = t[k][ch].follow(b, l.level[ch], black, white, noise[ch])
			}
		}
	}
	if task == FromPhotograph {
		j.relative()
	}
	return j
}

// What a photograph can tell of small steps: the coding of the photograph shows
// them smaller in one lane class than in another, by up to a level and a half,
// whatever the standard error says. Found on photographs of clean cards.
const (
	finest     = 6.0 // levels; a finer bit is not judged
	systematic = 0.4 // levels, one standard error
)

// relative scales the ratios of each bit by their median over the lane classes.
// A photograph answers less to small steps than to large ones (clipping, coding),
// and does so in every lane class alike; what differs is added to the standard
// error.
func (j *judge) relative() {
	for ch, f := range j.Mode.Format.Fields() {
		for bit := range f.Bits {
			w := j.weight(ch, bit)
			m := j.usual(ch, bit)
			for k := range j.r {
				r := &j.r[k][ch][bit]
				if w < finest || w < 30 && m <= 0.4 {
					r.se = math.Inf(1)
					continue
				}
				if m > 0.4 {
					r.value, r.se = r.value/m, r.se/m
				}
				r.se = math.Hypot(r.se, systematic/w)
			}
		}
	}
}

// usual is the median ratio of a bit over the lane classes, 1 when fewer than
// two tell. Of two, the one nearer to 1 counts: exchanged lines raise a ratio,
// all other faults lower it.
func (j *judge) usual(ch, bit int) float64 {
	var v []float64
	for k := range j.r {
		if r := j.r[k][ch][bit]; r.se < 0.15 {
			v = append(v, r.value)
		}
	}
	switch {
	case len(v) < 2:
		return 1
	case len(v) == 2 && max(v[0], v[1])*min(v[0], v[1]) > 1:
		return min(v[0], v[1])
	}
	return upperMedian(v)
}

func (r ratio) state() State {
	switch {
	case !(r.se <= maxSE):
		return NotJudged
	case r.value < badBelow && 1-r.value > clearly*r.se, r.value > badAbove && r.value-1 > clearly*r.se:
		return Bad
	case r.value < badAbove && r.value-0.75 > 3*r.se && r.value-0.5 > clearly*r.se:
		return Good
	}
	return NotJudged
}

// combine weighs ratios by their standard errors.
func combine(rs []ratio) ratio {
	var s, w float64
	for _, r := range rs {
		if r.se > 0 && !math.IsInf(r.se, 0) {
			s += r.value / (r.se * r.se)
			w += 1 / (r.se * r.se)
		}
	}
	if w == 0 {
		return ratio{0, math.Inf(1)}
	}
	return ratio{s / w, 1 / math.Sqrt(w)}
}

// lines judges every data line of the memory.
func (j *judge) lines() []Line {
	var out []Line
	for bank := range j.banks {
		for chip := range j.Org.ChipsPerBank() {
			for line := range j.Org.ChipBits {
				ln := Line{Bank: bank, Chip: chip, Line: line, Designator: j.Org.Banks[bank].Designators[chip], SE: math.Inf(1)}
				var rs []ratio
				seen := map[int]bool{}
				for _, s := range j.slots(bank, chip, line) {
					rs = append(rs, j.r[s.class][s.channel][s.bit])
					bit := j.Mode.Format.Fields()[s.channel].Shift + s.bit
					if !seen[bit] {
						seen[bit] = true
						ln.PixelBits = append(ln.PixelBits, bit)
					}
				}
				c := combine(rs)
				ln.Follows, ln.SE, ln.State = c.value, c.se, c.state()
				out = append(out, ln)
			}
		}
	}
	return out
}

// converterBits lists channels and bits that are bad in every lane class that
// could judge them, in at least two of them on different data lines.
func (j *judge) converterBits() (out []slot) {
	for ch, f := range j.Mode.Format.Fields() {
		for bit := range f.Bits {
			bad, other := 0, false
			first := -1
			lines := map[[3]int]bool{}
			for k := range j.r {
				switch j.r[k][ch][bit].state() {
				case Bad:
					bad++
					if first < 0 {
						first = k
					}
					p := j.wires[k][ch][bit]
					lines[[3]int{p.Bank, p.Chip, p.Line}] = true
				case Good:
					other = true
				}
			}
			if j.task == FromPhotograph && bad*3 < 2*j.phases {
				continue // the other lane classes could not be judged: a dead chip looks the same
			}
			if bad >= 2 && !other && len(lines) >= 2 {
				out = append(out, slot{first, ch, bit, j.weight(ch, bit)})
			}
		}
	}
	return out
}
