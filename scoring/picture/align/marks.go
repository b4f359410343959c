package align

import (
	"cmp"
	"errors"
	"math"
	"slices"
)

// A mark is a corner mark found in the photograph: centre and module size in
// photograph pixels, and how well it looks like one, 0 to 1.
type mark struct {
	x, y, module float64
	score        float64
}

// ErrNoMarks says that fewer than four corner marks were found.
var ErrNoMarks = errors.New("the four corner marks of the pattern were not found in the photograph: " +
	"the whole screen must be in it, sharp and without glare")

// fourMarks finds the corner marks and has them accepted. A module is taken to be
// between 1/400 and 1/75 of the width of the photograph, and when that finds
// nothing, for a screen that fills little of it, down to 1/900. The top side is
// taken to be modules wide, 0 when that is not known.
func fourMarks(photo plane, aspect, modules float64, accept func([4]mark) error) error {
	const seekWidth = 800 // about the width at which marks are sought
	n := max(1, (photo.width+seekWidth/2)/seekWidth)
	err := ErrNoMarks
	for _, try := range []struct {
		shrink   int
		from, to float64
	}{{n, 400, 75}, {max(1, n/2), 900, 340}} {
		small := photo.shrink(try.shrink)
		width := float64(small.width)
		marks := newMarkSeeker(small).seek(max(1.2, width/try.from), width/try.to)
		k := float64(try.shrink)
		for i, m := range marks {
			marks[i] = mark{m.x * k, m.y * k, m.module * k, m.score}
		}
		corners, ok := cornersOf(marks, aspect, modules)
		if !ok {
			continue
		}
		if err = accept(corners); err == nil {
			return nil
		}
	}
	return err
}

// A markSeeker holds sums over rectangles of a plane, from which the correlation
// with a corner mark follows at every place for the same small cost.
type markSeeker struct {
	plane
	sum, squares areaSum
}

func newMarkSeeker(p plane) *markSeeker {
	sum, squares := sumAreas(p.v, p.width, p.height)
	return &markSeeker{p, sum, squares}
}

// Rings are a mark at one size: the half widths of its squares of 3, 5, 7 and,
// with the gap around it, 9 modules, in pixels.
type rings struct {
	module float64
	half   [4]int
}

// ringsOf rounds the squares of a mark to pixels; a square about the middle of
// pixel x covers x-half to x+half.
func ringsOf(module float64) rings {
	r := rings{module: module}
	for k := range r.half {
		r.half[k] = max(k, int(math.Round((float64(3+2*k)*module-1)/2)))
	}
	return r
}

// around is the sum over a square about a pixel.
func (a areaSum) around(x, y, half int) float64 { return a.of(x-half, y-half, 2*half+1, 2*half+1) }

// correlation tells how well a place looks like a mark, -1 to 1: the better of
// the mark with the dark gap around it and, for screens in a light surround, a
// little less for the mark alone.
func (s *markSeeker) correlation(r *rings, x, y int) float64 {
	const leastContrast = 12 // levels
	var sum, area [4]float64
	for k, half := range r.half {
		sum[k] = s.sum.around(x, y, half)
		area[k] = float64((2*half + 1) * (2*half + 1))
		if k == 1 && sum[0]*(area[1]-area[0]) <= (sum[1]-sum[0])*area[0] {
			return -1 // the middle is darker than the ring around it
		}
	}
	bright, brightArea := sum[2]-sum[1]+sum[0], area[2]-area[1]+area[0]
	best := -1.0
	for k := 2; k < 4; k++ {
		dark := sum[k] - bright
		contrast := bright/brightArea - dark/(area[k]-brightArea)
		if contrast < leastContrast {
			continue
		}
		mean := sum[k] / area[k]
		variance := s.squares.around(x, y, r.half[k])/area[k] - mean*mean
		share := brightArea / area[k]
		if variance > 0 {
			best = max(best, contrast*math.Sqrt(share*(1-share)/variance)-[4]float64{2: 0.1}[k])
		}
	}
	return best
}

