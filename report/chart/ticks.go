package chart

import (
	"math"
	"strconv"
)

// linearTicks marks about n round places (1, 2, 2.5 or 5 times a power of ten)
// in [lo, hi].
func linearTicks(lo, hi float64, n int) []Tick {
	span := hi - lo
	if !(span > 0) || math.IsInf(span, 0) {
		return nil
	}
	raw := span / float64(n)
	pow := math.Pow(10, math.Floor(math.Log10(raw)))
	step := 10 * pow
	for _, m := range []float64{1, 2, 2.5, 5} {
		if m*pow >= raw*0.999 {
			step = m * pow
			break
		}
	}
	decimals := math.Max(0, -math.Floor(math.Log10(step)+1e-9))
	if q := step / math.Pow(10, math.Floor(math.Log10(step)+1e-9)); math.Abs(q-2.5) < 1e-6 {
		decimals++
		if step >= 10 {
			decimals = 0
		}
	}
	var out []Tick
	for i := math.Ceil(lo/step - 1e-9); i*step <= hi+step*1e-9 && len(out) < 4*n; i++ {
		v := i * step
		if v == 0 {
			v = 0 // no minus zero
		}
		out = append(out, Tick{v, formatTick(v, decimals)})
	}
	if len(out) < 2 && n < 40 {
		return linearTicks(lo, hi, 2*n) // one tick alone gives no scale
	}
	return out
}

func formatTick(v, decimals float64) string {
	if a := math.Abs(v); a >= 1e7 || decimals > 7 {
		return strconv.FormatFloat(v, 'g', 4, 64)
	}
	return strconv.FormatFloat(v, 'f', int(decimals), 64)
}
