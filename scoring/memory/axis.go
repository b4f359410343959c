package memory

const axisBins = 64

// An axis divides time or temperature into bins that widen as the span grows,
// so that it needs neither the span beforehand nor memory for it.
type axis struct {
	origin, width float64 // width 0: nothing seen yet
	perUnit       float64 // 1/width
	low, high     float64
	widened       []bool // each doubling of the bins; true when room was made below
}

// bins add up values along an axis: rows, or temperatures. They follow the
// axis' doublings when they are next used.
type bins struct {
	sum      [axisBins]float64
	followed int
}

// bin returns the bin of x, -1 when x is unknown. The bins widen as needed.
func (a *axis) bin(x float64) int {
	if !(x > -1e15 && x < 1e15) { // NaN, infinite, absurd
		return -1
	}
	if a.width == 0 {
		// Start fine (1 ms, 1 m°C) and let the span widen the bins.
		a.origin, a.width, a.low, a.high = x-axisBins/2*1e-3, 1e-3, x, x
		a.perUnit = 1 / a.width
	}
	a.low, a.high = min(a.low, x), max(a.high, x)
	i := (x - a.origin) * a.perUnit
	for !(i >= 0 && i < axisBins) {
		below := i < 0
		if below {
			a.origin -= axisBins * a.width
		}
		a.width *= 2
		a.perUnit = 1 / a.width
		a.widened = append(a.widened, below)
		i = (x - a.origin) * a.perUnit
	}
	return int(i)
}

// add adds to bin i.
func (b *bins) add(a *axis, i int, value float64) {
	if b.followed < len(a.widened) {
		b.follow(a)
	}
	b.sum[i&(axisBins-1)] += value
}

// follow doubles the bins as the axis did.
func (b *bins) follow(a *axis) {
	for ; b.followed < len(a.widened); b.followed++ {
		var wide [axisBins]float64
		shift := 0
		if a.widened[b.followed] {
			shift = axisBins / 2
		}
		for i, value := range b.sum {
			wide[i/2+shift] += value
		}
		b.sum = wide
	}
}

// spread says whether the axis has seen more than one value.
func (a *axis) spread() bool { return a.width > 0 && a.high > a.low }
