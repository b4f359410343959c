package pattern

import (
	"cmp"
	"errors"
	"math"
	"math/bits"
	"slices"

	"proveout/scoring/picture/raster"
)

// The identification is a word of 64 bits: 48 of content and 16 of checksum
// (CRC-16/CCITT, polynomial 0x1021, start 0xFFFF; ITU-T V.41 polynomial, from
// memory). It is laid out as 64 columns of cells in a strip along the top and
// again along the bottom edge. A cell column is split in two halves, white over
// black for a 1 and black over white for a 0, so that neither gain nor offset
// nor uneven light matters. The two strips, the checksum and the strengths of
// the cells together put right what a fault or noise has damaged.
const codeBits = 64

// pack returns the identification word of a pattern.
func (p Pattern) pack() uint64 {
	format := 1 + slices.Index(Formats(), p.Mode.Format)
	w := uint64(p.Kind)&63 | uint64(p.Variant)&1023<<6 |
		uint64(p.Mode.Width)&8191<<16 | uint64(p.Mode.Height)&8191<<29 | uint64(format)&7<<42 | 5<<45
	return w | uint64(checksum(w))<<48
}

// unpack is the inverse of pack; it reports false for a word that is none.
func unpack(w uint64) (Pattern, bool) {
	content := w & (1<<48 - 1)
	if checksum(content) != uint16(w>>48) || content>>45 != 5 {
		return Pattern{}, false
	}
	format := int(w >> 42 & 7)
	if format < 1 || format > len(Formats()) {
		return Pattern{}, false
	}
	p := Pattern{
		Mode: Mode{Width: int(w >> 16 & 8191), Height: int(w >> 29 & 8191), Format: Formats()[format-1]},
		Kind: Kind(w & 63), Variant: int(w >> 6 & 1023),
	}
	return p, p.Check() == nil
}

func checksum(w uint64) uint16 {
	crc := uint16(0xFFFF)
	for i := range 48 {
		bit := uint16(w>>(47-i)) & 1
		top := crc >> 15
		crc <<= 1
		if top^bit != 0 {
			crc ^= 0x1021
		}
	}
	return crc
}

// A Layout is where the marks and the identification lie on the screen, in
// pixels of the mode.
type Layout struct {
	Unit  int // side of one module of a corner mark
	Mark  int // side of a corner mark with its gap: 8 modules
	CellW int // width of one cell of the identification
	CellX int // left edge of the first cell
	CellH int // height of half a cell
}

// Layout returns the places of marks and identification in the mode.
func (m Mode) Layout() Layout {
	u := max(2, (m.Height+75)/150)
	for u > 2 && (m.Width-16*u) < codeBits*2 {
		u--
	}
	l := Layout{Unit: u, Mark: 8 * u}
	l.CellW = (m.Width - 2*l.Mark) / codeBits
	l.CellX = (m.Width - codeBits*l.CellW) / 2
	l.CellH = 7 * u / 2
	return l
}

// MarkCentres returns the centres of the four corner marks in pixel
// coordinates (pixel x covers x to x+1): top left, top right, bottom left,
// bottom right.
func (m Mode) MarkCentres() [4][2]float64 {
	c := 3.5 * float64(m.Layout().Unit)
	w, h := float64(m.Width), float64(m.Height)
	return [4][2]float64{{c, c}, {w - c, c}, {c, h - c}, {w - c, h - c}}
}

