package lines

import "math"

// fit estimates levels and noise for what the screen is taken to show, and
// leaves predictions and residuals in the view.
func (v *view) fit(u [3][]float32) [][3]tally {
	var t [][3]tally
	for ch := range 3 {
		v.f[ch] = v.m.filter(v.g, u[ch])
	}
	// The first round only has to know the noise: a part of the rows of a large
	// picture tells it.
	area := (v.g.X1 - v.g.X0) * (v.g.Y1 - v.g.Y0)
	for _, round := range []struct{ sample, every, fits int }{{15000, max(1, area/200000) | 1, 4}, {45000, 1, 8}} {
		every := round.every
		if v.m.sharp {
			every = 1 // this may be the only round
		}
		if v.task == FromPhotograph {
			every, round.fits = 1, 1 // unmixed before: what was clipped cannot be told any more
		}
		v.settleLevels(u, round.sample, round.fits)
		v.r = v.m.residuals(v.g, v.f, v.r, every)
		t = v.m.tabulate(v.lanes, v.g, v.codes, v.r, every)
		v.setNoise(t)
		before := v.m.noise
		for ch := range 3 {
			v.m.noise[ch] = v.noise[ch] * v.m.gain[ch]
		}
		if v.m.sharp && before == ([3]float64{}) && max(v.noise[0], v.noise[1], v.noise[2]) < 0.7 {
			break // nothing is clipped that was not meant to be
		}
	}
	return t
}

// settleLevels estimates the levels until they stand still, or so many times:
// where many pixels are clipped, which ones are is known only when the levels
// are.
func (v *view) settleLevels(u [3][]float32, sample, most int) {
	for range most {
		before := v.m.gain
		v.m.fitLevels(v.lanes, v.g, v.codes, u, v.f, v.task, sample)
		moved := 0.0
		for ch, g := range v.m.gain {
			moved = max(moved, math.Abs(g-before[ch]))
		}
		if moved < 0.003 {
			return
		}
	}
}

// setNoise takes the noise from the lane classes. When there is only one, a
// fault cannot be told from noise by comparing classes: then no channel is taken
// to be much noisier than the quietest.
func (v *view) setNoise(t [][3]tally) {
	v.noise = noiseOf(t)
	classes := 0
	most := 0.0
	for k := range t {
		most = max(most, t[k][0].n, t[k][1].n, t[k][2].n)
	}
	for k := range t {
		if max(t[k][0].n, t[k][1].n, t[k][2].n) > 0.15*most {
			classes++
		}
	}
	if classes > 1 {
		return
	}
	least := math.Inf(1)
	for ch := range 3 {
		if !v.m.missing[ch] {
			least = min(least, v.noise[ch]*v.m.gain[ch])
		}
	}
	for ch := range 3 {
		v.noise[ch] = max(floor, min(v.noise[ch], 1.3*least/v.m.gain[ch]))
	}
}

// again predicts anew with other shown levels, keeping gain, offset and taps.
func (v *view) again(u [3][]float32) [][3]tally {
	for ch := range 3 {
		old := v.f[ch]
		f := v.m.filter(v.g, u[ch])
		for i, r := range v.r[ch] {
			v.r[ch][i] = r + old[i] - f[i]
		}
		v.f[ch] = f
	}
	return v.m.tabulate(v.lanes, v.g, v.codes, v.r, 1)
}
