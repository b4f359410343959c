package thermal

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
)

// A model returns the value of a curve at x for the parameters b. When grad is
// not nil it also stores there the partial derivatives by each parameter. A
// parameter outside the model's domain is answered with NaN.
type model func(x float64, b, grad []float64) float64

// A solution is the outcome of a least-squares fit.
type solution struct {
	b     []float64     // parameters at the minimum
	se    []float64     // their standard errors: roots of the diagonal of cov
	cov   *mat.SymDense // sigma² (JᵀJ)⁻¹
	rss   float64       // residual sum of squares
	sigma float64       // residual standard deviation, √(rss/degrees of freedom)
	free  int           // parameters that were fitted
	known int           // the first ones, that were not
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
	polish   int // plain steps at the end
}

var (
	thorough = effort{400, []float64{1e-3, 10, 1e4}, 60}
	brief    = effort{60, []float64{1e-2}, 8} // where a fit that is hard to find is not wanted anyway
)

// fit finds the parameters that make the sum of squared differences between
// model and y smallest, beginning at start. So many of the first parameters are
// known: they stay as they are and have no error. x and y have the same length
// and hold no NaN.
//
// Method: Levenberg–Marquardt with the columns scaled as in Moré (The
// Levenberg–Marquardt algorithm, 1978), the damping rule of Nielsen (Damping
// parameter in Marquardt's method, 1999), both from memory, and a QR
// factorization in every step, so that JᵀJ, which has the square of the condition
// of J, is never formed. It ends with plain Gauss–Newton steps for as long as they
// shrink: the sum of squares alone cannot tell parameters apart beyond half the
// digits of a float64.
//
// On errNotConverged and errSingular the solution holds the last parameters,
// without standard errors.
func fit(m model, x, y, start []float64, known int, e effort) (solution, error) {
	if len(y) != len(x) {
		return solution{}, fmt.Errorf("%d abscissae for %d ordinates", len(x), len(y))
	}
	free := len(start) - known
	if free < 1 || len(x) <= free {
		return solution{}, errTooFewPoints
	}
	d := &descent{
		model: m, x: x, y: y, known: known, free: free,
		system: mat.NewDense(len(x), free+1, nil), slopes: make([]float64, len(start)),
	}
	if !finite(d.rss(start)) {
		return solution{}, errors.New("the starting values are outside the model's domain")
	}
	var s solution
	var err error
	for _, damping := range e.dampings {
		if s, err = d.run(slices.Clone(start), damping, e); err == nil {
			break
		}
	}
	return s, err
}

// A descent is a fit on its way.
//
// With J the derivatives and r the residuals of all readings, [J r] = Q [R c]:
// the triangle R and the head c of the last column are all that a step needs.
type descent struct {
	model  model
	x, y   []float64
	known  int
	free   int
	system *mat.Dense // a row [J r] for each reading
	head   mat.Dense  // [R c] in its first rows
	scale  []float64  // largest norm that each column of J has had
	slopes []float64  // work space
}

// run descends from b with the given first damping and states the outcome.
func (d *descent) run(b []float64, damping float64, e effort) (solution, error) {
	d.scale = make([]float64, d.free)
	settled := d.descend(b, damping, e.steps)
	polished := d.polish(b, e.polish)
	s := solution{b: b, rss: d.rss(b), free: d.free, known: d.known}
	if !settled && !polished {
		return s, errNotConverged
	}
	if !d.setErrors(&s) {
		return s, errSingular
	}
	return s, nil
}

// setErrors takes the standard errors of the parameters from R: (JᵀJ)⁻¹ is
// (RᵀR)⁻¹. It is false where the readings do not determine every parameter.
func (d *descent) setErrors(s *solution) bool {
	triangle := mat.NewTriDense(d.free, mat.Upper, nil)
	for i := range d.free {
		for j := i; j < d.free; j++ {
			triangle.SetTri(i, j, d.head.At(i, j))
		}
		if math.Abs(d.head.At(i, i)) <= 1e-13*d.scale[i] {
			return false
		}
	}
	var inverse mat.TriDense
	if err := inverse.InverseTri(triangle); err != nil && !errors.As(err, new(mat.Condition)) {
		return false
	}
	var covariance mat.SymDense
	covariance.SymOuterK(s.rss/float64(len(d.x)-d.free), &inverse)
	s.sigma = math.Sqrt(s.rss / float64(len(d.x)-d.free))
	s.se, s.cov = make([]float64, len(s.b)), mat.NewSymDense(len(s.b), nil)
	for i := range d.free {
		for j := i; j < d.free; j++ {
			s.cov.SetSym(d.known+i, d.known+j, covariance.At(i, j))
		}
		s.se[d.known+i] = math.Sqrt(covariance.At(i, i))
		if !finite(s.se[d.known+i]) {
			return false
		}
	}
	return true
}

