package thermal

import (
	"math"

	"proveout/plans/fact"
	"proveout/scoring/conformity"
)

// causeOf names what the columns of clock, power and fan show of a change at a
// moment of the load; usual is what is likely where the log holds none of them.
func causeOf(log samples, at float64, usual fact.Fact) fact.Fact {
	logged := false
	var found []fact.Fact
	for _, c := range [...]struct {
		quantity Quantity
		share    float64 // a change of level of less is none
		told     func(from, to float64) fact.Fact
	}{
		{Clock, 0.02, func(from, to float64) fact.Fact {
			return fact.New("thermal.cause-clock", "from", fact.In(from/1e6, "MHz"), "to", fact.In(to/1e6, "MHz"))
		}},
		{Power, 0.1, func(from, to float64) fact.Fact {
			return fact.New("thermal.cause-power", "from", fact.In(from, "W"), "to", fact.In(to, "W"))
		}},
		{Fan, 0.1, func(from, to float64) fact.Fact {
			return fact.New("thermal.cause-fan", "share", fact.In(100*to/from, "%").To(1))
		}},
	} {
		from, to, ok := levelsAbout(log, log.other[c.quantity], at)
		logged = logged || ok
		if ok && from > 0 && math.Abs(to-from) > c.share*from {
			found = append(found, c.told(from, to))
		}
	}
	switch {
	case len(found) > 0:
		return fact.Text(fact.ListOf(fact.And, found))
	case logged:
		return fact.New("thermal.cause-not-logged", "usual", usual)
	}
	return usual
}

// levelsAbout compares the level of a column before a moment with that at the end,
// leaving out the very beginning, where the load comes up.
func levelsAbout(log samples, column []float64, at float64) (from, to float64, ok bool) {
	n := len(column)
	if n < 20 {
		return 0, 0, false
	}
	first, last := len(log.between(math.Inf(-1), at).time), n
	before, after := finiteOf(column[first/10:first]), finiteOf(column[last-max(1, (last-first)/3):last])
	if len(before) < 3 || len(after) < 3 {
		return 0, 0, false
	}
	return conformity.Median(before), conformity.Median(after), true
}
