package photo

import "proveout/scoring/picture/raster"

const nudgeNodes = 8 // across each strip

// A nudge corrects the place across of what was read, in screen pixels, at nodes
// along the top and the bottom strip; between them it is linear.
type nudge [2][nudgeNodes]float64

func (n *nudge) at(x, y float64) float64 {
	t := min(nudgeNodes-1, max(0, x*nudgeNodes-0.5))
	k := min(nudgeNodes-2, int(t))
	u := t - float64(k)
	top := n[0][k] + u*(n[0][k+1]-n[0][k])
	bottom := n[1][k] + u*(n[1][k+1]-n[1][k])
	v := min(1, max(0, y))
	return top + v*(bottom-top)
}

// settle measures how far the cells of the identification strips lie from where
// they were read, and corrects the warp by it. It reports whether all of the
// nodes could be measured.
func (s *Screen) settle(wanted *raster.RGB, edge int) bool {
	n := s.warp.nudge
	for strip := range n {
		y0, y1 := 0, edge-2
		if strip == 1 {
			y0, y1 = s.Grid.Height-edge+2, s.Grid.Height
		}
		for k := range n[strip] {
			x0, x1 := s.Grid.Width*k/nudgeNodes, s.Grid.Width*(k+1)/nudgeNodes
			e, ok := s.offset(wanted, x0, y0, x1, y1)
			if !ok {
				return false
			}
			n[strip][k] -= e
		}
	}
	s.warp.nudge = n
	return true
}

// offset is by how many pixels a part of a strip was read too far right: the
// captured level is fitted as a multiple of the wanted one and of its slope.
func (s *Screen) offset(wanted *raster.RGB, x0, y0, x1, y1 int) (float64, bool) {
	eq := normalEquations{size: 3}
	w := s.Grid.Width
	for y := y0; y < y1; y++ {
		for x := max(1, x0); x < min(w-1, x1); x++ {
			i := y*w + x
			same := true // above and below, so that the place down does not matter
			for _, j := range []int{i - w, i + w} {
				same = same && (j < 0 || 3*j >= len(wanted.Pix) || wanted.Pix[3*j] == wanted.Pix[3*i])
			}
			if !same {
				continue
			}
			slope := (float64(wanted.Pix[3*(i+1)]) - float64(wanted.Pix[3*(i-1)])) / 2
			eq.add([]float64{1, float64(wanted.Pix[3*i]), slope}, float64(s.Grid.V[0][i]+s.Grid.V[1][i]+s.Grid.V[2][i])/3)
		}
	}
	c, ok := eq.solve()
	if !ok || eq.count < 40 || c[1] < 0.05 {
		return 0, false
	}
	return min(0.7, max(-0.7, c[2]/c[1])), true
}
