package align

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
)

// A view is a pinhole camera before a screen, with a lens that moves a point at
// the distance r from the axis to r(1 + lens·r²), r in half diagonals of the
// photograph. Photo points come from screen points by at, the truth that is to be
// recovered.
type view struct {
	scale, yaw, pitch, roll float64 // photograph pixels a screen pixel; radians
	dx, dy                  float64 // of the screen's middle, photograph pixels
	lens                    float64
	fall, noise             float64 // light lost in the corners, standard deviation
	w, h                    int     // of the photograph
	sw, sh                  float64 // of the screen

	turned [6]float64 // the screen's axes as the camera sees them; see turn
}

// turn works out the axes: the screen is turned about the upright, then about the
// level axis, then about the line of sight.
func (v view) turn() view {
	sy, cy := math.Sincos(v.yaw)
	sp, cp := math.Sincos(v.pitch)
	sr, cr := math.Sincos(v.roll)
	ax, ay, az := cy, sy*sp, sy*cp
	bx, by, bz := 0.0, cp, -sp
	v.turned = [6]float64{ax*cr - ay*sr, bx*cr - by*sr, ax*sr + ay*cr, bx*sr + by*cr, az, bz}
	return v
}

func anyView(rng *rand.Rand, m pattern.Mode) view {
	u := func(a float64) float64 { return a * (2*rng.Float64() - 1) }
	const degree = math.Pi / 180
	v := view{
		scale: 4.2 + u(1.2),
		yaw:   u(15) * degree,
		pitch: u(15) * degree,
		roll:  u(4) * degree,
		lens:  u(0.05),
		fall:  0.4 * rng.Float64(),
		noise: 6,
		sw:    float64(m.Width),
		sh:    float64(m.Height),
	}
	v.w, v.h = int(1.35*v.scale*v.sw), int(1.35*v.scale*v.sh)
	v.dx, v.dy = u(0.03)*float64(v.w), u(0.03)*float64(v.h)
	return v.turn()
}

func (v *view) at(x, y float64) (float64, float64) {
	a := &v.turned
	x, y = x-v.sw/2, y-v.sh/2
	x, y, z := a[0]*x+a[1]*y, a[2]*x+a[3]*y, a[4]*x+a[5]*y
	far := 2 * v.sw
	px, py := v.scale*x*far/(far+z)+v.dx, v.scale*y*far/(far+z)+v.dy
	half := math.Hypot(float64(v.w), float64(v.h)) / 2
	k := 1 + v.lens*(px*px+py*py)/(half*half)
	return float64(v.w)/2 + px*k, float64(v.h)/2 + py*k
}

// from inverts at by Newton's method with differences.
func (v *view) from(px, py, x, y float64) (float64, float64) {
	for range 12 {
		ax, ay := v.at(x, y)
		ex, ey := px-ax, py-ay
		if math.Abs(ex)+math.Abs(ey) < 0.02 {
			break
		}
		bx, by := v.at(x+1, y)
		cx, cy := v.at(x, y+1)
		a, b, c, d := bx-ax, cx-ax, by-ay, cy-ay
		det := a*d - b*c
		x += (d*ex - b*ey) / det
		y += (a*ey - c*ex) / det
	}
	return x, y
}

// light is by what the photograph is darker at a place than in its middle.
func (v view) light(px, py float64) float64 {
	dx, dy := 2*px/float64(v.w)-1, 2*py/float64(v.h)-1
	return 1 - v.fall*(dx*dx+dy*dy)/2
}

// take photographs a screen in a dark frame on a grey bench.
func (v view) take(screen *raster.RGB, rng *rand.Rand) *raster.RGB {
	p := raster.New(v.w, v.h)
	for py := range v.h {
		sx, sy := v.sw/2, v.sh/2
		for px := range v.w {
			var sum [3]float64
			for k := range 4 {
				sx, sy = v.from(float64(px)+0.25+0.5*float64(k&1), float64(py)+0.25+0.5*float64(k>>1), sx, sy)
				ix, iy := int(math.Floor(sx)), int(math.Floor(sy))
				c := [3]uint8{20, 20, 20}
				if ix >= 0 && iy >= 0 && ix < screen.Width && iy < screen.Height {
					c[0], c[1], c[2] = screen.At(ix, iy)
				} else if frame := screen.Width / 16; min(ix, iy) < -frame ||
					ix > screen.Width*17/16 || iy > screen.Height+frame {
					c = [3]uint8{90, 100, 80}
				}
				for ch := range 3 {
					sum[ch] += float64(c[ch]) / 4
				}
			}
			for ch := range 3 {
				s := 0.85*sum[ch]*v.light(float64(px), float64(py)) + 5 + v.noise*rng.NormFloat64()
				p.Pix[3*(py*v.w+px)+ch] = uint8(min(255, max(0, s+0.5)))
			}
		}
	}
	return p
}

