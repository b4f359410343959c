package raster

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"io"
	"slices"

	"golang.org/x/image/bmp"
	"golang.org/x/image/tiff"
)

// Limits bound what a file may ask for.
type Limits struct {
	Bytes  int64 // of the file
	Pixels int64 // width times height
	Side   int   // width or height, pixels
}

func (l Limits) check(w, h int) error {
	switch {
	case w <= 0 || h <= 0:
		return fmt.Errorf("the header says %d×%d pixels", w, h)
	case w > l.Side || h > l.Side || int64(w)*int64(h) > l.Pixels:
		return fmt.Errorf("the header says %d×%d pixels: %w (at most %d pixels and %d a side)",
			w, h, errTooLarge, l.Pixels, l.Side)
	}
	return nil
}

// Errors that callers may want to tell apart.
var (
	errTooLarge = errors.New("larger than the limit")
	ErrUnknown  = errors.New("not a PNG, JPEG, BMP, TIFF, PCX or TGA picture")
)

// A fileFormat is one kind of picture file: how its first bytes look, and how it
// is read.
type fileFormat struct {
	name   string
	begins func(data []byte) bool
	decode func(data []byte, limits Limits) (*RGB, error)
}

// fileFormats lists the formats in the order in which they are tried. TGA has no
// first bytes of its own: it comes last, and is taken when the header is
// plausible.
func fileFormats() []fileFormat {
	prefix := func(texts ...string) func([]byte) bool {
		return func(data []byte) bool {
			return slices.ContainsFunc(texts, func(s string) bool { return bytes.HasPrefix(data, []byte(s)) })
		}
	}
	return []fileFormat{
		{"png", prefix("\x89PNG\r\n\x1a\n"), standard(png.DecodeConfig, png.Decode)},
		{"jpeg", prefix("\xff\xd8\xff"), standard(jpeg.DecodeConfig, jpeg.Decode)},
		{"bmp", prefix("BM"), standard(bmp.DecodeConfig, bmp.Decode)},
		{"tiff", prefix("II*\x00", "MM\x00*"), standard(tiff.DecodeConfig, tiff.Decode)},
		{"pcx", beginsLikePCX, decodePCX},
		{"tga", func(data []byte) bool { _, err := readTGAHeader(data); return err == nil }, decodeTGA},
	}
}

// Decode reads a picture and names its format: "png", "jpeg", "bmp", "tiff",
// "pcx" or "tga". A picture cut off in the middle is an error.
func Decode(r io.Reader, limits Limits) (*RGB, string, error) {
	data, err := io.ReadAll(io.LimitReader(r, limits.Bytes+1))
	if err != nil {
		return nil, "", err
	}
	if int64(len(data)) > limits.Bytes {
		return nil, "", fmt.Errorf("the file is %w of %d bytes", errTooLarge, limits.Bytes)
	}
	for _, f := range fileFormats() {
		if !f.begins(data) {
			continue
		}
		p, err := f.decode(data, limits)
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			err = errors.New("it is cut off")
		}
		if err != nil {
			err = fmt.Errorf("reading a %s picture: %w", f.name, err)
		}
		return p, f.name, err
	}
	return nil, "", ErrUnknown
}

// standard reads with a library that can tell the size from the header.
func standard(
	config func(io.Reader) (image.Config, error),
	full func(io.Reader) (image.Image, error),
) func([]byte, Limits) (*RGB, error) {
	return func(data []byte, limits Limits) (*RGB, error) {
		c, err := config(bytes.NewReader(data))
		if err != nil {
			return nil, err
		}
		if err := limits.check(c.Width, c.Height); err != nil {
			return nil, err
		}
		m, err := full(bytes.NewReader(data))
		if err != nil {
			return nil, err
		}
		if b := m.Bounds(); b.Dx() != c.Width || b.Dy() != c.Height {
			return nil, errors.New("the picture has another size than its header says")
		}
		return FromImage(m), nil
	}
}
