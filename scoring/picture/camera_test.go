package picture

import (
	"bytes"
	"image"
	"image/jpeg"
	"math"
	"math/rand/v2"
	"sync"
	"testing"

	"proveout/scoring/memory"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
)

// A second card and camera, written from the convention alone: byte address 0
// sits on chip 0, lines D0–D7; lanes run upward across the bus; pixels are
// little-endian; levels are widened by bit replication. Nothing here calls
// package simulate, so an error in one does not hide in the other.

// A breakage is one fault of this card.
type breakage struct {
	kind        memory.Kind
	chip        int
	line, line2 int
	or          bool
}

// fields of the formats by hand: shift and bits of red, green, blue, then bytes.
func layoutOf(f pattern.Format) (shift, bits [3]int, size int) {
	switch f {
	case pattern.RGB565:
		return [3]int{11, 5, 0}, [3]int{5, 6, 5}, 2
	case pattern.RGB555:
		return [3]int{10, 5, 0}, [3]int{5, 5, 5}, 2
	case pattern.Palette8:
		return [3]int{5, 2, 0}, [3]int{3, 3, 2}, 1
	case pattern.RGB888:
		return [3]int{16, 8, 0}, [3]int{8, 8, 8}, 3
	}
	return [3]int{16, 8, 0}, [3]int{8, 8, 8}, 4
}

// brokenScreen is what a card with at most one fault, in its first bank, shows of
// a picture of the screen.
func brokenScreen(
	want *raster.RGB,
	f pattern.Format,
	org memory.Organisation,
	b *breakage,
	rng *rand.Rand,
) *raster.RGB {
	shift, width, size := layoutOf(f)
	n := want.Width * want.Height
	mem := make([]byte, n*size+64)
	for i := range n {
		v := uint32(0)
		for ch := range 3 {
			v |= uint32(want.Pix[3*i+ch]>>(8-width[ch])) << shift[ch]
		}
		for k := range size {
			mem[i*size+k] = byte(v >> (8 * k))
		}
	}
	if b != nil {
		beat := org.BusBits / 8
		for at := 0; at+beat <= len(mem) && int64(at) < org.BankBytes(); at += beat {
			get := func(line int) byte { l := b.chip*org.ChipBits + line; return mem[at+l/8] >> (l % 8) & 1 }
			put := func(line int, v byte) {
				l := b.chip*org.ChipBits + line
				mem[at+l/8] = mem[at+l/8]&^(1<<(l%8)) | v<<(l%8)
			}
			switch b.kind {
			case memory.LineStuck0:
				put(b.line, 0)
			case memory.LineStuck1:
				put(b.line, 1)
			case memory.LineOpen:
				put(b.line, byte(rng.Uint32()&1))
			case memory.LinesSwapped:
				x, y := get(b.line), get(b.line2)
				put(b.line, y)
				put(b.line2, x)
			case memory.LinesShorted:
				v := get(b.line) & get(b.line2)
				if b.or {
					v = get(b.line) | get(b.line2)
				}
				put(b.line, v)
				put(b.line2, v)
			case memory.ChipDead:
				for l := range org.ChipBits {
					put(l, 0)
				}
			}
		}
	}
	out := raster.New(want.Width, want.Height)
	for i := range n {
		v := uint32(0)
		for k := range size {
			v |= uint32(mem[i*size+k]) << (8 * k)
		}
		for ch := range 3 {
			x := v >> shift[ch] & (1<<width[ch] - 1)
			s := x << (8 - width[ch])
			for n := width[ch]; n < 8; n *= 2 { // replicate the upper bits into the lower
				s |= s >> n
			}
			out.Pix[3*i+ch] = uint8(s)
		}
	}
	return out
}

// A telephone is the second camera. Its lens is a pinhole with r(1+k r²) in
// units of the half width, its light falls off as cos⁴ of a field angle, its
// tones follow an exponent. What the lens blurs is light, of which the screen
// gives a power of its level.
type telephone struct {
	scale      float64 // camera pixels for one screen pixel, at the middle
	yaw, pitch float64 // degrees
	roll       float64
	lens       float64
	corner     float64 // share of light lost in the corners
	slope      float64
	blur       float64 // standard deviation, camera pixels
	noise      float64
	white      float64 // level of a white screen pixel in the middle
	black      float64
	tone       float64 // exponent on the light that falls on the sensor
	glow       float64 // exponent from the screen's level to its light
	stripes    float64 // depth of the red, green and blue stripes of the screen's pixels
	frame      uint8   // level of the frame around the screen
	quality    int
}

