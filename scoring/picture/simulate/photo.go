package simulate

import (
	"bytes"
	"fmt"
	"image/jpeg"
	"math"

	"proveout/scoring/picture/raster"
)

// A Camera takes a photograph of the monitor. The zero value of a field is the
// ideal, but PixelsPerPixel is needed.
type Camera struct {
	PixelsPerPixel float64 // camera pixels per screen pixel, 2 to 10
	TiltX, TiltY   float64 // degrees about the vertical and the horizontal axis
	Roll           float64 // degrees
	Distortion     float64 // radial: r becomes r(1 + Distortion·r²), r in half diagonals
	Vignetting     float64 // share of light lost in the corners
	Slope          float64 // share by which one side is brighter than the other
	Blur           float64 // standard deviation, camera pixels
	Noise          float64 // standard deviation, levels
	Exposure       float64 // factor on the levels; 0 means 0.9
	Black          float64 // levels of stray light
	Quality        int     // of the JPEG coding; 0 means none
}

// Photo shows what the camera makes of a screen: the screen tilted in a dark
// bezel on a bench.
func Photo(screen *raster.RGB, c Camera, seed uint64) (*raster.RGB, error) {
	if c.PixelsPerPixel < 1 || c.PixelsPerPixel > 12 || math.Abs(c.TiltX) > 40 || math.Abs(c.TiltY) > 40 {
		return nil, fmt.Errorf("a camera with %g pixels per pixel, tilted by %g and %g degrees, cannot be simulated",
			c.PixelsPerPixel, c.TiltX, c.TiltY)
	}
	if c.Exposure == 0 {
		c.Exposure = 0.9
	}
	rng := newSource(seed ^ 0xCA3E7A)
	w, h := int(float64(screen.Width)*c.PixelsPerPixel*1.25), int(float64(screen.Height)*c.PixelsPerPixel*1.25)
	if w*h > 60_000_000 {
		return nil, fmt.Errorf("a photograph of %d×%d pixels is too large to simulate", w, h)
	}
	view := newCameraView(screen, c, w, h)
	light := make([]float32, 3*w*h)
	for y := range h {
		for x := range w {
			view.see(x, y, light[3*(y*w+x):3*(y*w+x)+3])
		}
	}
	smooth(light, w, h, c.Blur, c.Blur)
	out := raster.New(w, h)
	half := math.Hypot(float64(w), float64(h)) / 2
	for y := range h {
		for x := range w {
			dx, dy := (float64(x)-float64(w)/2)/half, (float64(y)-float64(h)/2)/half
			g := c.Exposure * (1 - c.Vignetting*(dx*dx+dy*dy)) * (1 + c.Slope*dx)
			for ch := range 3 {
				i := 3*(y*w+x) + ch
				v := float64(light[i])*g + c.Black
				if c.Noise > 0 {
					v += c.Noise * rng.normal()
				}
				out.Pix[i] = clip(v)
			}
		}
	}
	if c.Quality == 0 {
		return out, nil
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, out.Image(), &jpeg.Options{Quality: c.Quality}); err != nil {
		return nil, err
	}
	m, err := jpeg.Decode(&b)
	if err != nil {
		return nil, err
	}
	return raster.FromImage(m), nil
}

// A cameraView maps camera pixels to the screen.
type cameraView struct {
	screen *raster.RGB
	c      Camera
	w, h   int
	half   float64
	r      [3][3]float64 // rotation of the screen
	dist   float64       // of the screen, screen pixels
}

func newCameraView(s *raster.RGB, c Camera, w, h int) *cameraView {
	const deg = math.Pi / 180
	sx, cx := math.Sincos(c.TiltX * deg)
	sy, cy := math.Sincos(c.TiltY * deg)
	sr, cr := math.Sincos(c.Roll * deg)
	yaw := [3][3]float64{{cx, 0, sx}, {0, 1, 0}, {-sx, 0, cx}}
	pitch := [3][3]float64{{1, 0, 0}, {0, cy, -sy}, {0, sy, cy}}
	roll := [3][3]float64{{cr, -sr, 0}, {sr, cr, 0}, {0, 0, 1}}
	turned := times(roll, times(pitch, yaw))
	return &cameraView{s, c, w, h, math.Hypot(float64(w), float64(h)) / 2, turned, 1.8 * float64(s.Width)}
}

