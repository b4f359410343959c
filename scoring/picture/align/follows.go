package align

import "proveout/scoring/picture/pattern"

// Follows says how the levels of a photograph go with what was written, before
// anything is levelled: level of the photograph per level of the screen.
type Follows struct {
	Channel [3][3]float64    // of a captured channel, with a written one
	Bit     [3][3][8]float64 // with each bit of the written one, 0 the lowest
}

// follow measures it over the part between the strips, for content whose bits are
// drawn by themselves: a bit that makes a difference of w levels moves the mean by
// half of that to either side, and by twice its covariance with ±1.
func (s *Screen) follow(f *pattern.Frame, edge int) (out Follows) {
	w, h := s.Grid.Width, s.Grid.Height
	skip := max(1, w*(h-2*edge)/25_000) | 1
	fields := f.Mode.Format.Fields()
	var n float64
	var captured [3]float64
	var signs [3][8]float64
	var products [3][3][8]float64
	for i := edge * w; i < (h-edge)*w; i += skip {
		n++
		v := [3]float64{float64(s.Grid.V[0][i]), float64(s.Grid.V[1][i]), float64(s.Grid.V[2][i])}
		for a := range 3 {
			captured[a] += v[a]
		}
		for b, field := range fields {
			level := field.Of(f.Codes[i])
			for bit := range field.Bits {
				sign := float64(level>>bit&1)*2 - 1
				signs[b][bit] += sign
				for a := range 3 {
					products[a][b][bit] += sign * v[a]
				}
			}
		}
	}
	for a := range 3 {
		for b, field := range fields {
			squares := 0.0
			for bit := range field.Bits {
				step := float64(pattern.Widen(1<<bit, field.Bits))
				covariance := products[a][b][bit]/n - captured[a]/n*signs[b][bit]/n
				out.Bit[a][b][bit] = 2 * covariance / step
				out.Channel[a][b] += covariance * step / 2
				squares += step * step / 4
			}
			out.Channel[a][b] /= squares
		}
	}
	return out
}

// TopBits is how many bits of a channel a photograph shows well enough to be
// judged one by one.
func TopBits(field pattern.Field) int { return min(3, field.Bits) }