// The places that Rectify finds, and how near they must lie to the truth, in
// screen pixels: 0.3 anywhere, 0.15 on the average of one view. Of a dozen views
// of a small screen the worst is 0.27, and 0.14 on its average.
const (
	farthest = 0.3
	typical  = 0.15
)

func TestScreenIsFoundFromAnyView(t *testing.T) {
	notUnderRace(t)
	n := usuallyOr(1, 8)
	rng := rand.New(rand.NewPCG(1, 2))
	m := pattern.Mode{Width: 200, Height: 150, Format: pattern.RGB565}
	f := frameOf(t, m, "random-7")
	for i := range n {
		v := anyView(rng, m)
		s, err := Rectify(f, v.take(f.RGB(), rng), Fine)
		if err != nil {
			t.Errorf("%d %+v: %v", i, v, err)
			continue
		}
		most, sum, count := 0.0, 0.0, 0.0
		for y := 0.0; y <= v.sh; y += v.sh / 10 {
			for x := 0.0; x <= v.sw; x += v.sw / 10 {
				wx, wy := v.at(x, y)
				gx, gy := s.warp.at(x, y)
				d := math.Hypot(gx-wx, gy-wy) / v.scale
				most, sum, count = max(most, d), sum+d, count+1
			}
		}
		cx, cy := v.at(0, 0)
		if most > farthest || sum/count > typical || math.Hypot(s.Corner[0]-cx, s.Corner[1]-cy) > farthest*v.scale {
			t.Errorf(
				"%d %+v: off by %.3f at most, %.3f on the average, of screen pixels; corner %v, not %.1f,%.1f",
				i,
				v,
				most,
				sum/count,
				s.Corner,
				cx,
				cy,
			)
		}
		if math.Abs(s.Scale/v.scale-1) > 0.08 { // the lens and the tilt change it over the screen
			t.Errorf("%d: scale %.2f, not %.2f", i, s.Scale, v.scale)
		}
		if math.Abs(s.warp.lens-v.lens) > 0.02 {
			t.Errorf("%d: lens %.3f, not %.3f", i, s.warp.lens, v.lens)
		}
		checkLevels(t, v, s, f.RGB())
	}
}

// checkLevels holds the levelled screen to what was written, in eight by eight
// blocks: a mean level is right to 12 of 255 wherever light and blur put it; the worst of
// a dozen views is 11, in a corner.
func checkLevels(t *testing.T, v view, s *Screen, wanted *raster.RGB) {
	edge := 20
	const n = 8
	for by := range n {
		for bx := range n {
			for ch := range 3 {
				var dark, bright, darks, brights float64
				for y := edge + by*(wanted.Height-2*edge)/n; y < edge+(by+1)*(wanted.Height-2*edge)/n; y++ {
					for x := 4 + bx*(wanted.Width-8)/n; x < 4+(bx+1)*(wanted.Width-8)/n; x++ {
						i := y*wanted.Width + x
						d := float64(s.Grid.V[ch][i]) - float64(wanted.Pix[3*i+ch])
						if wanted.Pix[3*i+ch] < 128 {
							dark, darks = dark+d, darks+1
						} else {
							bright, brights = bright+d, brights+1
						}
					}
				}
				if math.Abs(dark/darks) > 12 || math.Abs(bright/brights) > 12 {
					t.Errorf(
						"light lost %.2f, block %d,%d channel %d: dark off by %.1f, bright by %.1f",
						v.fall,
						bx,
						by,
						ch,
						dark/darks,
						bright/brights,
					)
				}
			}
		}
	}
}

