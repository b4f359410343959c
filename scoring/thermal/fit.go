package thermal

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	lapack "gonum.org/v1/gonum/lapack/gonum"
	"gonum.org/v1/gonum/lapack/lapack64"
	"gonum.org/v1/gonum/mat"
)

// A model returns the value of a curve at x for the parameters b. When grad is
// not nil it also stores there the partial derivatives by each parameter. A
// parameter outside the model's domain is answered with NaN.
type model func(x float64, b, grad []float64) float64

// pinned is a model whose first parameter is known: the others remain.
func (m model) pinned(first float64) model {
	return func(x float64, b, grad []float64) float64 {
		var all, slopes [6]float64 // no model here has more parameters
		n := 1 + copy(all[1:], b)
		all[0] = first
		if grad == nil {
			return m(x, all[:n], nil)
		}
		y := m(x, all[:n], slopes[:n])
		copy(grad, slopes[1:n])
		return y
	}
}

// A solution is the outcome of a least-squares fit.
type solution struct {
	b     []float64     // parameters at the minimum
	se    []float64     // their standard errors: roots of the diagonal of cov
	cov   *mat.SymDense // sigma² (JᵀJ)⁻¹
	rss   float64       // residual sum of squares
	sigma float64       // residual standard deviation, √(rss/degrees of freedom)
	free  int           // parameters that were fitted
}

// unpinned puts the known first parameter back in front of the others. It has no
// error.
func (s solution) unpinned(first float64) solution {
	if s.b == nil {
		return s
	}
	s.b = slices.Insert(s.b, 0, first)
	if s.cov == nil {
		return s
	}
	n := len(s.b)
	cov := mat.NewSymDense(n, nil)
	for i := 1; i < n; i++ {
		for k := i; k < n; k++ {
			cov.SetSym(i, k, s.cov.At(i-1, k-1))
		}
	}
	s.cov = cov
	s.se = slices.Insert(s.se, 0, 0)
	return s
}

// setErrors takes the residuals' standard deviation and the parameters' standard
// errors from (JᵀJ)⁻¹ and the sum of squares over so many readings. It is false
// where they are not finite.
func (s *solution) setErrors(inverse *mat.SymDense, readings int) bool {
	s.free = len(s.b)
	s.sigma = math.Sqrt(s.rss / float64(readings-s.free))
	s.cov = inverse
	s.cov.ScaleSym(square(s.sigma), inverse)
	s.se = make([]float64, s.free)
	for i := range s.se {
		s.se[i] = math.Sqrt(s.cov.At(i, i))
		if !finite(s.se[i]) {
			return false
		}
	}
	return true
}

// Why a fit fails.
var (
	errTooFewPoints = errors.New("fewer observations than parameters, or as many")
	errNotConverged = errors.New("the fit did not settle")
	errSingular     = errors.New("the data do not determine every parameter")
)

// An effort is how long a fit is tried: so many steps from each of the first
// dampings. A descent that ends where a parameter no longer matters begins again
// with shorter first steps.
type effort struct {
	steps    int
	dampings []float64
}

var (
	thorough = effort{400, []float64{1e-3, 10, 1e4}}
	brief    = effort{60, []float64{1e-2}} // where a fit that is hard to find is not wanted anyway
)

