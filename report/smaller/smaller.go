// Package smaller decodes photos as cameras write them straight to a fraction
// of their size.
//
// A baseline JPEG file (ITU-T T.81) and a length in pixels come in; a picture
// comes out whose longer side is at least that length, N/8 of the file's own
// size. Of each block of 8 × 8 samples only the lowest N × N frequencies are
// turned back into samples, so that a large photo takes a third of the time
// and no more memory than it has on paper. What is unusual about a file, or
// wrong with it, is not judged here: [Decode] then says no, and the caller
// reads the file whole.
package smaller

import (
	"encoding/binary"
	"image"
	"math"
)

// A component is one colour of a picture.
type component struct {
	id     byte
	h, v   int // samples in a unit of the scan, across and down
	quant  byte
	dc, ac byte
	before int32 // last constant term
	pix    []byte
	stride int
}

// A picture is a file in the reading.
type picture struct {
	data   []byte
	at     int
	w, h   int
	comps  []component
	quant  [4]*[64]int32 // in zigzag order
	dc, ac [4]*codes
	every  int // units between restarts; 0: none
}

// Decode reads a baseline JPEG file at N/8 of its size, N from 1 to 7 and no
// larger than needed for the longer side to have least pixels. The size of the
// result is rounded up. ok is false where the file must be read whole: it is
// not larger than that, is of another kind (progressive, of four colours, of
// 12 bits), or is damaged.
func Decode(data []byte, least int) (img *image.YCbCr, ok bool) {
	p := &picture{data: data, at: 2}
	if len(data) < 4 || data[0] != 0xFF || data[1] != 0xD8 || !p.head() {
		return nil, false
	}
	n := max(1, (8*least+max(p.w, p.h)-1)/max(p.w, p.h))
	if n > 7 || least < 1 {
		return nil, false
	}
	if img = p.room(n); img == nil || !p.scan(n) {
		return nil, false
	}
	return img, true
}

// head reads up to the start of the scan (T.81, B.2).
func (p *picture) head() bool {
	for p.at+4 <= len(p.data) {
		if p.data[p.at] != 0xFF {
			return false
		}
		kind, n := p.data[p.at+1], int(binary.BigEndian.Uint16(p.data[p.at+2:]))
		if n < 2 || p.at+2+n > len(p.data) {
			return false
		}
		body := p.data[p.at+4 : p.at+2+n]
		p.at += 2 + n
		good := true
		switch {
		case kind == 0xC0:
			good = p.frame(body)
		case kind == 0xC4:
			good = p.tables(body)
		case kind == 0xDB:
			good = p.quantizers(body)
		case kind == 0xDD:
			if good = len(body) == 2; good {
				p.every = int(binary.BigEndian.Uint16(body))
			}
		case kind == 0xDA:
			return p.start(body)
		case kind == 0xEE: // a transform of colours that is not the usual one
			good = len(body) < 12 || string(body[:5]) != "Adobe" || body[11] == 1
		case kind < 0xE0 || kind > 0xEF && kind != 0xFE:
			return false
		}
		if !good {
			return false
		}
	}
	return false
}

// frame reads the size and the colours: three, of which the last two have one
// sample in a unit.
func (p *picture) frame(b []byte) bool {
	if p.comps != nil || len(b) < 6 || b[0] != 8 || len(b) != 6+3*int(b[5]) {
		return false
	}
	p.h, p.w = int(binary.BigEndian.Uint16(b[1:])), int(binary.BigEndian.Uint16(b[3:]))
	n := int(b[5])
	if p.w == 0 || p.h == 0 || n != 3 {
		return false
	}
	for i := range n {
		c := component{id: b[6+3*i], h: int(b[7+3*i] >> 4), v: int(b[7+3*i] & 15), quant: b[8+3*i]}
		first := (c.h == 1 || c.h == 2) && (c.v == 1 || c.v == 2)
		if i == 0 && !first || i > 0 && (c.h != 1 || c.v != 1) || c.quant > 3 {
			return false
		}
		p.comps = append(p.comps, c)
	}
	return p.comps[0].id != 'R' // three colours named R, G, B are just that
}

