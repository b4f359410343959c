package thermal

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// A Drift limit: no more than Change °C in Per seconds. 2 °C in 3600 s is the
// usual one for an operating item (MIL-STD-810, part one, 4.5.1, from memory).
type Drift struct {
	Change float64
	Per    float64
}

// PerHour is the limit in °C per hour.
func (d Drift) PerHour() float64 { return d.Change / d.Per * 3600 }

// A Settling says whether the temperature has settled.
type Settling string

// The outcomes.
const (
	Stable       Settling = "stable"
	StillRising  Settling = "still rising"
	StillFalling Settling = "still falling"
	CannotTell   Settling = "cannot tell"
)

// A Slope is the trend over a window, per hour.
type Slope struct {
	PerHour float64
	Low     float64 // 95 % confidence limits, with the display step
	High    float64
	Window  float64 // s, from first to last reading used
	N       int
	Effect  float64 // readings that an independent series would need for the same
}

// TrendOf fits a straight line to readings with display step q (0: none seen).
//
// The scatter is taken about a cubic, so that a bend which every sensor would
// show alike is not mistaken for noise. The standard error of the line is
// widened by the lag-1 autocorrelation ρ of that scatter, as if only
// n(1−ρ)/(1+ρ) readings were there (common practice). To it comes, in quadrature, what rounding can hide: over a window
// W a slope up to q/W leaves the display unchanged, taken as rectangular.
// Noise that moves the display averages rounding out: for noise σ the hidden
// part shrinks by exp(−2π²(σ/q)²) (first harmonic of the rounding error, from
// memory).
func TrendOf(t, y []float64, q float64) (Slope, bool) {
	n := len(t)
	if n < 4 || t[n-1] <= t[0] {
		return Slope{}, false
	}
	mt, my := mean(t), mean(y)
	var stt, sty float64
	for i := range t {
		stt += (t[i] - mt) * (t[i] - mt)
		sty += (t[i] - mt) * (y[i] - my)
	}
	b := sty / stt
	res, params := smoothResiduals(t, y)
	rss := 0.0
	for _, r := range res {
		rss += r * r
	}
	rho := lagOne(res)
	eff := max(3, float64(n)*(1-rho)/(1+rho))
	se := math.Sqrt(rss/float64(n-params)/stt) * math.Sqrt(float64(n)/eff)
	window := t[n-1] - t[0]
	hidden := 0.0
	if q > 0 {
		hidden = q * unsmoothed(y, q) / window / math.Sqrt(3)
	}
	k := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: math.Max(1, eff-2)}.Quantile(0.975)
	half := math.Hypot(k*se, 2*hidden)
	return Slope{
		PerHour: b * 3600, Low: (b - half) * 3600, High: (b + half) * 3600,
		Window: window, N: n, Effect: eff,
	}, true
}

// unsmoothed is the share of the rounding error that noise does not average
// out: 1 for a display that hardly moves, near 0 when noise spans the step.
func unsmoothed(y []float64, q float64) float64 {
	if q <= 0 {
		return 0
	}
	variance := max(0, square(roughness(y))-q*q/12)
	return math.Exp(-2 * math.Pi * math.Pi * variance / (q * q))
}

// smoothResiduals returns what a polynomial of third degree leaves, or of
// lower degree when there are few readings, and its number of coefficients.
func smoothResiduals(t, y []float64) (res []float64, params int) {
	n := len(t)
	mid, half := (t[0]+t[n-1])/2, (t[n-1]-t[0])/2
	res = append([]float64(nil), y...)
	degree := min(3, n/8+1)
	var basis [4][]float64
	for d := 0; d <= degree; d++ { // Gram–Schmidt on the powers
		v := make([]float64, n)
		for i := range v {
			v[i] = math.Pow((t[i]-mid)/half, float64(d))
		}
		for k := range d {
			dot := 0.0
			for i := range v {
				dot += v[i] * basis[k][i]
			}
			for i := range v {
				v[i] -= dot * basis[k][i]
			}
		}
		length := norm(v)
		if length < 1e-9 {
			break
		}
		dot := 0.0
		for i := range v {
			v[i] /= length
			dot += v[i] * res[i]
		}
		for i := range v {
			res[i] -= dot * v[i]
		}
		basis[d] = v
		params++
	}
	return res, params
}

