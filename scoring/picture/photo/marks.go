// Package photo reads a photograph of a monitor that shows a test pattern.
//
// A photograph and the frame on the screen come in; the screen on the grid of
// the pattern comes out, with perspective and lens distortion undone, uneven
// light levelled and the smearing between neighbours and channels taken out.
// It does not judge lines.
package photo

import (
	"errors"
	"math"
	"sort"

	"proveout/scoring/picture/align"
)

// A mark is a corner mark found in the photograph: centre and module size in
// photograph pixels, and how well it looks like one, 0 to 1.
type mark struct {
	x, y, module float64
	score        float64
}

// ErrNoMarks says that fewer than four corner marks were found.
var ErrNoMarks = errors.New("the four corner marks of the pattern were not found in the photograph: the whole screen must be in it, sharp and without glare")

// findMarks looks for squares of one bright, one dark, three bright, one dark
// and one bright module along rows and columns.
func findMarks(p *align.Plane) []mark {
	w, h := p.Width(), p.Height()
	bright := threshold(p)
	var found []mark
	runs := make([]int, 0, w)
	for y := 2; y < h-2; y += 2 {
		row := bright[y*w : (y+1)*w]
		runs = runs[:0]
		start := 0
		for x := 1; x <= w; x++ {
			if x < w && row[x] == row[x-1] {
				continue
			}
			runs = append(runs, x-start)
			start = x
			n := len(runs)
			if n < 5 || !row[x-1] {
				continue
			}
			module, ok := ratio(runs[n-5:])
			if !ok {
				continue
			}
			cx := float64(x) - float64(runs[n-1]) - float64(runs[n-2]) - float64(runs[n-3])/2
			if m, ok := check(p, bright, cx, float64(y), module); ok {
				found = append(found, m)
			}
		}
	}
	return merge(found)
}

// ratio reports whether five runs are as 1:1:3:1:1, and the module.
func ratio(r []int) (float64, bool) {
	total := r[0] + r[1] + r[2] + r[3] + r[4]
	if total < 10 {
		return 0, false
	}
	m := float64(total) / 7
	for i, want := range [5]float64{1, 1, 3, 1, 1} {
		if math.Abs(float64(r[i])-want*m) > 0.55*m*math.Sqrt(want)+0.6 {
			return 0, false
		}
	}
	return m, true
}

// check follows the column through a candidate and then samples all 49 modules.
func check(p *align.Plane, bright []bool, cx, cy, module float64) (mark, bool) {
	w, h := p.Width(), p.Height()
	x, y := int(cx), int(cy)
	if !bright[y*w+x] {
		return mark{}, false
	}
	// run lengths up and down from the centre: half of 3, 1, 1
	arm := func(step int) (r [3]int, ok bool) {
		k, v := 0, true
		for yy := y; yy >= 0 && yy < h; yy += step {
			if bright[yy*w+x] != v {
				v = !v
				if k++; k == 3 {
					return r, true
				}
			}
			r[k]++
			if float64(r[k]) > 3*module+2 {
				return r, false
			}
		}
		return r, k == 2
	}
	up, ok1 := arm(-1)
	down, ok2 := arm(1)
	if !ok1 || !ok2 {
		return mark{}, false
	}
	vm, ok := ratio([]int{up[2], up[1], up[0] + down[0] - 1, down[1], down[2]})
	if !ok || vm > 1.7*module || module > 1.7*vm {
		return mark{}, false
	}
	cy += float64(down[0]-up[0]) / 2
	var s, q, t, tt, st float64
	for j := -3; j <= 3; j++ {
		for i := -3; i <= 3; i++ {
			v := float64(p.At(cx+float64(i)*module, cy+0.5+float64(j)*vm))
			ring := max(i, -i, j, -j)
			want := 1.0
			if ring == 2 {
				want = 0
			}
			s += v
			q += v * v
			t += want
			tt += want * want
			st += v * want
		}
	}
	cov, vs, vt := st/49-s/49*t/49, q/49-s/49*s/49, tt/49-t/49*t/49
	if vs < 25 {
		return mark{}, false
	}
	r := cov / math.Sqrt(vs*vt)
	return mark{cx, cy + 0.5, (module + vm) / 2, r}, r > 0.7
}

// threshold marks what is brighter than its surroundings.
func threshold(p *align.Plane) []bool {
	w, h := p.Width(), p.Height()
	sum := make([]float64, (w+1)*(h+1))
	for y := range h {
		line := 0.0
		for x := range w {
			line += float64(p.At(float64(x)+0.5, float64(y)+0.5))
			sum[(y+1)*(w+1)+x+1] = sum[y*(w+1)+x+1] + line
		}
	}
	r := max(8, w/24)
	out := make([]bool, w*h)
	for y := range h {
		y0, y1 := max(0, y-r), min(h, y+r+1)
		for x := range w {
			x0, x1 := max(0, x-r), min(w, x+r+1)
			mean := (sum[y1*(w+1)+x1] - sum[y0*(w+1)+x1] - sum[y1*(w+1)+x0] + sum[y0*(w+1)+x0]) / float64((y1-y0)*(x1-x0))
			out[y*w+x] = float64(p.At(float64(x)+0.5, float64(y)+0.5)) > max(mean, 30)
		}
	}
	return out
}

// merge joins candidates of one mark and sorts by score.
func merge(found []mark) []mark {
	sort.Slice(found, func(a, b int) bool { return found[a].score > found[b].score })
	var out []mark
next:
	for _, m := range found {
		for _, o := range out {
			if math.Hypot(m.x-o.x, m.y-o.y) < 3*o.module {
				continue next
			}
		}
		out = append(out, m)
		if len(out) == 60 {
			break
		}
	}
	return out
}

// corners picks the four marks of the screen: top left, top right, bottom left,
// bottom right. Of the candidates of about the usual size the outermost are
// taken.
func corners(all []mark, aspect float64) ([4]mark, error) {
	var best [4]mark
	bestScore := -1.0
	n := min(len(all), 24)
	for a := range n { // the size of each candidate in turn
		var c []mark
		for _, m := range all[:n] {
			if m.module < 1.6*all[a].module && all[a].module < 1.6*m.module && m.score > 0.75 {
				c = append(c, m)
			}
		}
		if len(c) < 4 {
			continue
		}
		pick := func(f func(m mark) float64) mark {
			b := c[0]
			for _, m := range c {
				if f(m) > f(b) {
					b = m
				}
			}
			return b
		}
		q := [4]mark{pick(func(m mark) float64 { return -m.x - m.y }), pick(func(m mark) float64 { return m.x - m.y }),
			pick(func(m mark) float64 { return m.y - m.x }), pick(func(m mark) float64 { return m.x + m.y })}
		if s := quad(q, aspect); s > bestScore {
			best, bestScore = q, s
		}
	}
	if bestScore <= 0 {
		return best, ErrNoMarks
	}
	return best, nil
}

// quad scores four marks as the corners of a screen; 0 when they cannot be.
func quad(q [4]mark, aspect float64) float64 {
	d := func(a, b int) float64 { return math.Hypot(q[a].x-q[b].x, q[a].y-q[b].y) }
	top, bottom, left, right := d(0, 1), d(2, 3), d(0, 2), d(1, 3)
	if min(top, bottom, left, right) < 40 || max(top, bottom) > 1.6*min(top, bottom) || max(left, right) > 1.6*min(left, right) {
		return 0
	}
	a := (top + bottom) / (left + right) / aspect
	if a > 1.5 || a < 1/1.5 {
		return 0
	}
	s := q[0].score + q[1].score + q[2].score + q[3].score
	return s * (top + bottom)
}