func (p *picture) quantizers(b []byte) bool {
	for len(b) > 0 {
		wide, id := int(b[0]>>4), b[0]&15
		if id > 3 || wide > 1 || len(b) < 1+64<<wide {
			return false
		}
		q := new([64]int32)
		for i := range q {
			if wide == 1 {
				q[i] = int32(binary.BigEndian.Uint16(b[1+2*i:]))
			} else {
				q[i] = int32(b[1+i])
			}
		}
		p.quant[id] = q
		b = b[1+64<<wide:]
	}
	return true
}

func (p *picture) tables(b []byte) bool {
	for len(b) > 0 {
		if len(b) < 17 || b[0]&15 > 3 || b[0]>>4 > 1 {
			return false
		}
		n := 0
		for _, c := range b[1:17] {
			n += int(c)
		}
		if n == 0 || n > 256 || len(b) < 17+n {
			return false
		}
		t := newCodes(b[1:17], b[17:17+n])
		if t == nil {
			return false
		}
		if b[0]>>4 == 0 {
			p.dc[b[0]&15] = t
		} else {
			p.ac[b[0]&15] = t
		}
		b = b[17+n:]
	}
	return true
}

// start reads which tables the scan takes, which must be one of all colours.
func (p *picture) start(b []byte) bool {
	n := len(p.comps)
	if n == 0 || len(b) != 4+2*n || int(b[0]) != n || b[1+2*n] != 0 || b[2+2*n] != 63 || b[3+2*n] != 0 {
		return false
	}
	for i := range p.comps {
		c := &p.comps[i]
		c.dc, c.ac = b[2+2*i]>>4, b[2+2*i]&15
		if b[1+2*i] != c.id || c.dc > 3 || c.ac > 3 || p.dc[c.dc] == nil || p.ac[c.ac] == nil || p.quant[c.quant] == nil {
			return false
		}
	}
	return true
}

// units is how many units the scan has, across and down.
func (p *picture) units() (across, down int) {
	mw, mh := 8*p.comps[0].h, 8*p.comps[0].v
	return (p.w + mw - 1) / mw, (p.h + mh - 1) / mh
}

// room makes the picture that blocks of n × n samples fill.
func (p *picture) room(n int) *image.YCbCr {
	across, down := p.units()
	first := &p.comps[0]
	ratio := map[[2]int]image.YCbCrSubsampleRatio{{1, 1}: image.YCbCrSubsampleRatio444, {2, 1}: image.YCbCrSubsampleRatio422,
		{1, 2}: image.YCbCrSubsampleRatio440, {2, 2}: image.YCbCrSubsampleRatio420}[[2]int{first.h, first.v}]
	// A unit that no bit stands for cannot be: each block takes at least two.
	if blocks := across * down * (first.h*first.v + 2); blocks/4 > len(p.data) {
		return nil
	}
	whole := image.NewYCbCr(image.Rect(0, 0, across*first.h*n, down*first.v*n), ratio)
	for i, pix := range [][]byte{whole.Y, whole.Cb, whole.Cr} {
		p.comps[i].pix, p.comps[i].stride = pix, whole.CStride
	}
	first.stride = whole.YStride
	sub, _ := whole.SubImage(image.Rect(0, 0, (p.w*n+7)/8, (p.h*n+7)/8)).(*image.YCbCr)
	return sub
}

// scan reads the blocks, up to the end of the file.
func (p *picture) scan(n int) bool {
	t := newTransform(n)
	b := &bits{data: p.data, at: p.at}
	across, down := p.units()
	for unit := range across * down {
		if p.every > 0 && unit > 0 && unit%p.every == 0 {
			if !b.restart(byte(unit/p.every-1) & 7) {
				return false
			}
			for i := range p.comps {
				p.comps[i].before = 0
			}
		}
		ux, uy := unit%across, unit/across
		for i := range p.comps {
			c := &p.comps[i]
			for k := range c.h * c.v {
				if !p.block(b, c, t) {
					return false
				}
				x, y := (ux*c.h+k%c.h)*n, (uy*c.v+k/c.h)*n
				t.samples(c.pix[y*c.stride+x:], c.stride)
			}
		}
	}
	return b.end()
}

// zigzag gives the place of each term of a block, row by row (T.81, figure A.6).
var zigzag = [64]uint8{
	0, 1, 8, 16, 9, 2, 3, 10, 17, 24, 32, 25, 18, 11, 4, 5, 12, 19, 26, 33, 40, 48, 41, 34, 27, 20, 13, 6, 7, 14, 21, 28,
	35, 42, 49, 56, 57, 50, 43, 36, 29, 22, 15, 23, 30, 37, 44, 51, 58, 59, 52, 45, 38, 31, 39, 46, 53, 60, 61, 54, 47, 55, 62, 63,
}