// Judge holds a slope against the limit: stable when the whole interval is
// within, still rising or falling when it is wholly outside.
func (s Slope) Judge(limit Drift) Settling {
	l := limit.PerHour()
	switch {
	case s.Low >= -l && s.High <= l:
		return Stable
	case s.Low > l:
		return StillRising
	case s.High < -l:
		return StillFalling
	}
	return CannotTell
}

// settled judges the last window of a log. A window of zero begins with 600 s,
// or half the log when that is less, and grows by quarters, as far as the log reaches, while nothing can be told.
// A window that reaches back into the rise says nothing about the end: a
// longer window is believed to rise only when the shorter one's slope did.
func settled(l Log, window float64, limit Drift) (Slope, Settling) {
	n := len(l.Time)
	if n == 0 {
		return Slope{}, CannotTell
	}
	end, span := l.Time[n-1], l.Time[n-1]-l.Time[0]
	given := window > 0
	if !given {
		window = min(600, span/2)
	}
	tail := func(w float64) (Slope, Settling) {
		part := l.between(end-w-1e-9*math.Abs(end), end)
		s, ok := TrendOf(part.Time, part.Temp, l.Resolution)
		if !ok || s.Window < 0.8*w {
			return s, CannotTell
		}
		return s, s.Judge(limit)
	}
	s, v := tail(math.Min(window, span))
	if span < 0.999*window { // what is there is shown, but it is no verdict of stability
		if v == Stable {
			v = CannotTell
		}
		return s, v
	}
	first, most := s, limit.PerHour()
	for w := 1.25 * window; w > 0 && !given && v == CannotTell && w <= span; w *= 1.25 {
		next, nv := tail(w)
		switch {
		case nv == Stable,
			nv == CannotTell && next.High-next.Low < s.High-s.Low && math.Abs(next.PerHour) <= max(most, math.Abs(s.PerHour)),
			nv == StillRising && first.PerHour > most, nv == StillFalling && first.PerHour < -most:
			s, v = next, nv
		}
	}
	return s, v
}

// stableSince returns the start of the first window from which on no window
// has a slope beyond the limit, in the log's own time.
func stableSince(l Log, window float64, limit Drift) (float64, bool) {
	t, y := l.Time, l.Temp
	n := len(t)
	if n < 4 {
		return 0, false
	}
	// Prefix sums, from the first reading so that digits are kept.
	pt, py := make([]float64, n+1), make([]float64, n+1)
	ptt, pty := make([]float64, n+1), make([]float64, n+1)
	for i := range n {
		a, b := t[i]-t[0], y[i]-y[0]
		pt[i+1], py[i+1] = pt[i]+a, py[i]+b
		ptt[i+1], pty[i+1] = ptt[i]+a*a, pty[i]+a*b
	}
	most := limit.PerHour()/3600 + l.Resolution/window/math.Sqrt(3)
	since, found := 0.0, false
	j := n
	for i := n - 1; i >= 0; i-- {
		for j > i+1 && t[j-1] > t[i]+window {
			j--
		}
		if j == n && t[n-1]-t[i] < 0.95*window {
			continue
		}
		k := float64(j - i)
		st, sy := pt[j]-pt[i], py[j]-py[i]
		stt := ptt[j] - ptt[i] - st*st/k
		if k < 4 || stt <= 0 {
			continue
		}
		if math.Abs((pty[j]-pty[i]-st*sy/k)/stt) > most {
			break
		}
		since, found = t[i], true
	}
	return since, found
}

// lagOne is the lag-1 autocorrelation, held to 0 … 0.98: negative correlation
// narrows nothing.
func lagOne(r []float64) float64 {
	m := mean(r)
	var c0, c1 float64
	for i := range r {
		c0 += (r[i] - m) * (r[i] - m)
		if i > 0 {
			c1 += (r[i] - m) * (r[i-1] - m)
		}
	}
	if c0 == 0 {
		return 0
	}
	return min(0.98, max(0, c1/c0))
}

// roughness is the scatter from one reading to the next, free of any slow
// trend: the root of half the mean squared difference of neighbours.
func roughness(y []float64) float64 {
	if len(y) < 2 {
		return 0
	}
	sum := 0.0
	for i := 1; i < len(y); i++ {
		sum += square(y[i] - y[i-1])
	}
	return math.Sqrt(sum / 2 / float64(len(y)-1))
}

func square(x float64) float64 { return x * x }
