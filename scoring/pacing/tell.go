package pacing

import (
	"cmp"
	"math"
	"slices"

	"proveout/plans/fact"
	"proveout/scoring/holes"
)

// tell says what the report holds.
func (r *Report) tell() {
	r.say(fact.New("pacing.frames", "n", r.Frames, "time", fact.In(r.Duration, "s").To(0.1),
		"rate", fact.In(*r.MeanFPS, "").To(0.01), "median", fact.In(r.Median, "ms").To(0.01)))
	if r.Sampled {
		r.say(fact.New("pacing.samples"))
	}
	if told := holes.Told(r.Holes); !told.IsZero() {
		r.say(told)
	}
	r.tellSlowest()
	r.tellStalls()
	r.tellDrift()
}

func (r *Report) say(f fact.Fact) { r.Sentence = append(r.Sentence, f) }

func (r *Report) tellSlowest() {
	switch {
	case r.Slow01 != nil:
		r.say(fact.New("pacing.slowest-both",
			"percent", fact.In(*r.Slow1, "").To(0.01), "permille", fact.In(*r.Slow01, "").To(0.01)))
	case r.Slow1 != nil:
		r.say(fact.New("pacing.slowest", "percent", fact.In(*r.Slow1, "").To(0.01)))
	}
}

// toldFreezes is how many freezes are told one by one.
const toldFreezes = 5

func (r *Report) tellStalls() {
	if r.StallCount == 0 {
		r.say(fact.New("pacing.no-stall", "rule", r.StallRule))
	} else {
		worst := slices.MaxFunc(r.Stalls, func(a, b Stall) int { return cmp.Compare(a.Ms, b.Ms) })
		r.say(fact.New("pacing.stalls", "n", r.StallCount, "limit", fact.In(r.StallLimit, "ms").To(0.1),
			"worst", fact.In(worst.Ms, "ms").To(0.1), "at", fact.In(worst.At, "s").To(0.1)))
	}
	for i, f := range r.Freezes {
		if i == toldFreezes {
			r.say(fact.New("pacing.more-freezes", "n", len(r.Freezes)-toldFreezes))
			break
		}
		r.say(fact.New("pacing.freeze", "time", fact.In(f.Seconds, "s").To(0.1), "at", fact.In(f.At, "s").To(0.1)))
	}
}

func (r *Report) tellDrift() {
	d := r.Drift
	if d == nil {
		r.say(fact.New("pacing.too-short"))
		return
	}
	// Two digits of how well the slope is known are worth showing (JCGM 100:2008, 7.2.6).
	digit := 0.0
	if half := (d.High - d.Low) / 2; half > 0 {
		digit = math.Pow(10, math.Floor(math.Log10(half))-1)
	}
	slope := fact.In(d.PerMinute, "ms/min").To(digit).WithSign()
	low, high := fact.In(d.Low, "").To(digit).WithSign(), fact.In(d.High, "").To(digit).WithSign()
	switch {
	case d.Low == 0 && d.High == 0:
		r.say(fact.New("pacing.steady"))
	case !d.Significant:
		r.say(fact.New("pacing.no-drift", "slope", slope, "low", low, "high", high))
	case d.PerMinute < 0:
		r.say(fact.New("pacing.faster", "slope", slope, "low", low, "high", high))
	default:
		r.say(fact.New("pacing.slower", "slope", slope, "low", low, "high", high))
	}
	if c := r.Change; c != nil {
		r.say(fact.New("pacing.moved", "at", fact.In(c.At, "s").To(0.1),
			"before", fact.In(c.Before, "ms").To(0.01), "after", fact.In(c.After, "ms").To(0.01)))
	}
}