// ReadIdentity reads the identification. brightness returns the mean
// brightness, on any scale, of a rectangle given in pixel coordinates of the
// screen mode m; only the size of m is used. It fails when neither strip nor
// both together give a word with a right checksum.
func ReadIdentity(m Mode, brightness func(x0, y0, x1, y1 float64) float64) (Pattern, error) {
	l := m.Layout()
	var strips [2][codeBits]float64
	for s := range strips {
		top := 0.0
		if s == 1 {
			top = float64(m.Height - 2*l.CellH)
		}
		for i := range codeBits {
			x0 := float64(l.CellX+i*l.CellW) + 0.2*float64(l.CellW)
			x1 := x0 + 0.6*float64(l.CellW)
			h := float64(l.CellH)
			strips[s][i] = brightness(x0, top+0.2*h, x1, top+0.8*h) - brightness(x0, top+1.2*h, x1, top+1.8*h)
		}
	}
	var both [codeBits]float64
	for i := range both {
		both[i] = strips[0][i] + strips[1][i]
	}
	for _, soft := range [][codeBits]float64{both, strips[0], strips[1]} {
		if p, ok := decide(soft); ok {
			return p, nil
		}
	}
	return Pattern{}, errors.New("no identification found in the strips at the top and bottom of the picture")
}

// Identify reads the identification of a picture that shows a screen edge to
// edge, one pixel for each of the screen.
func Identify(p *raster.RGB) (Pattern, error) {
	m := Mode{Width: p.Width, Height: p.Height, Format: RGB888} // only its size counts
	if err := m.Check(); err != nil {
		return Pattern{}, err
	}
	return ReadIdentity(m, MeanOf(func(x, y int) float64 {
		r, g, b := p.At(x, y)
		return float64(r) + float64(g) + float64(b)
	}))
}

// MeanOf returns the mean of single pixels over a rectangle, as [ReadIdentity]
// asks for it.
func MeanOf(at func(x, y int) float64) func(x0, y0, x1, y1 float64) float64 {
	return func(x0, y0, x1, y1 float64) float64 {
		var sum, n float64
		for y := int(y0); y <= int(y1); y++ {
			for x := int(x0); x <= int(x1); x++ {
				sum += at(x, y)
				n++
			}
		}
		return sum / max(1, n)
	}
}

// decide turns cell strengths into a word; when the checksum is wrong it tries
// the weakest cells both ways, one and two and three at a time.
func decide(soft [codeBits]float64) (Pattern, bool) {
	var w uint64
	order := make([]int, codeBits)
	for i, v := range soft {
		order[i] = i
		if v > 0 {
			w |= 1 << i
		}
	}
	if p, ok := unpack(w); ok {
		return p, true
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Compare(math.Abs(soft[a]), math.Abs(soft[b])) })
	const weak = 8
	for set := 1; set < 1<<weak; set++ {
		if bits.OnesCount(uint(set)) > 3 {
			continue
		}
		t := w
		for k := range weak {
			if set>>k&1 == 1 {
				t ^= 1 << order[k]
			}
		}
		if p, ok := unpack(t); ok {
			return p, true
		}
	}
	return Pattern{}, false
}

// drawFurniture draws the corner marks and both identification strips.
func (p Pattern) drawFurniture(f *Frame) {
	l := p.Mode.Layout()
	w, h := p.Mode.Width, p.Mode.Height
	white := p.Mode.Format.Mask()
	f.fill(0, 0, w, l.Mark, 0)
	f.fill(0, h-l.Mark, w, h, 0)
	word := p.pack()
	for i := range codeBits {
		x := l.CellX + i*l.CellW
		for s := range 2 {
			top := s * (h - 2*l.CellH)
			if word>>i&1 == 0 {
				top += l.CellH
			}
			f.fill(x, top, x+l.CellW, top+l.CellH, white)
		}
	}
	for _, c := range [4][2]int{{0, 0}, {w - l.Mark, 0}, {0, h - l.Mark}, {w - l.Mark, h - l.Mark}} {
		f.fill(c[0], c[1], c[0]+l.Mark, c[1]+l.Mark, 0)
	}
	for _, c := range [4][2]int{{0, 0}, {w - 7*l.Unit, 0}, {0, h - 7*l.Unit}, {w - 7*l.Unit, h - 7*l.Unit}} {
		for ring, colour := range []uint32{white, 0, white} {
			d := ring * l.Unit
			f.fill(c[0]+d, c[1]+d, c[0]+7*l.Unit-d, c[1]+7*l.Unit-d, colour)
		}
	}
}
