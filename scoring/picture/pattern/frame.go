package pattern

import (
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io"

	"golang.org/x/image/bmp"

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
	fl := f.Mode.Format.Fields()
	var table [3][256]uint8
	for ch := range 3 {
		for v := range 1 << fl[ch].Bits {
			table[ch][v] = Widen(uint32(v), fl[ch].Bits)
		}
	}
	for ch, t := range table {
		shift, mask := fl[ch].Shift, uint32(1<<fl[ch].Bits-1)
		for i, c := range f.Codes {
			p.Pix[3*i+ch] = t[c>>shift&mask&255]
		}
	}
	return p
}

// Bytes returns the frame buffer: Mode.Bytes() bytes, little-endian pixels,
// zero between the end of a line and the next.
func (f *Frame) Bytes() []byte {
	out := make([]byte, f.Mode.Bytes())
	n := f.Mode.Format.Bytes()
	for y := range f.Mode.Height {
		at := f.Mode.Address(0, y)
		row := out[at : at+int64(n*f.Mode.Width)]
		for _, c := range f.Codes[y*f.Mode.Width : (y+1)*f.Mode.Width] {
			for k := range row[:n] {
				row[k] = byte(c >> (8 * k))
			}
			row = row[n:]
		}
	}
	return out
}

// FromBytes reads a frame buffer. Bits that are not shown are kept.
func FromBytes(b []byte, m Mode) (*Frame, error) {
	if err := m.Check(); err != nil {
		return nil, err
	}
	n := m.Format.Bytes()
	need := m.Address(m.Width-1, m.Height-1) + int64(n)
	if int64(len(b)) < need {
		return nil, fmt.Errorf("frame buffer of %d bytes is shorter than the %d bytes of %s", len(b), need, m)
	}
	f := &Frame{Mode: m, Codes: make([]uint32, m.Width*m.Height)}
	for y := range m.Height {
		for x := range m.Width {
			a := m.Address(x, y)
			var four [4]byte
			copy(four[:n], b[a:])
			f.Codes[y*m.Width+x] = binary.LittleEndian.Uint32(four[:])
		}
	}
	return f, nil
}

// FromRGB reads a picture of the screen as a frame of the format, and says in
// Frame.Pattern which of our patterns it is, pixel for pixel. Samples that the
// format cannot show are an error.
func FromRGB(p *raster.RGB, format Format) (*Frame, error) {
	m := Mode{Width: p.Width, Height: p.Height, Format: format}
	if err := m.Check(); err != nil {
		return nil, err
	}
	f := &Frame{Mode: m, Codes: make([]uint32, p.Width*p.Height)}
	for i := range f.Codes {
		r, g, b := p.Pix[3*i], p.Pix[3*i+1], p.Pix[3*i+2]
		f.Codes[i] = format.Code(r, g, b)
		if r2, g2, b2 := format.Show(f.Codes[i]); r2 != r || g2 != g || b2 != b {
			return nil, fmt.Errorf("pixel %d,%d is %d,%d,%d, which %s cannot show", i%p.Width, i/p.Width, r, g, b, format)
		}
	}
	return f, nil
}

// ErrForeign says that a picture carries no identification of ours.
var ErrForeign = errors.New("the picture is not one of the test patterns: name its pixel format to use it all the same")

// Recognise reads a pattern file: it reads the identification, draws the
// pattern it names, and insists that every pixel agrees.
func Recognise(p *raster.RGB) (*Frame, error) {
	m := Mode{Width: p.Width, Height: p.Height, Format: RGB888}
	if err := m.Check(); err != nil {
		return nil, err
	}
	found, err := ReadIdentity(m, func(x0, y0, x1, y1 float64) float64 {
		var sum, n float64
		for y := int(y0 + 0.5); y < max(int(y1+0.5), int(y0+0.5)+1); y++ {
			for x := int(x0 + 0.5); x < max(int(x1+0.5), int(x0+0.5)+1); x++ {
				r, g, b := p.At(x, y)
				sum += float64(r) + float64(g) + float64(b)
				n++
			}
		}
		return sum / n
	})
	if err != nil {
		return nil, fmt.Errorf("%w (%w)", ErrForeign, err)
	}
	if found.Mode.Width != p.Width || found.Mode.Height != p.Height {
		return nil, fmt.Errorf("the picture is %d×%d, its identification says %s: it was scaled or cut", p.Width, p.Height, found.Mode)
	}
	f, err := found.Render()
	if err != nil {
		return nil, err
	}
	want := f.RGB()
	for i, v := range want.Pix {
		if v != p.Pix[i] {
			return nil, fmt.Errorf("the picture says it is %s of %s, but differs from it at pixel %d,%d", found.Name(), found.Mode, i/3%p.Width, i/3/p.Width)
		}
	}
	return f, nil
}

// WritePNG writes the picture as PNG: with a palette for 8-bit modes, else 24
// bits.
func (f *Frame) WritePNG(w io.Writer) error {
	e := png.Encoder{CompressionLevel: png.BestSpeed}
	return e.Encode(w, f.image())
}

// WriteBMP writes the picture as BMP: with a palette for 8-bit modes, else 24
// bits.
func (f *Frame) WriteBMP(w io.Writer) error { return bmp.Encode(w, f.image()) }

// WriteRaw writes the frame buffer.
func (f *Frame) WriteRaw(w io.Writer) error {
	_, err := w.Write(f.Bytes())
	return err
}

func (f *Frame) image() image.Image {
	if f.Mode.Format != Palette8 {
		return f.RGB().Image()
	}
	m := image.NewPaletted(image.Rect(0, 0, f.Mode.Width, f.Mode.Height), Palette())
	for i, c := range f.Codes {
		m.Pix[i] = uint8(c)
	}
	return m
}

// Palette returns the palette that the 8-bit patterns are made for: entry i
// shows bits 7–5 as red, 4–2 as green and 1–0 as blue, each widened by bit
// replication.
func Palette() color.Palette {
	p := make(color.Palette, 256)
	for i := range p {
		r, g, b := Palette8.Show(uint32(i))
		p[i] = color.RGBA{r, g, b, 255}
	}
	return p
}
