package pattern

import (
	"errors"
	"fmt"
)

// A Format says how a pixel lies in the frame buffer, by the depth that display
// modes name it by. Pixels are little-endian.
type Format int

// The pixel formats. The zero value is none of them.
const (
	Palette8 Format = 8  // one byte, through a palette: red 7–5, green 4–2, blue 1–0
	RGB555   Format = 15 // two bytes: red 14–10, green 9–5, blue 4–0, bit 15 not shown
	RGB565   Format = 16 // two bytes: red 15–11, green 10–5, blue 4–0
	RGB888   Format = 24 // three bytes: red 23–16, green 15–8, blue 7–0
	XRGB8888 Format = 32 // four bytes: as RGB888, bits 31–24 not shown
)

// Formats lists every pixel format, in the order in which identifications number
// them from 1.
func Formats() []Format { return []Format{RGB565, RGB555, Palette8, RGB888, XRGB8888} }

// String returns for example "rgb565".
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

// A Field is where one colour channel lies in a pixel.
type Field struct{ Shift, Bits int }

// Mask returns the highest level of the field, at its lower end.
func (f Field) Mask() uint32 { return 1<<f.Bits - 1 }

// Of returns the level that a pixel holds in the field.
func (f Field) Of(code uint32) uint32 { return code >> f.Shift & f.Mask() }

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

// Bytes returns the bytes of one pixel; 0 for a format that is none.
func (f Format) Bytes() int {
	if f.Fields() == [3]Field{} {
		return 0
	}
	return (int(f) + 7) / 8
}

// Mask returns the bits of a pixel that are shown on the screen.
func (f Format) Mask() uint32 {
	var m uint32
	for _, field := range f.Fields() {
		m |= field.Mask() << field.Shift
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

// show returns the 8-bit samples that a pixel puts on the screen.
func (f Format) show(code uint32) (r, g, b uint8) {
	fields := f.Fields()
	return Widen(fields[0].Of(code), fields[0].Bits),
		Widen(fields[1].Of(code), fields[1].Bits),
		Widen(fields[2].Of(code), fields[2].Bits)
}

// code returns the pixel whose shown samples are nearest below or at r, g, b:
// the upper bits of each. It is the exact inverse of [Format.show].
func (f Format) code(r, g, b uint8) uint32 {
	var code uint32
	for channel, field := range f.Fields() {
		level := [3]uint8{r, g, b}[channel]
		code |= uint32(level) >> (8 - field.Bits) << field.Shift
	}
	return code
}

// A Mode is a screen mode with a linear frame buffer that begins at byte
// address 0 (or wherever the caller places it), line after line without gaps.
type Mode struct {
	Width, Height int // pixels
	Format        Format
}

// LineBytes returns the bytes from one line to the next.
func (m Mode) LineBytes() int { return m.Width * m.Format.Bytes() }

// Bytes returns the size of the frame buffer.
func (m Mode) Bytes() int64 { return int64(m.Height) * int64(m.LineBytes()) }

// The smallest and largest sides of a mode that a pattern can be made for.
const (
	minWidth  = 160
	minHeight = 120
	maxSide   = 8191
)

// Check reports what makes the mode impossible.
func (m Mode) Check() error {
	var errs []error
	if m.Width < minWidth || m.Width > maxSide {
		errs = append(errs, fmt.Errorf("width %d is not within %d to %d", m.Width, minWidth, maxSide))
	}
	if m.Height < minHeight || m.Height > maxSide {
		errs = append(errs, fmt.Errorf("height %d is not within %d to %d", m.Height, minHeight, maxSide))
	}
	if m.Format.Bytes() == 0 {
		errs = append(errs, errors.New("no pixel format"))
	}
	return errors.Join(errs...)
}

// String returns the mode as plans write it: "1024x768x16".
func (m Mode) String() string { return fmt.Sprintf("%dx%dx%d", m.Width, m.Height, int(m.Format)) }
