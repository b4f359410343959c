package lines

import (
	"math"

	"proveout/scoring/picture/raster"
)

// A Transfer is how a level of the screen becomes a level of the capture:
// Offset + Gain·255·(level/255)^Gamma, after smoothing by the taps.
type Transfer struct {
	Gain, Offset, Gamma [3]float64
	Noise               float64    // standard deviation, capture levels
	Taps                [5]float64 // mean weights across, from two pixels left to two right
}

// A model predicts the capture from what the screen shows.
type model struct {
	gain, offset, gamma [3]float64
	across              [raster.Phases][5]float32 // smoothing by sampling phase, from two pixels left
	down                [raster.Phases][3]float32
	sharp               bool       // no smoothing at all
	noise               [3]float64 // levels of the capture
	missing             [3]bool    // channels to leave out
}

// identity is the model of a dump.
func identity() *model {
	m := &model{sharp: true}
	for channel := range 3 {
		m.gain[channel], m.gamma[channel] = 1, 1
	}
	for phase := range raster.Phases {
		m.across[phase], m.down[phase] = [5]float32{2: 1}, [3]float32{1: 1}
	}
	return m
}

// centre returns the weight of the pixel itself.
func (m *model) centre(g *raster.Grid, x, y int) float32 {
	return m.across[g.PhaseX[x]][2] * m.down[g.PhaseY[y]][1]
}

// screenLevel is the inverse of the transfer of a channel.
func (m *model) screenLevel(channel int, captured float64) float64 {
	s := (captured - m.offset[channel]) / m.gain[channel]
	if m.gamma[channel] != 1 && s > 0 {
		s = 255 * math.Pow(s/255, 1/m.gamma[channel])
	}
	return s
}

// captureLevel is the transfer of a channel.
func (m *model) captureLevel(channel int, screen float64) float64 {
	if m.gamma[channel] != 1 && screen > 0 {
		screen = 255 * math.Pow(screen/255, m.gamma[channel])
	}
	return m.offset[channel] + m.gain[channel]*screen
}

// mostNoise bounds the noise that allowances for clipping grow with: what is
// larger is no noise but a fault that is not explained yet.
const mostNoise = 16

// margin is how far from black and white a predicted level must lie for clipping
// not to touch it: 1.6 standard deviations, beyond which clipping moves the mean
// by less than 0.03 of one. Without noise to speak of a level just outside is as
// good, since it is rounded to the end of the range and no further.
func (m *model) margin(channel int) float64 {
	if margin := 1.6 * min(m.noise[channel], mostNoise); margin >= 1.2 {
		return margin
	}
	return -0.8
}

// looksClipped is how near to what clipping leaves a level is taken for clipped.
func (m *model) looksClipped(channel int) float64 { return 4*min(m.noise[channel], 12) + 4 }

// usable reports whether a pixel tells anything: it does not when it is
// predicted, under the levels found so far, to be clipped at black or white and
// indeed looks so.
func (m *model) usable(channel int, predicted, captured float64) bool {
	if m.missing[channel] {
		return false
	}
	c := m.captureLevel(channel, predicted)
	margin := m.margin(channel)
	if c >= margin && c <= 255-margin {
		return true
	}
	return math.Abs(captured-min(255, max(0, c))) > m.looksClipped(channel)
}

// Correct returns the grid as a picture with gain, offset and gamma undone.
func (r *Report) Correct(g *raster.Grid) *raster.RGB {
	m := &model{gain: r.Transfer.Gain, offset: r.Transfer.Offset, gamma: r.Transfer.Gamma}
	p := raster.New(g.Width, g.Height)
	const steps = 8 // of a level
	for channel := range 3 {
		var table [255*steps + 1]uint8
		for i := range table {
			table[i] = uint8(min(255, max(0, m.screenLevel(channel, float64(i)/steps)+0.5)))
		}
		for i, v := range g.V[channel] {
			p.Pix[3*i+channel] = table[min(255*steps, max(0, int(v*steps+0.5)))]
		}
	}
	return p
}