// fit finds the parameters that make the sum of squared differences between
// model and y smallest, beginning at start. x and y have the same length and
// hold no NaN.
//
// Method: Levenberg–Marquardt with the columns scaled as in Moré (The
// Levenberg–Marquardt algorithm, 1978), the damping rule of Nielsen (Damping
// parameter in Marquardt's method, 1999), both from memory, and a Householder
// QR in every step, so that JᵀJ, which has the square of the condition of J, is
// never formed. It ends with plain Gauss–Newton steps for as long as they shrink:
// the sum of squares alone cannot tell parameters apart beyond half the digits of
// a float64.
//
// On errNotConverged and errSingular the solution holds the last parameters,
// without standard errors.
func fit(m model, x, y, start []float64, e effort) (solution, error) {
	if len(y) != len(x) {
		return solution{}, fmt.Errorf("%d abscissae for %d ordinates", len(x), len(y))
	}
	if len(start) == 0 || len(x) <= len(start) {
		return solution{}, errTooFewPoints
	}
	d := newDescent(m, x, y, len(start))
	if !finite(d.linearise(start)) {
		return solution{}, errors.New("the starting values are outside the model's domain")
	}
	var s solution
	var err error
	for _, damping := range e.dampings {
		if s, err = d.run(slices.Clone(start), damping, e.steps); err == nil {
			break
		}
	}
	return s, err
}

// A descent is a fit on its way. It holds the arrays, so that a step allocates
// nothing.
//
// With J the derivatives and r the residuals of all readings, [J r] = Q [R c]:
// the triangle R and the head c of the last column are all that a step needs.
type descent struct {
	model    model
	x, y     []float64
	n        int            // parameters
	system   blas64.General // a row [J r] for each reading; [R c] once reduced
	damped   blas64.General // [R c] above the damping, for one step
	squares  []float64      // sums over the columns of [J r], before it is reduced
	scale    []float64      // largest norm that each column of J has had
	step     []float64
	trial    []float64
	tau, aux []float64 // work space of the reduction
}

func newDescent(m model, x, y []float64, n int) *descent {
	general := func(rows int) blas64.General {
		return blas64.General{Rows: rows, Cols: n + 1, Stride: n + 1, Data: make([]float64, rows*(n+1))}
	}
	return &descent{
		model: m, x: x, y: y, n: n,
		system: general(len(x)), damped: general(2 * n),
		squares: make([]float64, n+1), scale: make([]float64, n), step: make([]float64, n), trial: make([]float64, n),
		tau: make([]float64, n+1), aux: make([]float64, n+1),
	}
}

// run descends from b with the given first damping and states the outcome.
func (d *descent) run(b []float64, damping float64, most int) (solution, error) {
	clear(d.scale)
	rss := d.linearise(b)
	settled := d.descend(b, &rss, damping, most)
	polished := d.polish(b, &rss)
	s := solution{b: b, rss: rss}
	if !settled && !polished {
		return s, errNotConverged
	}
	triangle := blas64.Triangular{
		Uplo: blas.Upper, Diag: blas.NonUnit, N: d.n, Stride: d.n, Data: make([]float64, d.n*d.n),
	}
	for i := range d.n {
		copy(triangle.Data[i*d.n+i:(i+1)*d.n], d.row(i)[i:])
		if math.Abs(d.row(i)[i]) <= 1e-13*d.scale[i] {
			return s, errSingular
		}
	}
	inverse, ok := inverseOf(triangle)
	if !ok || !s.setErrors(inverse, len(d.x)) {
		return s, errSingular
	}
	return s, nil
}

// inverseOf returns (RᵀR)⁻¹ for an upper triangle R, which it overwrites.
func inverseOf(r blas64.Triangular) (*mat.SymDense, bool) {
	inverse, ok := lapack64.Potri(r)
	if !ok {
		return nil, false
	}
	var m mat.SymDense
	m.SetRawSymmetric(inverse)
	return &m, true
}

// row is a row of the reduced system: of R, with c behind it.
func (d *descent) row(i int) []float64 {
	return d.system.Data[i*d.system.Stride : (i+1)*d.system.Stride]
}

func (d *descent) reduce(system blas64.General) {
	// Unblocked: there are only a few columns.
	lapack.Implementation{}.Dgeqr2(system.Rows, system.Cols, system.Data, system.Stride, d.tau, d.aux)
}

