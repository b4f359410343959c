package thermal

import (
	"errors"
	"fmt"
	"math"
)

// A Model returns the value of a curve at x for the parameters b. When grad is
// not nil it also stores there the partial derivatives by each parameter. A
// parameter outside the model's domain is answered with NaN.
type Model func(x float64, b, grad []float64) float64

// A Solution is the outcome of a least-squares fit.
type Solution struct {
	B          []float64   // parameters at the minimum
	SE         []float64   // their standard errors: sqrt of the diagonal of Cov
	Cov        [][]float64 // Sigma² (JᵀJ)⁻¹
	RSS        float64     // residual sum of squares
	Sigma      float64     // residual standard deviation, sqrt(RSS/DF)
	DF         int         // observations minus parameters
	Iterations int         // steps tried
}

// Errors of [Fit].
var (
	ErrTooFewPoints = errors.New("fewer observations than parameters, or as many")
	ErrNotConverged = errors.New("the fit did not settle")
	ErrSingular     = errors.New("the data do not determine every parameter")
)

const maxTries = 400

// Fit finds the parameters that make the sum of squared differences between
// model and y smallest, beginning at start. x and y have the same length and
// hold no NaN.
//
// Method: Levenberg–Marquardt with the columns scaled as in Moré (The
// Levenberg–Marquardt algorithm, 1978), the damping rule of Nielsen (Damping
// parameter in Marquardt's method, 1999), both from memory, and a Householder
// QR in every step, so that JᵀJ is never formed. It ends with plain
// Gauss–Newton steps for as long as they shrink: the sum of squares alone
// cannot tell parameters apart beyond half the digits of a float64.
//
// When the first descent ends where a parameter no longer matters, it begins
// again with shorter first steps.
//
// On ErrNotConverged and ErrSingular the Solution holds the last parameters,
// without standard errors.
func Fit(model Model, x, y, start []float64) (Solution, error) {
	return fit(model, x, y, start, maxTries, []float64{1e-3, 10, 1e4})
}

// fit is Fit with at most tries steps from each of the first dampings.
func fit(model Model, x, y, start []float64, tries int, dampings []float64) (Solution, error) {
	m, n := len(x), len(start)
	if len(y) != m {
		return Solution{}, fmt.Errorf("%d abscissae for %d ordinates", m, len(y))
	}
	if n == 0 || m <= n {
		return Solution{}, ErrTooFewPoints
	}
	w := newWork(model, x, y, n)
	b := append([]float64(nil), start...)
	if !finite(w.linearise(b)) {
		return Solution{}, errors.New("the starting values are outside the model's domain")
	}
	var s Solution
	var err error
	for _, damping := range dampings {
		copy(b, start)
		tried := s.Iterations
		s, err = w.run(b, damping, tries)
		s.Iterations += tried
		if err == nil {
			break
		}
	}
	return s, err
}

// run descends from b with the given first damping and states the outcome.
func (w *work) run(b []float64, damping float64, most int) (Solution, error) {
	n := w.n
	clear(w.scale)
	rss := w.linearise(b)
	tries, settled := w.descend(b, &rss, damping, most)
	polished := w.polish(b, &rss)
	s := Solution{B: b, RSS: rss, DF: len(w.x) - n, Iterations: tries}
	s.Sigma = math.Sqrt(rss / float64(s.DF))
	if !settled && !polished {
		return s, ErrNotConverged
	}
	cov, ok := w.covariance(s.Sigma)
	if !ok {
		return s, ErrSingular
	}
	s.Cov = cov
	s.SE = make([]float64, n)
	for i := range s.SE {
		s.SE[i] = math.Sqrt(cov[i][i])
	}
	return s, nil
}

// work holds the arrays of one fit, so that a step allocates nothing.
type work struct {
	model Model
	x, y  []float64
	n     int
	jac   []float64 // by columns, m×n; after factor the upper triangle is R
	res   []float64 // y − model; after factor its head is Qᵀr
	grad  []float64
	scale []float64 // largest column norm seen
	step  []float64
	trial []float64
	aug   []float64 // 2n×n by columns, for the damped system
	rhs   []float64
}

func newWork(model Model, x, y []float64, n int) *work {
	m := len(x)
	buf := make([]float64, m*n+m+4*n+2*n*n+2*n)
	cut := func(k int) []float64 { p := buf[:k:k]; buf = buf[k:]; return p }
	return &work{
		model: model, x: x, y: y, n: n,
		jac: cut(m * n), res: cut(m), grad: cut(n), scale: cut(n),
		step: cut(n), trial: cut(n), aug: cut(2 * n * n), rhs: cut(2 * n),
	}
}

// linearise fills the Jacobian and the residuals at b, factors them, and
// returns the residual sum of squares.
func (w *work) linearise(b []float64) float64 {
	m := len(w.x)
	rss := 0.0
	for i, x := range w.x {
		r := w.y[i] - w.model(x, b, w.grad)
		w.res[i] = r
		rss += r * r
		for j, g := range w.grad {
			w.jac[j*m+i] = g
		}
	}
	for j := range w.n {
		w.scale[j] = math.Max(w.scale[j], norm(w.jac[j*m:(j+1)*m]))
	}
	householder(w.jac, w.res, m, w.n)
	return rss
}

func (w *work) rss(b []float64) float64 {
	sum := 0.0
	for i, x := range w.x {
		r := w.y[i] - w.model(x, b, nil)
		sum += r * r
	}
	return sum
}

