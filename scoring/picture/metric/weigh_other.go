//go:build !amd64

package metric

func weigh(dst []float32, l *[taps][]float32, k *[radius + 1]float32) { weighPlain(dst, l, k) }
