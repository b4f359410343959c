package chain

import (
	"math"

	"proveout/plans/fact"
)

// How far away, across and down, a row's content is looked for.
const aside, above = 8, 2

// A shifted row shows what was written so many pixels to the right and below.
type shifted struct {
	dx, dy int
	match  float64 // correlation
}

// rows looks for a capture whose even and odd rows show different places.
func (e *examination) rows(lineBytes int) *Change {
	x0, y0, x1, y1 := e.inside(max(aside, above))
	if x1-x0 < 150 || y1-y0 < 64 {
		return nil
	}
	if !e.unlikeBelow() {
		return e.rowsByEdges(lineBytes)
	}
	const enough, well = 0.5, 0.8
	even, evenLies := e.near(0)
	odd, oddLies := e.near(1)
	if min(even, odd) > enough {
		const most = 0.3 // pixels between the fields
		if apart := math.Abs(evenLies - oddLies); apart > most {
			return combed(apart)
		}
		if min(even, odd) < well {
			return e.rowsByEdges(lineBytes)
		}
		return nil
	}
	a, b := e.best(0), e.best(1)
	if min(a.match, b.match) < enough {
		return e.rowsByEdges(lineBytes)
	}
	if a.dx != b.dx {
		return combed(math.Abs(float64(a.dx - b.dx)))
	}
	switch apart := a.dy - b.dy; {
	case apart == 2 || apart == -2:
		return swapped()
	case apart == 1 || apart == -1:
		return doubled(lineBytes)
	}
	return nil
}

func swapped() *Change {
	return &Change{Kind: SwappedRows, What: fact.New("chain.swapped-rows"), Advice: fact.New("chain.look-rows")}
}

func doubled(lineBytes int) *Change {
	c := &Change{Kind: DoubledRows, What: fact.New("chain.doubled-rows"), Advice: fact.New("chain.look-rows")}
	if lineBytes&(lineBytes-1) == 0 {
		c.Rival = fact.New("chain.doubled-rows-card")
	}
	return c
}

// rowsByEdges is rows for pictures whose rows are mostly alike: where a row differs
// from those beside it, the captured pixels tell which of them it shows. An order
// of the rows must explain at least twice as well as every other one, among them
// that the whole picture lies a row higher or lower.
func (e *examination) rowsByEdges(lineBytes int) *Change {
	orders := []func(y int) int{
		func(y int) int { return y },
		func(y int) int { return y - 1 },
		func(y int) int { return y + 1 },
		func(y int) int { return y ^ 1 },
		func(y int) int { return (y + 1) ^ 1 - 1 },
		func(y int) int { return y &^ 1 },
		func(y int) int { return y | 1 },
	}
	const exchanged, repeats = 3, 5 // the first of each kind
	off, n := e.rowsOff(orders)
	if n < 500 {
		return nil
	}
	best := 0
	for k := range off {
		if off[k] < off[best] {
			best = k
		}
	}
	for k := range off {
		if k != best && off[k] < 2*off[best] {
			return nil
		}
	}
	switch {
	case best >= repeats:
		return doubled(lineBytes)
	case best >= exchanged:
		return swapped()
	}
	return nil
}

// rowsOff sums how far the brightness lies off what each order of the rows makes
// of the picture, over so many pixels at edges between rows.
func (e *examination) rowsOff(orders []func(y int) int) (off []float64, n int) {
	const steep = 40 // levels
	g := e.grid
	off = make([]float64, len(orders))
	for y := g.Y0 + 2; y < g.Y1-2; y++ {
		for x := g.X0; x < g.X1; x += (g.X1-g.X0)/160 | 1 {
			at := func(row int) float32 { return e.written(row*g.Width + x)[0] }
			above, own, below := at(y-1), at(y), at(y+1)
			if max(above, own, below)-min(above, own, below) < steep {
				continue
			}
			n++
			seen := e.shown(y*g.Width + x)[0]
			for k, order := range orders {
				off[k] += math.Abs(float64(seen - at(order(y))))
			}
		}
	}
	return off, n
}

