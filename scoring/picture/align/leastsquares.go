package align

import (
	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
)

// leastSquares gathers the normal equations of a fit of one or more right-hand
// sides to the same terms.
type leastSquares struct {
	products *mat.SymDense
	sides    [][]float64
	count    int
}

func newLeastSquares(unknowns, sides int) *leastSquares {
	q := &leastSquares{products: mat.NewSymDense(unknowns, nil)}
	for range sides {
		q.sides = append(q.sides, make([]float64, unknowns))
	}
	return q
}

// add takes one observation: the terms, and what each side was there.
func (q *leastSquares) add(terms []float64, observed ...float64) {
	q.products.SymRankOne(q.products, 1, mat.NewVecDense(len(terms), terms))
	for k, y := range observed {
		floats.AddScaled(q.sides[k], y, terms)
	}
	q.count++
}

// solve returns the coefficients of a side; false when they are not determined.
func (q *leastSquares) solve(side int) ([]float64, bool) {
	var factor mat.Cholesky
	if !factor.Factorize(q.products) {
		return nil, false
	}
	// A pivot that is nothing beside its term comes from rounding alone.
	upper := factor.RawU()
	for i := range q.products.SymmetricDim() {
		if pivot := upper.At(i, i); pivot*pivot <= 1e-10*q.products.At(i, i) {
			return nil, false
		}
	}
	n := len(q.sides[side])
	out := mat.NewVecDense(n, nil)
	// The error tells of an ill condition, which the pivots have answered for.
	_ = factor.SolveVecTo(out, mat.NewVecDense(n, q.sides[side]))
	return out.RawVector().Data, true
}
