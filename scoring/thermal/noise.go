package thermal

import (
	"math"

	"gonum.org/v1/gonum/floats"
)

// A noise is what is known of the scatter of equally spaced readings: how much of it
// there is at each frequency, the slow ones above all, which make a mean, a slope or
// a curve wrong.
type noise struct {
	n       int
	density []float64 // °C², variance of the coefficient of each cosine; the last one stands for all beyond
}

const mostCosines = 120

// noiseOf learns the noise from what a smooth function of so many parameters left
// of equally spaced readings.
//
// The residuals are taken apart into cosines (discrete cosine transform, type II,
// orthonormal). The slowest ones, which the function has swallowed, tell nothing. To
// the others white noise is fitted, and white noise with a first-order
// autoregressive one of many strengths and correlation times, by Whittle's
// likelihood (Whittle, The analysis of multiple stationary time series, 1953, from
// memory); the spectra are averaged by how likely they are, white noise being as
// likely beforehand as all others together.
func noiseOf(left []float64, parameters int) noise {
	n := len(left)
	z := noise{n: n}
	first := parameters + 1
	power := cosines(left)
	for j, c := range power {
		power[j] = c * c
	}
	if len(power) < first+8 {
		v := floats.Dot(left, left) / math.Max(1, float64(n-parameters))
		z.density = []float64{v}
		return z
	}
	power = power[first:]
	var shapes [][]float64
	var level, likely []float64
	add := func(excess, time float64, prior float64) {
		shape := make([]float64, first+len(power))
		phi := 0.0
		if excess > 0 {
			phi = math.Exp(-1 / time)
		}
		for j := range shape {
			shape[j] = 1 + excess*square(1-phi)/(1-2*phi*math.Cos(math.Pi*float64(j)/float64(n))+phi*phi)
		}
		sum, logs := 0.0, 0.0
		for j, p := range power {
			sum += p / shape[first+j]
			logs += math.Log(shape[first+j])
		}
		m := float64(len(power))
		shapes, level = append(shapes, shape), append(level, sum/m)
		likely = append(likely, math.Log(prior)-(m*math.Log(sum/m+1e-300)+logs)/2)
	}
	add(0, 1, 0.5)
	times, excesses := correlationTimes(n), [...]float64{0.5, 2, 8, 32, 128, 512}
	for _, time := range times {
		for _, excess := range excesses {
			add(excess, time, 0.5/float64(len(times)*len(excesses)))
		}
	}
	top := floats.Max(likely)
	total := 0.0
	z.density = make([]float64, first+len(power))
	for k := range likely {
		weight := math.Exp(likely[k] - top)
		total += weight
		floats.AddScaled(z.density, weight*level[k], shapes[k])
	}
	floats.Scale(1/total, z.density)
	return z
}

// flat says whether the slow parts are hardly more than the fast ones, as in white
// noise.
func (z noise) flat() bool { return z.density[0] < 1.5*z.density[len(z.density)-1] }

// correlationTimes are those that can be told from the shape of a curve over n
// readings, counted in readings.
func correlationTimes(n int) []float64 {
	var times []float64
	for time := 0.5; time <= math.Max(1, float64(n)/9); time *= 2 {
		times = append(times, time)
	}
	return times
}

// cosines are the first coefficients of the orthonormal cosine transform.
func cosines(values []float64) []float64 {
	n := len(values)
	turn := make([]float64, 4*n)
	for k := range turn {
		turn[k] = math.Cos(math.Pi * float64(k) / float64(2*n))
	}
	out := make([]float64, min(n, mostCosines))
	for j := range out {
		sum, at, step := 0.0, j, 2*j
		for _, v := range values {
			sum += v * turn[at]
			if at += step; at >= 4*n {
				at -= 4 * n
			}
		}
		out[j] = sum * math.Sqrt(2/float64(n))
	}
	out[0] /= math.Sqrt2
	return out
}

// covariance is that of two weighted sums of the readings, whose weights are given
// as cosines with the sum of the products of the weights themselves.
func (z noise) covariance(a, b []float64, product float64) float64 {
	sum := 0.0
	for j := range min(len(a), len(z.density)) {
		p := a[j] * b[j]
		sum += p * z.density[j]
		product -= p
	}
	return sum + product*z.density[len(z.density)-1]
}

// variance is that of a weighted sum of the readings.
func (z noise) variance(weights []float64) float64 {
	c := cosines(weights)
	return math.Max(0, z.covariance(c, c, floats.Dot(weights, weights)))
}

// over is the same noise over another number of readings as far apart.
func (z noise) over(n int) noise {
	out := noise{n: n, density: make([]float64, min(len(z.density), n))}
	for j := range out.density {
		out.density[j] = z.density[min(len(z.density)-1, j*z.n/n)]
	}
	return out
}

// roundings are what the rounding to a display step does to weighted sums of
// readings, when nobody knows where the temperatures lie between two steps: each is
// an independent error of standard deviation 1 with its effect on every sum. The
// rounding error is a saw-tooth of the temperature, taken apart into harmonics; noise
// of standard deviation sd damps each of them (from memory: the error of rounding
// with dither).
func roundings(sums [][]float64, temps []float64, step, sd float64) [][]float64 {
	if step <= 0 {
		return nil
	}
	var out [][]float64
	for k := 1.0; k <= 3; k++ {
		size := step / (math.Pi * k) / math.Sqrt2 * damped(k*sd, step)
		in, off := make([]float64, len(sums)), make([]float64, len(sums))
		for i, temp := range temps {
			sin, cos := math.Sincos(2 * math.Pi * k * temp / step)
			for p, weights := range sums {
				in[p] += size * cos * weights[i]
				off[p] += size * sin * weights[i]
			}
		}
		out = append(out, in, off)
	}
	return out
}
