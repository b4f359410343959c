package pattern

import (
	"errors"
	"fmt"
	"strings"
)

// A Format says how a pixel lies in the frame buffer. Pixels are little-endian.
type Format int

// The pixel formats. The zero value is none of them.
const (
	RGB565   Format = iota + 1 // 16 bits: red 15–11, green 10–5, blue 4–0
	RGB555                     // 16 bits: red 14–10, green 9–5, blue 4–0, bit 15 not shown
	Palette8                   // 8 bits through a palette: red 7–5, green 4–2, blue 1–0
	RGB888                     // 24 bits: red 23–16, green 15–8, blue 7–0
	XRGB8888                   // 32 bits: as RGB888, bits 31–24 not shown
)

// Formats lists every pixel format.
func Formats() []Format { return []Format{RGB565, RGB555, Palette8, RGB888, XRGB8888} }

// String returns the short name that [ParseFormat] reads.
func (f Format) String() string {
	switch f {
	case RGB565:
		return "rgb565"
	case RGB555:
		return "rgb555"
	case Palette8:
		return "palette8"
	case RGB888:
		return "rgb888"
	case XRGB8888:
		return "xrgb8888"
	}
	return "unknown"
}

// ParseFormat reads the name of a format.
func ParseFormat(s string) (Format, error) {
	for _, f := range Formats() {
		if strings.EqualFold(s, f.String()) {
			return f, nil
		}
	}
	return 0, fmt.Errorf("pixel format %q is not one of rgb565, rgb555, palette8, rgb888, xrgb8888", s)
}

// A Field is where one colour channel lies in a pixel.
type Field struct{ Shift, Bits int }

// Fields returns the places of red, green and blue.
func (f Format) Fields() [3]Field {
	switch f {
	case RGB565:
		return [3]Field{{11, 5}, {5, 6}, {0, 5}}
	case RGB555:
		return [3]Field{{10, 5}, {5, 5}, {0, 5}}
	case Palette8:
		return [3]Field{{5, 3}, {2, 3}, {0, 2}}
	case RGB888, XRGB8888:
		return [3]Field{{16, 8}, {8, 8}, {0, 8}}
	}
	return [3]Field{}
}

// Bytes returns the bytes of one pixel.
func (f Format) Bytes() int {
	switch f {
	case RGB565, RGB555:
		return 2
	case Palette8:
		return 1
	case RGB888:
		return 3
	case XRGB8888:
		return 4
	}
	return 0
}

// Mask returns the bits of a pixel that are shown on the screen.
func (f Format) Mask() uint32 {
	var m uint32
	for _, fl := range f.Fields() {
		m |= (1<<fl.Bits - 1) << fl.Shift
	}
	return m
}

// Widen turns a level of a channel with the given bits (1 to 8) into 8 bits by
// bit replication.
func Widen(level uint32, bits int) uint8 {
	v := level << (8 - bits)
	for n := bits; n < 8; n += bits {
		v |= v >> n
	}
	return uint8(v)
}

// Show returns the 8-bit samples that a pixel puts on the screen.
func (f Format) Show(code uint32) (r, g, b uint8) {
	fl := f.Fields()
	return Widen(code>>fl[0].Shift&(1<<fl[0].Bits-1), fl[0].Bits),
		Widen(code>>fl[1].Shift&(1<<fl[1].Bits-1), fl[1].Bits),
		Widen(code>>fl[2].Shift&(1<<fl[2].Bits-1), fl[2].Bits)
}

// Code returns the pixel whose shown samples are nearest below or at r, g, b:
// the upper bits of each. It is the exact inverse of [Format.Show].
func (f Format) Code(r, g, b uint8) uint32 {
	fl := f.Fields()
	return uint32(r)>>(8-fl[0].Bits)<<fl[0].Shift |
		uint32(g)>>(8-fl[1].Bits)<<fl[1].Shift |
		uint32(b)>>(8-fl[2].Bits)<<fl[2].Shift
}

// A Mode is a screen mode with a linear frame buffer that begins at byte
// address 0 (or wherever the caller places it).
type Mode struct {
	Width, Height int // pixels
	Format        Format
	Stride        int // bytes from one line to the next; 0 means Width*Format.Bytes()
}

// LineBytes returns the bytes from one line to the next.
func (m Mode) LineBytes() int {
	if m.Stride != 0 {
		return m.Stride
	}
	return m.Width * m.Format.Bytes()
}

// Address returns the byte address of a pixel, from the start of the buffer.
func (m Mode) Address(x, y int) int64 {
	return int64(y)*int64(m.LineBytes()) + int64(x)*int64(m.Format.Bytes())
}

// Bytes returns the size of the frame buffer.
func (m Mode) Bytes() int64 { return int64(m.Height) * int64(m.LineBytes()) }

// The smallest and largest sides of a mode that a pattern can be made for.
const (
	MinWidth  = 160
	MinHeight = 120
	MaxSide   = 8191
)

// Check reports what makes the mode impossible.
func (m Mode) Check() error {
	var errs []error
	if m.Width < MinWidth || m.Width > MaxSide {
		errs = append(errs, fmt.Errorf("width %d is not within %d to %d", m.Width, MinWidth, MaxSide))
	}
	if m.Height < MinHeight || m.Height > MaxSide {
		errs = append(errs, fmt.Errorf("height %d is not within %d to %d", m.Height, MinHeight, MaxSide))
	}
	if m.Format.Bytes() == 0 {
		errs = append(errs, errors.New("no pixel format"))
	}
	if m.Stride != 0 && m.Stride < m.Width*m.Format.Bytes() {
		errs = append(errs, fmt.Errorf("stride %d bytes is less than a line of %d bytes", m.Stride, m.Width*m.Format.Bytes()))
	}
	return errors.Join(errs...)
}

// String returns for example "1024x768 rgb565".
func (m Mode) String() string { return fmt.Sprintf("%dx%d %s", m.Width, m.Height, m.Format) }

// ParseMode reads "1024x768" and a format.
func ParseMode(size string, f Format) (Mode, error) {
	m := Mode{Format: f}
	var tail string
	n, _ := fmt.Sscanf(size, "%dx%d%s", &m.Width, &m.Height, &tail)
	if n != 2 {
		return Mode{}, fmt.Errorf("picture size %q is not of the form 1024x768", size)
	}
	return m, m.Check()
}
