// Package raster holds pictures as plain samples and reads them from files:
// PNG, JPEG, BMP, TIFF, PCX and TGA.
//
// A reader and limits come in, an [RGB] goes out; the size that a file claims is
// checked from its header, before memory for the picture is taken. A [Grid] is a
// picture whose samples were taken at chosen places of another one. The package
// knows nothing of colour management: samples are the values as captured.
package raster

import (
	"fmt"
	"image"
	"image/draw"
)

// An RGB is a picture of 8-bit samples, three a pixel in the order red, green,
// blue, rows from top to bottom without gaps.
type RGB struct {
	Width, Height int
	Pix           []uint8 // 3*Width*Height samples
}

// New returns a black picture. It panics when a side is not positive: sizes of
// files are checked by the decoders.
func New(width, height int) *RGB {
	if width <= 0 || height <= 0 {
		panic(fmt.Sprintf("raster: size %d×%d", width, height))
	}
	return &RGB{Width: width, Height: height, Pix: make([]uint8, 3*width*height)}
}

// At returns the samples of one pixel; outside the picture it is black.
func (p *RGB) At(x, y int) (r, g, b uint8) {
	if x < 0 || y < 0 || x >= p.Width || y >= p.Height {
		return 0, 0, 0
	}
	i := 3 * (y*p.Width + x)
	return p.Pix[i], p.Pix[i+1], p.Pix[i+2]
}

// Set stores the samples of one pixel; outside the picture it does nothing.
func (p *RGB) Set(x, y int, r, g, b uint8) {
	if x < 0 || y < 0 || x >= p.Width || y >= p.Height {
		return
	}
	i := 3 * (y*p.Width + x)
	p.Pix[i], p.Pix[i+1], p.Pix[i+2] = r, g, b
}

// Fill sets a rectangle, cut to the picture, to one colour.
func (p *RGB) Fill(x0, y0, x1, y1 int, r, g, b uint8) {
	for y := max(0, y0); y < min(p.Height, y1); y++ {
		for x := max(0, x0); x < min(p.Width, x1); x++ {
			p.Set(x, y, r, g, b)
		}
	}
}

// Clone returns a copy.
func (p *RGB) Clone() *RGB {
	return &RGB{Width: p.Width, Height: p.Height, Pix: append([]uint8(nil), p.Pix...)}
}

// Image returns the picture for the standard encoders.
func (p *RGB) Image() *image.RGBA {
	m := image.NewRGBA(image.Rect(0, 0, p.Width, p.Height))
	for i, j := 0, 0; i < len(p.Pix); i, j = i+3, j+4 {
		m.Pix[j], m.Pix[j+1], m.Pix[j+2], m.Pix[j+3] = p.Pix[i], p.Pix[i+1], p.Pix[i+2], 255
	}
	return m
}

// FromImage copies any decoded picture. Sixteen-bit samples keep their upper
// byte; transparency is laid over black.
func FromImage(m image.Image) *RGB {
	b := m.Bounds()
	p := New(b.Dx(), b.Dy())
	if s, ok := m.(*image.Paletted); ok {
		copyPaletted(p, s)
		return p
	}
	// A strip at a time: a telephone's picture takes enough memory as it is.
	strip := image.NewRGBA(image.Rect(0, 0, p.Width, min(p.Height, 64)))
	for top := 0; top < p.Height; top += strip.Rect.Dy() {
		draw.Draw(strip, strip.Rect, m, image.Pt(b.Min.X, b.Min.Y+top), draw.Src)
		out := p.Pix[3*top*p.Width : 3*min(p.Height, top+strip.Rect.Dy())*p.Width]
		for i, j := 0, 0; i < len(out); i, j = i+3, j+4 {
			copy(out[i:i+3], strip.Pix[j:j+3])
		}
	}
	return p
}

// copyPaletted copies indexed pixels; what lies outside the palette is black.
func copyPaletted(p *RGB, s *image.Paletted) {
	var table [256][3]uint8
	for i, c := range s.Palette {
		r, g, b, _ := c.RGBA()
		table[i] = [3]uint8{uint8(r >> 8), uint8(g >> 8), uint8(b >> 8)}
	}
	for y := range p.Height {
		o := 3 * y * p.Width
		for _, v := range s.Pix[y*s.Stride : y*s.Stride+p.Width] {
			copy(p.Pix[o:o+3], table[v][:])
			o += 3
		}
	}
}
