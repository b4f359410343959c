package metric

// weigh sets dst to the weighted sum of 11 lines, each at least as long as dst.
func weigh(dst []float32, l *[taps][]float32, k *[radius + 1]float32) {
	n := len(dst) &^ 3
	var at [taps]*float32
	for i, v := range l {
		l[i] = v[:len(dst)]
	}
	if n > 0 {
		for i := range at {
			at[i] = &l[i][0]
		}
		weighFours(&dst[0], &at, k, n)
	}
	if n < len(dst) {
		for i := range l {
			l[i] = l[i][n:]
		}
		weighPlain(dst[n:], l, k)
	}
}

// weighFours is weighPlain for n samples, a multiple of 4.
//
//go:noescape
func weighFours(dst *float32, l *[taps]*float32, k *[radius + 1]float32, n int)
