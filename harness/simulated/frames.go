package simulated

import "math"

// A pace is how a card draws.
type pace struct {
	fps     float64
	between float64 // standard deviation of the runs, share
	slump   float64 // share of the frame rate that is lost as the card grows hot
	stalls  int     // in a run
	freeze  float64 // s that the picture stands in each run; 0: never
	sync    float64 // Hz to which frames wait for the monitor; 0: they do not
}

// goodPace is that of a good card. Runs of one card differ by a fifth of a percent
// (common practice, no source).
func goodPace(fps float64) pace { return pace{fps: fps, between: 0.002} }

// run draws the frame times of a run of so many seconds, s. Scenes of the workload,
// six of them in a run, make them longer and shorter by scenes; the mean of
// 1/(1 + a·sin) is 1/√(1 − a²).
func (p pace) run(seconds float64, d dice) []float64 {
	const scenes = 0.08
	fps := p.fps * (1 + d.normal(p.between))
	mean := 1 / fps / math.Sqrt(1-scenes*scenes)
	var out []float64
	t := 0.0
	for t < seconds {
		frame := mean * (1 + scenes*math.Sin(2*math.Pi*6*t/seconds) + d.normal(0.02))
		frame /= 1 - p.slump*(1-math.Exp(-t/90))
		if p.sync > 0 {
			frame = math.Ceil(frame*p.sync) / p.sync * (1 + d.normal(0.001))
		}
		out = append(out, frame)
		t += frame
	}
	for range p.stalls {
		out[len(out)/20+d.IntN(len(out)*9/10)] += d.between(0.12, 0.25)
	}
	if p.freeze > 0 {
		out[len(out)/4+d.IntN(len(out)/2)] += p.freeze
	}
	return out
}