func TestPatternIsIdentifiedInAPhotograph(t *testing.T) {
	notUnderRace(t)
	rng := rand.New(rand.NewPCG(3, 4))
	names := map[string]pattern.Mode{
		"bit-green-5":      {Width: 320, Height: 200, Format: pattern.RGB565},
		"random-inverse-9": {Width: 320, Height: 240, Format: pattern.XRGB8888},
	}
	for name, m := range names {
		if !allChecks && m.Format == pattern.XRGB8888 {
			continue
		}
		f := frameOf(t, m, name)
		v := anyView(rng, m)
		v.scale = 3
		v.w, v.h = int(1.3*v.scale*v.sw), int(1.3*v.scale*v.sh)
		got, err := Identify(v.take(f.RGB(), rng))
		if err != nil || got != f.Pattern {
			t.Errorf("%s: %s of %s, %v", name, got.Name(), got.Mode, err)
		}
	}
}

// flat is a picture of one level with noise.
func flat(w, h int, level, noise float64, rng *rand.Rand) *raster.RGB {
	p := raster.New(w, h)
	for i := range p.Pix {
		p.Pix[i] = uint8(min(255, max(0, level+noise*rng.NormFloat64())))
	}
	return p
}

// cover paints a part of a picture grey.
func cover(p *raster.RGB, x0, y0, x1, y1 int) *raster.RGB {
	q := raster.New(p.Width, p.Height)
	copy(q.Pix, p.Pix)
	for y := max(0, y0); y < min(y1, q.Height); y++ {
		for x := max(0, x0); x < min(x1, q.Width); x++ {
			for ch := range 3 {
				q.Pix[3*(y*q.Width+x)+ch] = 90
			}
		}
	}
	return q
}

func TestMarksNotFound(t *testing.T) {
	notUnderRace(t)
	rng := rand.New(rand.NewPCG(5, 6))
	m := pattern.Mode{Width: 200, Height: 150, Format: pattern.RGB565}
	f := frameOf(t, m, "random-1")
	v := view{scale: 3, yaw: 0.1, noise: 3, w: 800, h: 600, sw: 200, sh: 150}.turn()
	whole := v.take(f.RGB(), rng)
	if _, err := Rectify(f, whole, Fine); err != nil {
		t.Fatalf("the whole screen: %v", err)
	}
	cx, cy := v.at(200, 150)
	for name, p := range map[string]*raster.RGB{
		"grey":             flat(240, 180, 120, 0, rng),
		"noise":            flat(300, 200, 120, 60, rng),
		"black":            flat(400, 300, 0, 0, rng),
		"a corner covered": cover(whole, int(cx)-50, int(cy)-50, int(cx)+10, int(cy)+10),
		"right half":       cover(whole, 0, 0, 400, 600),
	} {
		if !allChecks && (name == "black" || name == "right half") {
			continue
		}
		if _, err := Rectify(f, p, Fine); !errors.Is(err, ErrNoMarks) {
			t.Errorf("%s: %v", name, err)
		}
		if _, err := Identify(p); err == nil {
			t.Errorf("%s is identified", name)
		}
	}
	other := frameOf(t, m, "random-2")
	if _, err := Rectify(other, whole, Fine); err == nil || errors.Is(err, ErrNoMarks) {
		t.Errorf("another pattern: %v", err)
	}
	v.scale, v.w, v.h = 1, 270, 200
	if _, err := Rectify(f, v.take(f.RGB(), rng), Fine); err == nil {
		t.Error("one photograph pixel for a screen pixel is accepted")
	}
}

func TestNoPhotographPanics(t *testing.T) {
	notUnderRace(t)
	m := pattern.Mode{Width: 160, Height: 120, Format: pattern.Palette8}
	fine, coarse := frameOf(t, m, "random-1"), frameOf(t, m, "bit-red-2")
	rapid.Check(t, func(t *rapid.T) {
		w, h := rapid.IntRange(1, 200).Draw(t, "w"), rapid.IntRange(1, 150).Draw(t, "h")
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		p := flat(w, h, 128, 100*rng.Float64(), rng)
		for range rng.IntN(4) { // what may look like marks
			x, y, u := rng.IntN(w), rng.IntN(h), 1+rng.IntN(4)
			drawMark(p, x, y, u, 230)
		}
		if _, err := Rectify(fine, p, Fine); err == nil {
			t.Error("a screen is found in noise")
		}
		if _, err := Rectify(coarse, p, Coarse); err == nil {
			t.Error("a bit solid is found in noise")
		}
		if _, err := Identify(p); err == nil {
			t.Error("a pattern is identified in noise")
		}
	})
}

