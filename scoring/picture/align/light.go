package align

import (
	"math"

	"gonum.org/v1/gonum/stat"

	"proveout/scoring/picture/raster"
)

// Light is estimated in blocks over the part between the identification strips.
const blocksX, blocksY = 16, 12

// blocks hold one value for each block.
type blocks [blocksY][blocksX]float64

func (b *blocks) mean() float64 {
	sum := 0.0
	for _, row := range b {
		for _, v := range row {
			sum += v
		}
	}
	return sum / (blocksX * blocksY)
}

// block returns the pixels of a block.
func (s *Screen) block(i, j, edge int) (x0, y0, x1, y1 int) {
	w, h := s.Grid.Width, s.Grid.Height-2*edge
	return i * w / blocksX, edge + j*h/blocksY, (i + 1) * w / blocksX, edge + (j+1)*h/blocksY
}

// level undoes uneven light: in blocks between the identification strips the
// captured level is fitted as a line over the written level, and slope and offset
// are smoothed over the screen.
func (s *Screen) level(wanted *raster.RGB, edge int) {
	const together = 3 // behind the three channels: all as one
	var slope, offset [together + 1]blocks
	for j := range blocksY {
		for i := range blocksX {
			for channel := range slope {
				written, captured := s.blockLevels(wanted, channel, i, j, edge)
				if !varies(written) {
					offset[channel][j][i] = stat.Mean(captured, nil)
					continue
				}
				offset[channel][j][i], slope[channel][j][i] = stat.LinearRegression(written, captured, nil, false)
			}
		}
	}
	middle := s.warp.terms(s.warp.width/2, s.warp.height/2)
	for channel := range 3 {
		from := channel
		if slope[channel].mean() < 0.25*slope[together].mean() {
			from = together // the channel does not follow: missing or exchanged
		}
		gain, black := s.smooth(&slope[from], edge), s.smooth(&offset[from], edge)
		s.Gain[channel], s.Offset[channel] = gain.at(&middle), black.at(&middle)
		for i, v := range s.Grid.V[channel] {
			x, y := i%s.Grid.Width, i/s.Grid.Width
			terms := s.warp.terms(float64(x)+0.5, float64(y)+0.5)
			s.Grid.V[channel][i] = float32((float64(v) - black.at(&terms)) / max(0.02, gain.at(&terms)))
		}
	}
}

// blockLevels are written and captured levels of a channel in a block; of channel
// 3 the means of all.
func (s *Screen) blockLevels(wanted *raster.RGB, channel, i, j, edge int) (written, captured []float64) {
	x0, y0, x1, y1 := s.block(i, j, edge)
	for y := y0; y < y1; y++ {
		for x := x0; x < x1; x++ {
			k := y*s.Grid.Width + x
			from, to := channel, channel+1
			if channel == 3 {
				from, to = 0, 3
			}
			var w, c float64
			for ch := from; ch < to; ch++ {
				w += float64(wanted.Pix[3*k+ch]) / float64(to-from)
				c += float64(s.Grid.V[ch][k]) / float64(to-from)
			}
			written, captured = append(written, w), append(captured, c)
		}
	}
	return written, captured
}

// smooth fits a polynomial to block values, dropping those far off.
func (s *Screen) smooth(b *blocks, edge int) (f cubic) {
	var terms [blocksY][blocksX]cubic
	for j := range blocksY {
		for i := range blocksX {
			x0, y0, x1, y1 := s.block(i, j, edge)
			terms[j][i] = s.warp.terms(float64(x0+x1)/2, float64(y0+y1)/2)
		}
	}
	limit := math.Inf(1)
	for range 3 {
		q := newLeastSquares(len(f), 1)
		for j, row := range terms {
			for i, t := range row {
				if math.Abs(b[j][i]-f.at(&t)) <= limit {
					q.add(t[:], b[j][i])
				}
			}
		}
		c, ok := q.solve(0)
		if !ok {
			break
		}
		copy(f[:], c)
		off := 0.0
		for j, row := range terms {
			for i, t := range row {
				off += math.Abs(b[j][i] - f.at(&t))
			}
		}
		limit = 3 * off / (blocksX * blocksY)
	}
	return f
}

// What neighbours add to a pixel is told apart this far away.
const (
	reachX, reachY = 2, 1
	neighbours     = 3 * (2*reachX + 1) * (2*reachY + 1)
)

// unmix takes out what neighbours and other channels add to each pixel: the
// captured level is fitted as a sum over 15 places and three channels, all but
// the pixel's own part is subtracted, and the rest is scaled to the own part.
func (s *Screen) unmix(wanted *raster.RGB, edge int) {
	w, h := s.Grid.Width, s.Grid.Height
	q := newLeastSquares(neighbours+1, 3)
	terms := make([]float64, neighbours+1)
	skip := max(1, w*h/25000) | 1
	for i := (edge+2)*w + 3; i < (h-edge-2)*w; i += skip {
		if x := i % w; x < reachX || x >= w-reachX {
			continue
		}
		k := 0
		for dy := -reachY; dy <= reachY; dy++ {
			for dx := -reachX; dx <= reachX; dx++ {
				for _, v := range wanted.Pix[3*(i+dy*w+dx):][:3] {
					terms[k] = float64(v) - 127.5
					k++
				}
			}
		}
		terms[k] = 1
		q.add(terms, float64(s.Grid.V[0][i]), float64(s.Grid.V[1][i]), float64(s.Grid.V[2][i]))
	}
	for channel := range 3 {
		c, ok := q.solve(channel)
		own := reachY*(2*reachX+1)*3 + reachX*3 + channel
		if !ok || c[own] < 0.08 {
			continue
		}
		s.Centre[channel] = c[own]
		s.subtract(channel, wanted, c, own)
	}
}

// subtract takes what the coefficients say off a channel, but for the pixel's own
// part.
func (s *Screen) subtract(channel int, wanted *raster.RGB, c []float64, own int) {
	w, h := s.Grid.Width, s.Grid.Height
	var k [neighbours]float32
	base := float32(c[neighbours])
	for i := range k {
		k[i] = float32(c[i])
		base -= k[i] * 127.5
	}
	scale := 1 / k[own]
	k[own] = 0
	v := s.Grid.V[channel]
	for y := range h {
		for x := range w {
			sum := base
			q := 0
			for dy := -reachY; dy <= reachY; dy++ {
				row := min(max(y+dy, 0), h-1) * w
				for dx := -reachX; dx <= reachX; dx++ {
					at := 3 * (row + min(max(x+dx, 0), w-1))
					p := wanted.Pix[at : at+3 : at+3]
					sum += k[q]*float32(p[0]) + k[q+1]*float32(p[1]) + k[q+2]*float32(p[2])
					q += 3
				}
			}
			v[y*w+x] = (v[y*w+x] - sum) * scale
		}
	}
}
