// Package decode reads captured pictures: PNG, JPEG, BMP, TIFF, PCX, TGA and
// raw frame-buffer dumps.
//
// A reader and limits come in, samples go out. The size that a file claims is
// checked from its header, before memory for the picture is taken.
package decode

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"io"

	"golang.org/x/image/bmp"
	"golang.org/x/image/tiff"

	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
)

// Limits bound what a file may ask for. A zero field takes the default.
type Limits struct {
	Bytes  int64 // of the file; default 256 MiB
	Pixels int64 // width times height; default 64 000 000
	Side   int   // width or height; default 20 000 pixels
}

func (l Limits) withDefaults() Limits {
	if l.Bytes <= 0 {
		l.Bytes = 256 << 20
	}
	if l.Pixels <= 0 {
		l.Pixels = 64_000_000
	}
	if l.Side <= 0 {
		l.Side = 20_000
	}
	return l
}

func (l Limits) check(w, h int) error {
	switch {
	case w <= 0 || h <= 0:
		return fmt.Errorf("the header says %d×%d pixels", w, h)
	case w > l.Side || h > l.Side || int64(w)*int64(h) > l.Pixels:
		return fmt.Errorf("the header says %d×%d pixels: %w (at most %d pixels and %d a side)", w, h, ErrTooLarge, l.Pixels, l.Side)
	}
	return nil
}

// Errors that callers may want to tell apart.
var (
	ErrTooLarge = errors.New("larger than the limit")
	ErrUnknown  = errors.New("not a PNG, JPEG, BMP, TIFF, PCX or TGA picture")
)

// Decode reads a picture and names its format: "png", "jpeg", "bmp", "tiff",
// "pcx" or "tga". A picture cut off in the middle is an error.
func Decode(r io.Reader, limits Limits) (*raster.RGB, string, error) {
	limits = limits.withDefaults()
	data, err := slurp(r, limits.Bytes)
	if err != nil {
		return nil, "", err
	}
	name := sniff(data)
	p, err := decodeAs(name, data, limits)
	if err != nil {
		if name == "" {
			return nil, "", err
		}
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			err = errors.New("it is cut off")
		}
		return nil, name, fmt.Errorf("reading a %s picture: %w", name, err)
	}
	return p, name, nil
}

// Raw reads a frame-buffer dump of the mode. Bytes after the picture are left
// alone; a dump that is too short is an error.
func Raw(r io.Reader, m pattern.Mode, limits Limits) (*raster.RGB, error) {
	limits = limits.withDefaults()
	if err := m.Check(); err != nil {
		return nil, err
	}
	if err := limits.check(m.Width, m.Height); err != nil {
		return nil, err
	}
	data, err := slurp(r, limits.Bytes)
	if err != nil {
		return nil, err
	}
	f, err := pattern.FromBytes(data, m)
	if err != nil {
		return nil, err
	}
	return f.RGB(), nil
}

func slurp(r io.Reader, limit int64) ([]byte, error) {
	data, err := io.ReadAll(io.LimitReader(r, limit+1))
	if err != nil {
		return nil, err
	}
	if int64(len(data)) > limit {
		return nil, fmt.Errorf("the file is %w of %d bytes", ErrTooLarge, limit)
	}
	return data, nil
}

// sniff names the format by the first bytes. TGA has none of its own: it is
// taken when the header is plausible.
func sniff(d []byte) string {
	switch {
	case bytes.HasPrefix(d, []byte("\x89PNG\r\n\x1a\n")):
		return "png"
	case bytes.HasPrefix(d, []byte("\xff\xd8\xff")):
		return "jpeg"
	case bytes.HasPrefix(d, []byte("BM")) && len(d) > 26:
		return "bmp"
	case bytes.HasPrefix(d, []byte("II*\x00")), bytes.HasPrefix(d, []byte("MM\x00*")):
		return "tiff"
	case len(d) > 128 && d[0] == 10 && d[1] <= 5 && d[2] <= 1 && (d[3] == 1 || d[3] == 2 || d[3] == 4 || d[3] == 8):
		return "pcx"
	}
	if _, err := readTGAHeader(d); err == nil {
		return "tga"
	}
	return ""
}

func decodeAs(name string, data []byte, limits Limits) (*raster.RGB, error) {
	switch name {
	case "png":
		return standard(data, limits, png.DecodeConfig, png.Decode)
	case "jpeg":
		return standard(data, limits, jpeg.DecodeConfig, jpeg.Decode)
	case "bmp":
		return standard(data, limits, bmp.DecodeConfig, bmp.Decode)
	case "tiff":
		return standard(data, limits, tiff.DecodeConfig, tiff.Decode)
	case "pcx":
		return decodePCX(data, limits)
	case "tga":
		return decodeTGA(data, limits)
	}
	return nil, ErrUnknown
}

// standard checks the size in the header, then decodes.
func standard(data []byte, limits Limits, config func(io.Reader) (image.Config, error), full func(io.Reader) (image.Image, error)) (*raster.RGB, error) {
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
	return raster.FromImage(m), nil
}
