package lines

import (
	"math"
	"slices"

	"proveout/scoring/picture/raster"
)

// A view is the capture beside what the memory is taken to show. Each fault that
// is explained changes the latter.
type view struct {
	*lanes
	grid    *raster.Grid
	task    Task
	written []byte   // to the frame buffer
	codes   []uint32 // that the memory is taken to show
	shown   planes   // levels of the screen
	model   *model
	few     [3]bool // channels of few levels

	predicted planes // shown, smoothed as the capture smooths
	residual  planes // screen levels, NaN where unusable
	tallies   [][3]tally
	noise     [3]float64 // screen levels
}

func newView(l *lanes, w Written, g *raster.Grid) *view {
	return &view{lanes: l, grid: g, written: w.Bytes, codes: w.Codes, shown: l.planes(w.Codes), model: identity()}
}

// fit estimates levels and noise for what the memory is taken to show.
//
// Levels and noise hang on each other where a capture is clipped: which pixels
// are is known only when the levels are, and which levels clipping touches only
// when the noise is. So it takes two rounds. The first only has to know the
// noise: a part of the rows of a large picture tells it.
func (v *view) fit() {
	v.predict()
	m := v.model
	area := (v.grid.X1 - v.grid.X0) * (v.grid.Y1 - v.grid.Y0)
	for _, round := range []struct{ sample, every, fits int }{{15_000, max(1, area/200_000) | 1, 4}, {45_000, 1, 8}} {
		if m.sharp {
			round.every = 1 // this may be the only round
		}
		if v.task == FromPhotograph {
			round.every, round.fits = 1, 1 // unmixed before: what was clipped cannot be told any more
		}
		v.settleLevels(round.sample, round.fits)
		v.residual = m.residuals(v.grid, v.predicted, v.residual, round.every)
		v.tallies = v.tally(round.every)
		v.setNoise()
		before := m.noise
		for channel := range 3 {
			m.noise[channel] = v.noise[channel] * m.gain[channel]
		}
		if m.sharp && before == [3]float64{} && max(v.noise[0], v.noise[1], v.noise[2]) < 0.7 {
			break // nothing is clipped that was not meant to be
		}
	}
}

func (v *view) predict() {
	for channel := range 3 {
		v.predicted[channel] = v.model.smooth(v.grid, v.shown[channel])
	}
}

// settleLevels estimates the levels until they stand still, or so many times.
func (v *view) settleLevels(sample, times int) {
	const still = 0.003 // of the gain
	for range times {
		before := v.model.gain
		v.fitLevels(sample)
		moved := 0.0
		for channel, gain := range v.model.gain {
			moved = max(moved, math.Abs(gain-before[channel]))
		}
		if moved < still {
			return
		}
	}
}

// show takes the memory to show other levels, and judges anew with gain, offset
// and smoothing as they are.
func (v *view) show(shown planes) {
	v.shown = shown
	before := v.predicted
	v.predict()
	for channel := range 3 {
		for i, r := range v.residual[channel] {
			v.residual[channel][i] = r + before[channel][i] - v.predicted[channel][i]
		}
	}
	v.tallies = v.tally(1)
	v.setNoise()
}

// leastNoise is the least noise that is assumed, in levels: rounding to whole
// levels, 1/√12.
const leastNoise = 0.29

// setNoise takes the noise of each channel from the lane classes: the lower
// quartile, so that faulty ones do not count. When there is only one, a fault
// cannot be told from noise by comparing classes: then no channel is taken to be
// much noisier than the quietest.
func (v *view) setNoise() {
	if v.task == LevelsOnly {
		v.setPlainNoise()
		return
	}
	seen := 0.0
	for k := range v.tallies {
		for channel := range 3 {
			seen = max(seen, v.tallies[k][channel].count)
		}
	}
	classes := map[int]bool{}
	for channel := range 3 {
		var all []float64
		most := 0.0
		for k := range v.tallies {
			most = max(most, v.tallies[k][channel].count)
		}
		for k := range v.tallies {
			t := &v.tallies[k][channel]
			if t.count > max(50, 0.15*most) { // a bank of which only the plain edge is seen tells nothing
				all = append(all, math.Sqrt(t.variance()))
			}
			if t.count > 0.15*seen {
				classes[k] = true
			}
		}
		v.noise[channel] = leastNoise
		if len(all) > 0 {
			slices.Sort(all)
			v.noise[channel] = max(leastNoise, all[(len(all)-1)/4])
		}
	}
	if len(classes) > 1 {
		return
	}
	quietest := math.Inf(1)
	for channel := range 3 {
		if !v.model.missing[channel] {
			quietest = min(quietest, v.noise[channel]*v.model.gain[channel])
		}
	}
	for channel := range 3 {
		v.noise[channel] = max(leastNoise, min(v.noise[channel], 1.3*quietest/v.model.gain[channel]))
	}
}

// setPlainNoise takes the noise of a pattern of few edges from how far most pixels lie
// off, whose places tell nothing of lane classes: of what is clipped on one side a half
// lies at nothing.
func (v *view) setPlainNoise() {
	const sample = 20_000
	for channel, residuals := range v.residual {
		var off []float64
		for i := 0; i < len(residuals); i += max(1, len(residuals)/sample) | 1 {
			if r := float64(residuals[i]); r == r {
				off = append(off, math.Abs(r))
			}
		}
		v.noise[channel] = leastNoise
		if len(off) > 0 {
			slices.Sort(off)
			v.noise[channel] = max(leastNoise, 1.4826*off[len(off)/2], 1.19*off[len(off)*8/10])
		}
	}
}