// descend takes damped steps until none lowers the sum of squares by more
// than rounding.
func (w *work) descend(b []float64, rss *float64, lambda float64, most int) (tries int, settled bool) {
	grow := 2.0
	for tries = 1; tries <= most; tries++ {
		predicted, ok := w.damped(lambda)
		if !ok {
			lambda *= grow
			grow *= 2
			continue
		}
		small := true
		for j := range b {
			w.trial[j] = b[j] + w.step[j]
			if math.Abs(w.step[j]) > 1e-9*(math.Abs(b[j])+1e-300) {
				small = false
			}
		}
		if small || predicted <= 1e-14**rss {
			return tries, true
		}
		next := w.rss(w.trial)
		gain := (*rss - next) / predicted
		if !finite(next) || gain <= 0 {
			lambda *= grow
			grow *= 2
			if lambda > 1e30 {
				return tries, false
			}
			continue
		}
		copy(b, w.trial)
		*rss = w.linearise(b)
		lambda *= math.Max(1.0/3, 1-math.Pow(2*gain-1, 3))
		lambda = math.Max(lambda, 1e-20)
		grow = 2
	}
	return tries, false
}

// polish takes Gauss–Newton steps while they shrink, and keeps b where the
// step was smallest. It reports whether the last step was within rounding.
func (w *work) polish(b []float64, rss *float64) bool {
	best := math.Inf(1)
	keep := append([]float64(nil), b...)
	for range 60 {
		if _, ok := w.damped(0); !ok {
			break
		}
		size := 0.0
		for j := range b {
			size = math.Max(size, math.Abs(w.step[j])/(math.Abs(b[j])+1e-300))
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
			b[j] += w.step[j]
		}
		next := w.linearise(b)
		if !finite(next) || next > *rss*(1+1e-9) {
			break
		}
		*rss = next
	}
	if best < 1e-9 {
		copy(b, keep)
	}
	*rss = w.linearise(b)
	return best < 1e-9
}

// damped solves the linearised problem with damping lambda into w.step and
// returns the decrease of the sum of squares that the linear model promises.
func (w *work) damped(lambda float64) (predicted float64, ok bool) {
	n, m := w.n, len(w.x)
	rows := 2 * n
	clear(w.aug)
	root := math.Sqrt(lambda)
	for j := range n {
		copy(w.aug[j*rows:], w.jac[j*m:j*m+j+1])
		w.aug[j*rows+n+j] = root * w.scale[j]
		w.rhs[j], w.rhs[n+j] = w.res[j], 0
	}
	if lambda > 0 {
		householder(w.aug, w.rhs, rows, n)
	}
	if !backward(w.aug, w.rhs, w.step, rows, n) {
		return 0, false
	}
	// |r|² − |r − R p|² over the first n rows of the factored system.
	for i := range n {
		rp := 0.0
		for j := i; j < n; j++ {
			rp += w.jac[j*m+i] * w.step[j]
		}
		predicted += rp * (2*w.res[i] - rp)
	}
	return predicted, finite(predicted)
}

// covariance returns sigma² (RᵀR)⁻¹ from the factored Jacobian.
func (w *work) covariance(sigma float64) ([][]float64, bool) {
	n, m := w.n, len(w.x)
	inv := make([]float64, n*n) // R⁻¹ by columns
	unit := make([]float64, n)
	for j := range n {
		clear(unit)
		unit[j] = 1
		if math.Abs(w.jac[j*m+j]) <= 1e-13*w.scale[j] || !backward(w.jac, unit, inv[j*n:(j+1)*n], m, n) {
			return nil, false
		}
	}
	cov := make([][]float64, n)
	for i := range n {
		cov[i] = make([]float64, n)
		for j := range n {
			for k := max(i, j); k < n; k++ {
				cov[i][j] += inv[k*n+i] * inv[k*n+j]
			}
			cov[i][j] *= sigma * sigma
			if !finite(cov[i][j]) {
				return nil, false
			}
		}
	}
	return cov, true
}

// householder turns the m×n matrix a (by columns) into R in its upper triangle
// and applies the same reflections to rhs.
func householder(a, rhs []float64, m, n int) {
	for k := range n {
		col := a[k*m+k : (k+1)*m]
		length := norm(col)
		if length == 0 {
			continue
		}
		if col[0] > 0 {
			length = -length
		}
		// v = col − length·e1, v·v = 2·length·(length − col[0])
		head := col[0] - length
		half := -length * head
		col[0] = head
		for j := k + 1; j < n; j++ {
			reflect(col, a[j*m+k:(j+1)*m], half)
		}
		reflect(col, rhs[k:m], half)
		col[0] = length
	}
}

func reflect(v, target []float64, half float64) {
	dot := 0.0
	target = target[:len(v)]
	for i, x := range v {
		dot += x * target[i]
	}
	f := dot / half
	for i, x := range v {
		target[i] -= f * x
	}
}

// backward solves R x = rhs for the upper triangle R of a (by columns, m rows).
func backward(a, rhs, x []float64, m, n int) bool {
	for i := n - 1; i >= 0; i-- {
		d := a[i*m+i]
		if d == 0 || !finite(d) {
			return false
		}
		v := rhs[i]
		for j := i + 1; j < n; j++ {
			v -= a[j*m+i] * x[j]
		}
		x[i] = v / d
	}
	return true
}

func norm(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x * x
	}
	if sum > 1e-280 && sum < 1e280 {
		return math.Sqrt(sum)
	}
	largest := 0.0
	for _, x := range v {
		largest = math.Max(largest, math.Abs(x))
	}
	if largest == 0 || !finite(largest) {
		return largest
	}
	sum = 0
	for _, x := range v {
		sum += (x / largest) * (x / largest)
	}
	return largest * math.Sqrt(sum)
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