// linearise fills and reduces the system at b and returns the residual sum of
// squares. Where that is not finite the system is of no use.
func (d *descent) linearise(b []float64) float64 {
	clear(d.squares)
	for i, x := range d.x {
		row := d.row(i)
		row[d.n] = d.y[i] - d.model(x, b, row[:d.n])
		for j, v := range row {
			d.squares[j] += v * v
		}
	}
	rss := d.squares[d.n]
	if !finite(rss) {
		return rss
	}
	for j := range d.n {
		d.scale[j] = math.Max(d.scale[j], math.Sqrt(d.squares[j]))
	}
	d.reduce(d.system)
	return rss
}

func (d *descent) rss(b []float64) float64 {
	sum := 0.0
	for i, x := range d.x {
		sum += square(d.y[i] - d.model(x, b, nil))
	}
	return sum
}

// descend takes damped steps until none lowers the sum of squares by more
// than rounding.
func (d *descent) descend(b []float64, rss *float64, damping float64, most int) (settled bool) {
	grow := 2.0
	for range most {
		predicted, ok := d.solve(damping)
		if !ok {
			damping *= grow
			grow *= 2
			continue
		}
		small := true
		for j := range b {
			d.trial[j] = b[j] + d.step[j]
			if math.Abs(d.step[j]) > 1e-9*(math.Abs(b[j])+1e-300) {
				small = false
			}
		}
		if small || predicted <= 1e-14**rss {
			return true
		}
		next := d.rss(d.trial)
		gain := (*rss - next) / predicted
		if !finite(next) || gain <= 0 {
			damping *= grow
			grow *= 2
			if damping > 1e30 {
				return false
			}
			continue
		}
		copy(b, d.trial)
		*rss = d.linearise(b)
		damping = math.Max(1e-20, damping*math.Max(1.0/3, 1-math.Pow(2*gain-1, 3)))
		grow = 2
	}
	return false
}

// polish takes Gauss–Newton steps while they shrink, and keeps b where the
// step was smallest. It reports whether the last step was within rounding.
func (d *descent) polish(b []float64, rss *float64) bool {
	best := math.Inf(1)
	keep := slices.Clone(b)
	for range 60 {
		if _, ok := d.solve(0); !ok {
			break
		}
		size := 0.0
		for j := range b {
			size = math.Max(size, math.Abs(d.step[j])/(math.Abs(b[j])+1e-300))
		}
		if !(size < best) || size > 1e-3 {
			break
		}
		best = size
		copy(keep, b)
		if size < 1e-15 {
			break
		}
		for j := range b {
			b[j] += d.step[j]
		}
		next := d.linearise(b)
		if !finite(next) || next > *rss*(1+1e-9) {
			break
		}
		*rss = next
	}
	if best < 1e-9 {
		copy(b, keep)
	}
	*rss = d.linearise(b)
	return best < 1e-9
}

// solve finds the step p that makes |c − R p|² + damping·|scale·p|² smallest and
// returns the decrease of the sum of squares that the linear model promises.
func (d *descent) solve(damping float64) (predicted float64, ok bool) {
	stride := d.damped.Stride
	clear(d.damped.Data)
	for i := range d.n {
		copy(d.damped.Data[i*stride+i:(i+1)*stride], d.row(i)[i:])
		d.damped.Data[(d.n+i)*stride+i] = math.Sqrt(damping) * d.scale[i]
	}
	if damping > 0 {
		d.reduce(d.damped)
	}
	for i := range d.step {
		d.step[i] = d.damped.Data[i*stride+d.n]
	}
	triangle := blas64.Triangular{
		Uplo: blas.Upper, Diag: blas.NonUnit, N: d.n, Stride: stride, Data: d.damped.Data,
	}
	blas64.Trsv(blas.NoTrans, triangle, blas64.Vector{N: d.n, Inc: 1, Data: d.step})
	for i := range d.n { // |c|² − |c − R p|²
		row := d.row(i)
		moved := 0.0
		for j := i; j < d.n; j++ {
			moved += row[j] * d.step[j]
		}
		predicted += moved * (2*row[d.n] - moved)
	}
	return predicted, finite(predicted)
}