// linearise finds R and c at b and returns the residual sum of squares. Where
// that is not finite they are of no use.
func (d *descent) linearise(b []float64) float64 {
	squares := make([]float64, d.free+1)
	for i, x := range d.x {
		row := d.system.RawRowView(i)
		row[d.free] = d.y[i] - d.model(x, b, d.slopes)
		copy(row, d.slopes[d.known:])
		for j, v := range row {
			squares[j] += v * v
		}
	}
	if !finite(squares[d.free]) {
		return squares[d.free]
	}
	for j := range d.free {
		d.scale[j] = math.Max(d.scale[j], math.Sqrt(squares[j]))
	}
	var reduced mat.QR
	reduced.Factorize(d.system)
	reduced.RTo(&d.head)
	return squares[d.free]
}

func (d *descent) rss(b []float64) float64 {
	sum := 0.0
	for i, x := range d.x {
		sum += square(d.y[i] - d.model(x, b, nil))
	}
	return sum
}

// descend takes damped steps from b until none lowers the sum of squares by more
// than rounding.
func (d *descent) descend(b []float64, damping float64, most int) (settled bool) {
	rss := d.linearise(b)
	grow := 2.0
	for range most {
		step, predicted, ok := d.solve(damping)
		if ok && (largest(step, b[d.known:]) <= 1e-9 || predicted <= 1e-14*rss) {
			return true
		}
		trial, next, gain := slices.Clone(b), math.NaN(), math.NaN()
		if ok {
			floats.Add(trial[d.known:], step)
			next = d.rss(trial)
			gain = (rss - next) / predicted
		}
		if !(gain > 0) || !finite(next) {
			damping *= grow
			grow *= 2
			if damping > 1e30 {
				return false
			}
			continue
		}
		copy(b, trial)
		rss = d.linearise(b)
		damping = math.Max(1e-20, damping*math.Max(1.0/3, 1-math.Pow(2*gain-1, 3)))
		grow = 2
	}
	return false
}

// polish takes Gauss–Newton steps from b while they shrink, and reports whether
// the last one was within rounding.
func (d *descent) polish(b []float64, most int) bool {
	d.linearise(b)
	best := 1e-3
	for range most {
		step, _, ok := d.solve(0)
		size := largest(step, b[d.known:])
		if !ok || !(size < best) {
			break
		}
		best = size
		floats.Add(b[d.known:], step)
		if !finite(d.linearise(b)) {
			return false
		}
	}
	return best < 1e-9
}

// largest is the largest part of a step, each taken relative to its parameter.
func largest(step, b []float64) float64 {
	size := 0.0
	for j, move := range step {
		size = math.Max(size, math.Abs(move)/(math.Abs(b[j])+1e-300))
	}
	return size
}

// solve finds the step p that makes |c − R p|² + damping·|scale·p|² smallest and
// the decrease of the sum of squares that the linear model promises. It is false
// where R does not determine a step.
func (d *descent) solve(damping float64) (step []float64, predicted float64, ok bool) {
	damped, right := mat.NewDense(2*d.free, d.free, nil), mat.NewVecDense(2*d.free, nil)
	damped.Copy(d.head.Slice(0, d.free, 0, d.free))
	for i := range d.free {
		damped.Set(d.free+i, i, math.Sqrt(damping)*d.scale[i])
		right.SetVec(i, d.head.At(i, d.free))
	}
	solved := mat.NewVecDense(d.free, nil)
	// An ill-conditioned system has a solution all the same; what it is worth, the
	// sum of squares shows.
	if err := solved.SolveVec(damped, right); err == mat.Condition(math.Inf(1)) {
		return nil, 0, false
	}
	var left mat.VecDense
	left.MulVec(damped.Slice(0, d.free, 0, d.free), solved)
	left.SubVec(right.SliceVec(0, d.free), &left)
	predicted = mat.Dot(right, right) - mat.Dot(&left, &left)
	return solved.RawVector().Data, predicted, finite(predicted)
}