// seek finds what looks like a mark by correlation, which blur, noise and
// missing columns lower but do not break. Modules from one size in pixels to
// another are tried; of each mark the best is returned, best marks first.
func (s *markSeeker) seek(from, to float64) []mark {
	const least, step, most = 0.5, 1.11, 60
	var all []mark
	for module := from; module < to; module *= step {
		r := ringsOf(module)
		at := func(x, y int) float64 { return s.correlation(&r, x, y) }
		edge := r.half[3] + 2
		for y := edge; y < s.height-edge; y++ {
			for x := edge; x < s.width-edge; x++ {
				c := at(x, y)
				if c < least || c < at(x-1, y) || c < at(x, y-1) || c <= at(x+1, y) || c <= at(x, y+1) {
					continue
				}
				dx, dy := vertex(at(x-1, y), c, at(x+1, y)), vertex(at(x, y-1), c, at(x, y+1))
				all = append(all, mark{float64(x) + 0.5 + dx, float64(y) + 0.5 + dy, module, c})
			}
		}
	}
	slices.SortFunc(all, func(a, b mark) int { return cmp.Compare(b.score, a.score) })
	var out []mark
	for _, m := range all {
		same := func(o mark) bool { return math.Hypot(m.x-o.x, m.y-o.y) < 3*o.module }
		if !slices.ContainsFunc(out, same) {
			out = append(out, m)
		}
		if len(out) == most {
			break
		}
	}
	return out
}

// cornersOf picks the four of the candidates that look most like the corners of a
// screen: top left, top right, bottom left, bottom right. The sides are taken to
// be modules wide; 0 when that is not known.
func cornersOf(all []mark, aspect, modules float64) (best [4]mark, ok bool) {
	candidates := all[:min(len(all), 22)]
	score := 0.0
	for _, topLeft := range candidates {
		for _, topRight := range candidates {
			dx := topRight.x - topLeft.x
			if !besideEachOther(topLeft, topRight, modules) {
				continue
			}
			for _, bottomLeft := range candidates {
				dy := bottomLeft.y - topLeft.y
				if dy <= 0 || math.Abs(bottomLeft.x-topLeft.x) > 0.35*dy || !ofOneSize(topLeft, bottomLeft) {
					continue
				}
				for _, bottomRight := range candidates {
					corners := [4]mark{topLeft, topRight, bottomLeft, bottomRight}
					if bottomRight.x-bottomLeft.x < dx/2 || bottomRight.y-topRight.y < dy/2 ||
						!ofOneSize(topLeft, bottomRight) || !screenlike(corners, aspect) {
						continue
					}
					s := 0.0
					for _, m := range corners {
						s += m.score * m.score
					}
					if modules == 0 {
						s *= math.Sqrt(dx) // large screens are the likelier ones
					}
					if s > score {
						score, best = s, corners
					}
				}
			}
		}
	}
	return best, score > 0
}

// ofOneSize allows for a strongly tilted screen.
func ofOneSize(a, b mark) bool { return a.module < 1.8*b.module && b.module < 1.8*a.module }

// besideEachOther reports whether two marks can be the upper corners of a screen.
func besideEachOther(left, right mark, modules float64) bool {
	dx, dy := right.x-left.x, right.y-left.y
	if dx <= 0 || math.Abs(dy) > 0.35*dx || !ofOneSize(left, right) {
		return false
	}
	wide := dx / ((left.module + right.module) / 2)
	return modules == 0 || wide >= 0.7*modules && wide <= 1.4*modules
}

// screenlike reports whether four marks can be the corners of a screen.
func screenlike(q [4]mark, aspect float64) bool {
	distance := func(a, b int) float64 { return math.Hypot(q[a].x-q[b].x, q[a].y-q[b].y) }
	top, bottom, left, right := distance(0, 1), distance(2, 3), distance(0, 2), distance(1, 3)
	if min(top, bottom, left, right) < 40 ||
		max(top, bottom) > 1.6*min(top, bottom) || max(left, right) > 1.6*min(left, right) {
		return false
	}
	shape := (top + bottom) / (left + right) / aspect
	return shape < 1.5 && shape > 1/1.5
}