func anyTelephone(rng *rand.Rand) telephone {
	u := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	return telephone{
		scale:   u(3, 8),
		yaw:     u(-15, 15),
		pitch:   u(-15, 15),
		roll:    u(-3, 3),
		lens:    u(-0.03, 0.03),
		corner:  u(0, 0.4),
		slope:   u(-0.1, 0.1),
		blur:    u(0.5, 1.5),
		noise:   6,
		white:   u(190, 235),
		black:   u(0, 10),
		tone:    1,
		glow:    1,
		frame:   15,
		quality: 85,
	}
}

// trueTones lets the screen give light by the power 2.2 of its level, which the
// lens blurs and the camera codes by the inverse power, and gives its pixels red,
// green and blue stripes, which make moiré with the pixels of the camera.
func (c telephone) trueTones(stripes float64) telephone {
	c.glow, c.tone, c.stripes = 2.2, 1/2.2, stripes
	return c
}

// normals is a table of standard normal values, drawn at random from.
var normals = sync.OnceValue(func() *[1 << 16]float32 {
	t := new([1 << 16]float32)
	for i := range t {
		t[i] = float32(math.Sqrt2 * math.Erfinv(2*(float64(i)+0.5)/(1<<16)-1))
	}
	return t
})

// shoot takes the photograph: the screen in its frame on a bench.
func (c telephone) shoot(t testing.TB, s *raster.RGB, seed uint64) *raster.RGB {
	margin := 1.24 // the whole screen is in it
	w, h := int(float64(s.Width)*c.scale*margin)&^1, int(float64(s.Height)*c.scale*margin)&^1
	light := make([]float32, 3*w*h)
	m := c.towards(s)
	hw, hh := float64(w)/2, float64(h)/2
	var glow [256]float32
	for i := range glow {
		glow[i] = float32(255 * math.Pow(float64(i)/255, c.glow))
	}
	surround := glow[c.frame]
	bench := [3]float32{glow[110], glow[100], glow[90]}
	for y := range h {
		for x := range w {
			o := light[3*(y*w+x) : 3*(y*w+x)+3]
			for k := range 4 { // four points to the pixel
				px, py := float64(x)+0.25+0.5*float64(k&1)-hw, float64(y)+0.25+0.5*float64(k>>1)-hh
				r2 := (px*px + py*py) / (hw * hw)
				g := 1 + c.lens*r2 // towards the undistorted point
				px, py = px*g/c.scale, py*g/c.scale
				d := m[6]*px + m[7]*py + m[8]
				sx, sy := (m[0]*px+m[1]*py+m[2])/d, (m[3]*px+m[4]*py+m[5])/d
				if ix, iy := int(math.Floor(sx)), int(math.Floor(sy)); ix >= 0 && iy >= 0 && ix < s.Width &&
					iy < s.Height {
					q := s.Pix[3*(iy*s.Width+ix):]
					k := [3]float32{1, 1, 1}
					if c.stripes > 0 {
						for ch := range k {
							k[ch] += float32(c.stripes * math.Cos(2*math.Pi*(sx-float64(ix)-(float64(ch)+0.5)/3)))
						}
					}
					o[0] += k[0] * glow[q[0]]
					o[1] += k[1] * glow[q[1]]
					o[2] += k[2] * glow[q[2]]
				} else if frame := 0.04 * float64(s.Width); min(sx, sy) < -frame ||
					sx > float64(s.Width)+frame || sy > float64(s.Height)+frame {
					for ch := range 3 {
						o[ch] += bench[ch]
					}
				} else {
					for ch := range 3 {
						o[ch] += surround
					}
				}
			}
		}
	}
	soften(light, w, h, c.blur)
	var tone [1020*16 + 1]float32
	for i := range tone {
		tone[i] = float32((c.white - c.black) * math.Pow(float64(i)/(1020*16), c.tone))
	}
	z := normals()
	src := rand.NewPCG(seed, 77)
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	far := hw*hw + hh*hh
	for y := range h {
		dy := float64(y) - hh
		for x := range w {
			dx := float64(x) - hw
			k := 1 / (1 + (math.Sqrt(1/(1-c.corner))-1)*(dx*dx+dy*dy)/far)
			g := float32(k * k * (1 + c.slope*dx/hw))
			bits := src.Uint64()
			for ch := range 3 {
				v := light[3*(y*w+x)+ch]
				if c.tone != 1 {
					v = tone[min(1020*16, int(16*v+0.5))] * g
				} else {
					v *= float32((c.white-c.black)/1020) * g
				}
				v += float32(c.black) + float32(c.noise)*z[bits>>(16*ch)&0xFFFF]
				img.Pix[4*(y*w+x)+ch] = uint8(min(255, max(0, v+0.5)))
			}
			img.Pix[4*(y*w+x)+3] = 255
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, &jpeg.Options{Quality: c.quality}); err != nil {
		t.Fatal(err)
	}
	got, err := jpeg.Decode(&b)
	if err != nil {
		t.Fatal(err)
	}
	return raster.FromImage(got)
}

// towards is the homography from the camera, in screen pixels from its middle,
// to the screen: the camera stands two screen widths away, in front of the
// middle of the screen that is turned about it.
func (c telephone) towards(s *raster.RGB) [9]float64 {
	rad := math.Pi / 180
	sy, cy := math.Sincos(c.yaw * rad)
	sp, cp := math.Sincos(c.pitch * rad)
	sr, cr := math.Sincos(c.roll * rad)
	far := 2 * float64(s.Width)
	// axes of the screen in the camera's frame
	ex := [3]float64{cy * cr, cy * sr, -sy}
	ey := [3]float64{sp*sy*cr - cp*sr, sp*sy*sr + cp*cr, sp * cy}
	// A point (u,v) of the screen is seen at far·(u ex + v ey)/(far + (u ex + v ey)_z).
	a := [9]float64{far * ex[0], far * ey[0], 0, far * ex[1], far * ey[1], 0, ex[2], ey[2], far}
	i := [9]float64{
		a[4]*a[8] - a[5]*a[7], a[2]*a[7] - a[1]*a[8], a[1]*a[5] - a[2]*a[4],
		a[5]*a[6] - a[3]*a[8], a[0]*a[8] - a[2]*a[6], a[2]*a[3] - a[0]*a[5],
		a[3]*a[7] - a[4]*a[6], a[1]*a[6] - a[0]*a[7], a[0]*a[4] - a[1]*a[3]}
	for k := range 3 { // from the middle to the corner of the screen
		i[k] += i[6+k] * float64(s.Width) / 2
		i[3+k] += i[6+k] * float64(s.Height) / 2
	}
	return i
}

// soften smooths three interleaved channels by a Gaussian both ways.
func soften(p []float32, w, h int, sd float64) {
	if sd <= 0 {
		return
	}
	r := int(math.Ceil(2.6 * sd))
	k := make([]float32, r+1)
	total := float32(0)
	for i := range k {
		k[i] = float32(math.Exp(-float64(i*i) / (2 * sd * sd)))
		total += k[i]
		if i > 0 {
			total += k[i]
		}
	}
	for i := range k {
		k[i] /= total
	}
	row := make([]float32, 3*(w+2*r))
	for y := range h {
		line := p[3*y*w : 3*(y+1)*w]
		copy(row[3*r:], line)
		for i := range 3 * r {
			row[i], row[3*(w+r)+i] = line[i%3], line[3*w-3+i%3]
		}
		for i := range line {
			s := k[0] * row[i+3*r]
			for j := 1; j <= r; j++ {
				s += k[j] * (row[i+3*(r-j)] + row[i+3*(r+j)])
			}
			line[i] = s
		}
	}
	n := 3 * w
	keep := make([][]float32, r+1) // rows as they were, above the one at work
	for i := range keep {
		keep[i] = append([]float32(nil), p[:n]...)
	}
	for y := range h {
		line := p[y*n : (y+1)*n]
		old := keep[y%(r+1)]
		copy(old, line)
		for i := range line {
			line[i] *= k[0]
		}
		for j := 1; j <= r; j++ {
			up := keep[(y-j+8*(r+1))%(r+1)]
			down := p[min(y+j, h-1)*n : (min(y+j, h-1)+1)*n]
			if y+j > h-1 && y == h-1 {
				down = old
			}
			for i := range line {
				line[i] += k[j] * (up[i] + down[i])
			}
		}
	}
}