// combed says that the fields lie so many pixels beside each other.
func combed(apart float64) *Change {
	return &Change{
		Kind: CombedRows, What: fact.New("chain.combed-rows", "pixels", fact.In(apart, "").To(0.1)),
		Advice: fact.New("chain.look-rows"),
	}
}

// near is how well the rows of a parity go with what should be there, and how far
// to the right of it they lie, in pixels.
func (e *examination) near(parity int) (match, right float64) {
	match, right = e.balance(parity, e.shown)
	_, own := e.balance(parity, e.written) // not 0 where a picture has few edges, such as a grid
	return match, right - own
}

// balance is how well rows of a parity go with what was written there, and where
// the correlations of three places balance.
func (e *examination) balance(parity int, rows func(int) colour) (match, right float64) {
	total := 0.0
	for dx := -1; dx <= 1; dx++ {
		r := max(0, e.match(rows, parity, dx, 0))
		match = max(match, r)
		total += r
		right -= float64(dx) * r
	}
	return match, right / max(1e-9, total)
}

// best looks for what the rows of a parity show. The match is 0 when they show
// two places about as well, as they do where words are read from a wrong address.
func (e *examination) best(parity int) (best shifted) {
	var all []shifted
	for dy := -above; dy <= above; dy++ {
		for dx := -aside; dx <= aside; dx++ {
			s := shifted{dx, dy, e.match(e.shown, parity, dx, dy)}
			all = append(all, s)
			if s.match > best.match {
				best = s
			}
		}
	}
	for _, s := range all {
		elsewhere := s.dy != best.dy || s.dx < best.dx-1 || s.dx > best.dx+1
		if elsewhere && s.match > best.match/2 {
			best.match = 0
			break
		}
	}
	return best
}

const sampledRows = 12 // of each parity

// match is how well the brightness of rows goes with what was written so many
// pixels to the right and below.
func (e *examination) match(rows func(int) colour, parity, dx, dy int) float64 {
	var s correlation
	x0, y0, x1, y1 := e.inside(max(aside, above))
	for r := range sampledRows {
		y := y0 + r*(y1-2-y0)/(sampledRows-1)
		y += (y ^ parity) & 1
		if y >= y1 {
			y -= 2
		}
		for x := x0; x < x1; x += (x1-x0)/300 | 1 {
			s.add(float64(rows(y*e.grid.Width + x)[0]), float64(e.written((y+dy)*e.grid.Width + x + dx)[0]))
		}
	}
	return s.value()
}

// unlikeBelow reports whether rows differ from the rows below them, so that one
// can be told from another.
func (e *examination) unlikeBelow() bool {
	var s correlation
	x0, y0, x1, y1 := e.inside(max(aside, above))
	for r := range sampledRows {
		y := y0 + r*(y1-2-y0)/(sampledRows-1)
		for x := x0; x < x1; x += (x1-x0)/300 | 1 {
			at := y*e.grid.Width + x
			s.add(float64(e.written(at)[0]), float64(e.written(at + e.grid.Width)[0]))
		}
	}
	return s.xx/s.n-s.x*s.x/s.n/s.n > 100 && s.value() < 0.5
}

// A correlation sums two values.
type correlation struct{ n, x, y, xx, yy, xy float64 }

func (c *correlation) add(x, y float64) {
	c.n++
	c.x += x
	c.y += y
	c.xx += x * x
	c.yy += y * y
	c.xy += x * y
}

// value is 0 where either does not vary.
func (c *correlation) value() float64 {
	vx, vy := c.xx-c.x*c.x/c.n, c.yy-c.y*c.y/c.n
	if c.n < 2 || vx <= 0 || vy <= 0 {
		return 0
	}
	return (c.xy - c.x*c.y/c.n) / math.Sqrt(vx*vy)
}