// drawMark draws a corner mark with its corner at x, y in a dark gap.
func drawMark(p *raster.RGB, x, y, unit int, bright uint8) {
	for j := -unit; j < 8*unit; j++ {
		for i := -unit; i < 8*unit; i++ {
			if x+i < 0 || y+j < 0 || x+i >= p.Width || y+j >= p.Height {
				continue
			}
			a, b := math.Abs(
				float64(i)+0.5-3.5*float64(unit),
			)/float64(
				unit,
			), math.Abs(
				float64(j)+0.5-3.5*float64(unit),
			)/float64(
				unit,
			)
			v := uint8(10)
			if d := max(a, b); d < 1.5 || d > 2.5 && d < 3.5 {
				v = bright
			}
			for ch := range 3 {
				p.Pix[3*((y+j)*p.Width+x+i)+ch] = v
			}
		}
	}
}

// A mark of any size and place in noise is the best that is sought, to an eighth
// of a module or half a pixel and to a fifth of its size.
func TestMarkIsSought(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		unit := rapid.IntRange(2, 8).Draw(t, "unit")
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 2))
		p := flat(150, 120, 60, 20, rng)
		x, y := rapid.IntRange(2*unit, 150-10*unit).Draw(t, "x"), rapid.IntRange(2*unit, 120-10*unit).Draw(t, "y")
		drawMark(p, x, y, unit, uint8(rapid.IntRange(150, 255).Draw(t, "bright")))
		found := newMarkSeeker(brightness(p)).seek(1.5, 10)
		if len(found) == 0 {
			t.Fatal("nothing found")
		}
		wx, wy := float64(x)+3.5*float64(unit), float64(y)+3.5*float64(unit)
		near := max(0.5, float64(unit)/8)
		if g := found[0]; math.Abs(g.x-wx) > near || math.Abs(g.y-wy) > near || g.module < 0.8*float64(unit) ||
			g.module > 1.25*float64(unit) ||
			g.score > 1+1e-9 {
			t.Errorf("%+v, not at %.1f,%.1f with modules of %d", g, wx, wy, unit)
		}
	})
}

// Points through a known homography and lens give them back; points in a line
// give nothing.
func TestHomographyOfKnownPoints(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		u := func(name string, a float64) float64 { return rapid.Float64Range(-a, a).Draw(t, name) }
		m := pattern.Mode{Width: 320, Height: 240, Format: pattern.RGB565}
		photo := brightness(raster.New(1300, 1000))
		truth := newWarp(m, photo)
		truth.plane = [9]float64{
			3 + u("a", 0.5),
			u("b", 0.4),
			150 + u("c", 40),
			u("d", 0.4),
			3 + u("e", 0.5),
			130 + u("f", 40),
			u("g", 4e-4),
			u("i", 4e-4),
			1,
		}
		truth.lens = u("k", 0.08)
		var from, to []point
		for y := 0.0; y <= 240; y += 60 {
			for x := 0.0; x <= 320; x += 80 {
				px, py := truth.at(x, y)
				from, to = append(from, point{x, y}), append(to, point{px, py})
			}
		}
		got := newWarp(m, photo)
		got.lens = truth.lens
		if !got.fitPlane(from, to) {
			t.Fatal("no homography")
		}
		for i, p := range from {
			if d := got.miss(p, to[i]); d > 1e-5 {
				t.Fatalf("%v is missed by %g pixels", p, d)
			}
			qx, qy := truth.at(p[0], p[1])
			sx, sy := truth.straight(qx, qy)
			d := truth.plane[6]*p[0] + truth.plane[7]*p[1] + truth.plane[8]
			wx := (truth.plane[0]*p[0] + truth.plane[1]*p[1] + truth.plane[2]) / d
			wy := (truth.plane[3]*p[0] + truth.plane[4]*p[1] + truth.plane[5]) / d
			if math.Hypot(sx-wx, sy-wy) > 1e-5 {
				t.Fatalf("%g,%g is straightened to %g,%g", qx, qy, sx, sy)
			}
		}
		line := []point{{0, 0}, {1, 2}, {2, 4}, {3, 6}}
		if newWarp(m, photo).fitPlane(line, line) {
			t.Fatal("a homography of points in a line")
		}
	})
}