func times(a, b [3][3]float64) (c [3][3]float64) {
	for i := range 3 {
		for j := range 3 {
			for k := range 3 {
				c[i][j] += a[i][k] * b[k][j]
			}
		}
	}
	return c
}

// see fills the light of one camera pixel, the mean of four points.
func (v *cameraView) see(x, y int, out []float32) {
	for k := range 4 {
		px := float64(x) + 0.25 + 0.5*float64(k&1)
		py := float64(y) + 0.25 + 0.5*float64(k>>1)
		sx, sy := v.screenPoint(px, py)
		r, g, b := v.colour(sx, sy)
		out[0] += r / 4
		out[1] += g / 4
		out[2] += b / 4
	}
}

// screenPoint maps a camera point to screen coordinates.
func (v *cameraView) screenPoint(px, py float64) (float64, float64) {
	dx, dy := (px-float64(v.w)/2)/v.half, (py-float64(v.h)/2)/v.half
	// undo the distortion
	ux, uy := dx, dy
	for range 4 {
		k := 1 + v.c.Distortion*(ux*ux+uy*uy)
		ux, uy = dx/k, dy/k
	}
	f := v.dist * v.c.PixelsPerPixel
	ray := [3]float64{ux * v.half / f, uy * v.half / f, 1}
	// the screen plane: centre (0,0,dist), axes the first two columns of r
	n := [3]float64{v.r[0][2], v.r[1][2], v.r[2][2]}
	t := n[2] * v.dist / (n[0]*ray[0] + n[1]*ray[1] + n[2]*ray[2])
	q := [3]float64{ray[0] * t, ray[1] * t, ray[2]*t - v.dist}
	sx := v.r[0][0]*q[0] + v.r[1][0]*q[1] + v.r[2][0]*q[2]
	sy := v.r[0][1]*q[0] + v.r[1][1]*q[1] + v.r[2][1]*q[2]
	return sx + float64(v.screen.Width)/2, sy + float64(v.screen.Height)/2
}

// colour is the screen, a dark bezel around it, and a bench beyond.
func (v *cameraView) colour(x, y float64) (float32, float32, float32) {
	w, h := float64(v.screen.Width), float64(v.screen.Height)
	if x >= 0 && y >= 0 && x < w && y < h {
		i := 3 * (int(y)*v.screen.Width + int(x))
		return float32(v.screen.Pix[i]), float32(v.screen.Pix[i+1]), float32(v.screen.Pix[i+2])
	}
	edge := max(-x, x-w, -y, y-h)
	if edge < 0.05*w {
		return 18, 18, 20
	}
	s := float32(70 + 25*math.Sin(x/23)*math.Cos(y/31))
	return s * 1.1, s, s * 0.8
}

// smooth is a Gaussian of one standard deviation across and one down, for three
// samples a pixel. Beyond the edges the picture goes on as it ends.
func smooth(samples []float32, width, height int, across, down float64) {
	for channel := range 3 {
		for y := range height {
			smoothLine(samples[3*y*width+channel:], width, 3, across)
		}
		for x := range width {
			smoothLine(samples[3*x+channel:], height, 3*width, down)
		}
	}
}

// smoothLine smooths n samples that lie step apart.
func smoothLine(samples []float32, n, step int, sd float64) {
	if sd == 0 {
		return
	}
	reach := int(math.Ceil(3 * sd))
	weights := make([]float32, 2*reach+1)
	var total float32
	for i := range weights {
		weights[i] = float32(math.Exp(-float64((i-reach)*(i-reach)) / (2 * sd * sd)))
		total += weights[i]
	}
	line := make([]float32, n)
	for i := range n {
		for j, weight := range weights {
			line[i] += weight / total * samples[step*min(max(i+j-reach, 0), n-1)]
		}
	}
	for i, v := range line {
		samples[step*i] = v
	}
}