// block reads the terms of one block (T.81, F.2.2) that the transform takes.
func (p *picture) block(b *bits, c *component, t *transform) bool {
	quant, ac := p.quant[c.quant], p.ac[c.ac]
	size, ok := b.code(p.dc[c.dc])
	if !ok || size > 11 {
		return false
	}
	c.before += b.value(size)
	t.clear()
	t.put(0, c.before*quant[0])
	for k := 1; k < 64; k++ {
		rs, ok := b.code(ac)
		if !ok {
			return false
		}
		run, size := int(rs>>4), rs&15
		if size == 0 {
			if run != 15 {
				break
			}
			k += 15
			continue
		}
		if k += run; k > 63 || size > 10 {
			return false
		}
		v := b.value(size)
		if at := zigzag[k]; t.takes[at] {
			t.put(at, v*quant[k])
		}
	}
	return !b.over()
}

// A transform turns the lowest n × n terms of a block into n × n samples: the
// inverse cosine transform of n points (T.81, A.3.3, with n for 8), which keeps
// the mean of a block.
type transform struct {
	n     int
	takes [64]bool
	cos   [8][8]float32 // by place and frequency, scaled
	terms [8][8]float32 // by row and column
	rows  int           // that hold a term
	cols  int
}

func newTransform(n int) *transform {
	t := &transform{n: n}
	for x := range n {
		for u := range n {
			c := math.Sqrt(2 / float64(n))
			if u == 0 {
				c = math.Sqrt(1 / float64(n))
			}
			t.cos[x][u] = float32(c * math.Cos(float64(2*x+1)*float64(u)*math.Pi/float64(2*n)) * math.Sqrt(float64(n)/8))
		}
	}
	for i := range t.takes {
		t.takes[i] = i/8 < n && i%8 < n
	}
	return t
}

func (t *transform) clear() {
	for y := range t.rows {
		clear(t.terms[y][:t.cols])
	}
	t.rows, t.cols = 0, 0
}

func (t *transform) put(at uint8, v int32) {
	y, x := int(at>>3), int(at&7)
	t.terms[y][x] = float32(v)
	t.rows, t.cols = max(t.rows, y+1), max(t.cols, x+1)
}

// samples writes the block.
func (t *transform) samples(pix []byte, stride int) {
	n := t.n
	if t.rows <= 1 && t.cols <= 1 {
		v := level(t.terms[0][0] * t.cos[0][0] * t.cos[0][0])
		for y := range n {
			row := pix[y*stride:][:n]
			for x := range row {
				row[x] = v
			}
		}
		return
	}
	var half [8][8]float32 // columns of samples, rows of terms
	var line [8]float32
	for v := range t.rows {
		t.points(t.terms[v][:t.cols], &line)
		for x := range n {
			half[x][v] = line[x]
		}
	}
	for x := range n {
		t.points(half[x][:t.rows], &line)
		for y := range n {
			pix[y*stride+x] = level(line[y])
		}
	}
}

// points turns a line of terms into n samples. Those of even frequency are the
// same from both ends of the line, those of odd frequency opposite.
func (t *transform) points(terms []float32, out *[8]float32) {
	n := t.n
	if n == 4 && len(terms) == 4 { // the commonest, written out
		a, b := t.cos[0][0]*terms[0], t.cos[0][2]*terms[2]
		c, d := t.cos[0][1]*terms[1]+t.cos[0][3]*terms[3], t.cos[1][1]*terms[1]+t.cos[1][3]*terms[3]
		out[0], out[1], out[2], out[3] = a+b+c, a-b+d, a-b-d, a+b-c
		return
	}
	for x := range (n + 1) / 2 {
		cos := &t.cos[x]
		even, odd := float32(0), float32(0)
		for u := 0; u < len(terms); u += 2 {
			even += terms[u] * cos[u&7]
		}
		for u := 1; u < len(terms); u += 2 {
			odd += terms[u] * cos[u&7]
		}
		out[x], out[n-1-x] = even+odd, even-odd
	}
}

// level is a sample as a byte.
func level(v float32) byte {
	return byte(min(255, max(0, v+128.5)))
}
