package lines

import "gonum.org/v1/gonum/mat"

// most is how many unknowns a set of normal equations can have: a constant, eight
// bits, and what the neighbours give.
const most = 10

// normal is a set of normal equations of a least squares fit. Millions of pixels
// are added to them, so they are plain arrays; of the products only those at and
// below the diagonal are kept.
type normal struct {
	products [most][most]float64
	sides    [most]float64
	count    float64
}

// add takes one observation. Terms that are 0, as those of half the bits of a
// pixel are, cost nothing.
func (n *normal) add(terms []float64, observed float64) {
	for i, v := range terms {
		if v == 0 {
			continue
		}
		row := &n.products[i]
		for j := 0; j <= i; j++ {
			row[j] += v * terms[j]
		}
		n.sides[i] += v * observed
	}
	n.count++
}

// prefer pulls the unknowns from 1 up to end towards 1 for one of them and 0 for
// the others, as strongly as observations do whose terms differ by so much.
func (n *normal) prefer(one, end int, by float64) {
	weight := n.count * by * by
	for i := 1; i < end; i++ {
		n.products[i][i] += weight
	}
	n.sides[one] += weight
}

// solve returns the coefficients of the first k unknowns, and false when they are
// not determined.
func (n *normal) solve(k int) ([]float64, bool) {
	products := mat.NewSymDense(k, nil)
	for i := range k {
		for j := 0; j <= i; j++ {
			products.SetSym(i, j, n.products[i][j])
		}
	}
	var factor mat.Cholesky
	if !factor.Factorize(products) {
		return nil, false
	}
	// A pivot that is nothing beside its term comes from rounding alone.
	upper := factor.RawU()
	for i := range k {
		if pivot := upper.At(i, i); pivot*pivot <= 1e-9*(1+n.products[i][i]) {
			return nil, false
		}
	}
	out := mat.NewVecDense(k, nil)
	// The error tells of an ill condition, which the pivots have answered for.
	_ = factor.SolveVecTo(out, mat.NewVecDense(k, append([]float64(nil), n.sides[:k]...)))
	return out.RawVector().Data, true
}

// lineSums are the sums that a straight line y = offset + slope·x by least
// squares hangs on.
type lineSums struct{ n, x, y, xx, xy, yy float64 }

// add takes a point as often as weight says.
func (s *lineSums) add(weight, x, y float64) {
	s.n += weight
	s.x += weight * x
	s.y += weight * y
	s.xx += weight * x * x
	s.xy += weight * x * y
	s.yy += weight * y * y
}

func (s *lineSums) merge(o lineSums) {
	s.n += o.n
	s.x += o.x
	s.y += o.y
	s.xx += o.xx
	s.xy += o.xy
	s.yy += o.yy
}

// solve returns the line and the mean of the squares that it leaves; false when
// all points have one x.
func (s *lineSums) solve() (slope, offset, rest float64, ok bool) {
	spread := s.n*s.xx - s.x*s.x
	if spread <= 1e-9*s.n*s.n {
		return 0, 0, 0, false
	}
	slope = (s.n*s.xy - s.x*s.y) / spread
	offset = (s.y - slope*s.x) / s.n
	return slope, offset, max(0, s.yy-slope*s.xy-offset*s.y) / s.n, true
}
