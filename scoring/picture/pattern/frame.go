package pattern

import (
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/color"
	"io"

	"proveout/scoring/picture/raster"
)

// A Frame is a picture as it lies in the frame buffer.
type Frame struct {
	Pattern Pattern // zero when the picture is not one of ours
	Mode    Mode
	Codes   []uint32 // one pixel each, Mode.Width*Mode.Height
}

func (f *Frame) fill(x0, y0, x1, y1 int, code uint32) {
	for y := max(0, y0); y < min(f.Mode.Height, y1); y++ {
		for x := max(0, x0); x < min(f.Mode.Width, x1); x++ {
			f.Codes[y*f.Mode.Width+x] = code
		}
	}
}

// RGB returns the samples that the screen shows.
func (f *Frame) RGB() *raster.RGB {
	p := raster.New(f.Mode.Width, f.Mode.Height)
	for channel, field := range f.Mode.Format.Fields() {
		var shown [256]uint8
		for level := range field.Mask() + 1 {
			shown[level] = Widen(level, field.Bits)
		}
		for i, code := range f.Codes {
			p.Pix[3*i+channel] = shown[field.Of(code)&255]
		}
	}
	return p
}

// Bytes returns the frame buffer: Mode.Bytes() bytes, little-endian pixels.
func (f *Frame) Bytes() []byte {
	out := make([]byte, 0, f.Mode.Bytes())
	n := f.Mode.Format.Bytes()
	for _, code := range f.Codes {
		for k := range n {
			out = append(out, byte(code>>(8*k)))
		}
	}
	return out
}

// FromBytes reads a frame buffer. Bits that are not shown are kept.
func FromBytes(b []byte, m Mode) (*Frame, error) {
	if err := m.Check(); err != nil {
		return nil, err
	}
	if int64(len(b)) < m.Bytes() {
		return nil, fmt.Errorf("frame buffer of %d bytes is shorter than the %d bytes of %s", len(b), m.Bytes(), m)
	}
	f := &Frame{Mode: m, Codes: make([]uint32, m.Width*m.Height)}
	n := m.Format.Bytes()
	for i := range f.Codes {
		var four [4]byte
		copy(four[:n], b[i*n:])
		f.Codes[i] = binary.LittleEndian.Uint32(four[:])
	}
	return f, nil
}

// ReadDump reads a dump of the frame buffer. Bytes behind the picture are left
// alone; a dump that is too short is an error.
func ReadDump(r io.Reader, m Mode) (*Frame, error) {
	if err := m.Check(); err != nil {
		return nil, err
	}
	b, err := io.ReadAll(io.LimitReader(r, m.Bytes()))
	if err != nil {
		return nil, err
	}
	return FromBytes(b, m)
}

// FromRGB reads a picture of the screen as a frame of the format. Samples that
// the format cannot show are an error.
func FromRGB(p *raster.RGB, format Format) (*Frame, error) {
	m := Mode{Width: p.Width, Height: p.Height, Format: format}
	if err := m.Check(); err != nil {
		return nil, err
	}
	f := &Frame{Mode: m, Codes: make([]uint32, p.Width*p.Height)}
	for i := range f.Codes {
		r, g, b := p.Pix[3*i], p.Pix[3*i+1], p.Pix[3*i+2]
		f.Codes[i] = format.code(r, g, b)
		if r2, g2, b2 := format.show(f.Codes[i]); r2 != r || g2 != g || b2 != b {
			return nil, fmt.Errorf("pixel %d,%d is %d,%d,%d, which %s cannot show",
				i%p.Width, i/p.Width, r, g, b, format)
		}
	}
	return f, nil
}

// ErrForeign says that a picture carries no identification of ours.
var ErrForeign = errors.New("the picture is not one of the test patterns: " +
	"name its pixel format to use it all the same")

// Recognise reads a pattern file: it reads the identification, draws the
// pattern it names, and insists that every pixel agrees.
func Recognise(p *raster.RGB) (*Frame, error) {
	found, err := Identify(p)
	if err != nil {
		return nil, fmt.Errorf("%w (%w)", ErrForeign, err)
	}
	if found.Mode.Width != p.Width || found.Mode.Height != p.Height {
		return nil, fmt.Errorf("the picture is %d×%d, its identification says %s: it was scaled or cut",
			p.Width, p.Height, found.Mode)
	}
	f, err := found.Render()
	if err != nil {
		return nil, err
	}
	for i, v := range f.RGB().Pix {
		if v != p.Pix[i] {
			return nil, fmt.Errorf("the picture says it is %s of %s, but differs from it at pixel %d,%d",
				found.Name(), found.Mode, i/3%p.Width, i/3/p.Width)
		}
	}
	return f, nil
}

// Image returns the picture for encoders: with a palette for 8-bit modes.
func (f *Frame) Image() image.Image {
	if f.Mode.Format != Palette8 {
		return f.RGB().Image()
	}
	m := image.NewPaletted(image.Rect(0, 0, f.Mode.Width, f.Mode.Height), palette())
	for i, code := range f.Codes {
		m.Pix[i] = uint8(code)
	}
	return m
}

// palette returns the palette that the 8-bit patterns are made for: entry i
// shows bits 7–5 as red, 4–2 as green and 1–0 as blue, each widened by bit
// replication.
func palette() color.Palette {
	p := make(color.Palette, 256)
	for i := range p {
		r, g, b := Palette8.show(uint32(i))
		p[i] = color.RGBA{r, g, b, 255}
	}
	return p
}
