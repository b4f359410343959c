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

// bins counts rows along an axis. It follows the axis' doublings when it is
// next used.
type bins struct {
	count    [axisBins]int64
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
	if x < a.low {
		a.low = x
	}
	if x > a.high {
		a.high = x
	}
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

// add counts one row in bin i.
func (b *bins) add(a *axis, i int) {
	if b.followed < len(a.widened) {
		b.follow(a)
	}
	b.count[i&(axisBins-1)]++
}

// follow doubles the bins as the axis did.
func (b *bins) follow(a *axis) {
	for ; b.followed < len(a.widened); b.followed++ {
		var wide [axisBins]int64
		shift := 0
		if a.widened[b.followed] {
			shift = axisBins / 2
		}
		for i, n := range b.count {
			wide[i/2+shift] += n
		}
		b.count = wide
	}
}
