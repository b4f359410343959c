package content

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"image"
	"image/color"
	_ "image/gif" // read by image.Decode, as are JPEG and PNG
	_ "image/jpeg"
	_ "image/png"
)

// maxPixels bounds the memory a photo may ask for: 100 million pixels.
const maxPixels = 100_000_000

// ReadPhoto decodes a photo (JPEG, PNG of any depth, GIF) and turns it the way
// the camera was held, as its Exif orientation says (CIPA DC-008, tag 0x0112).
// Nothing else of the file's metadata is kept.
func ReadPhoto(data []byte) (image.Image, error) {
	cfg, kind, err := image.DecodeConfig(bytes.NewReader(data))
	if err != nil {
		return nil, fmt.Errorf("not a picture this program can read (JPEG, PNG or GIF): %w", err)
	}
	if n := int64(cfg.Width) * int64(cfg.Height); n > maxPixels || n <= 0 {
		return nil, fmt.Errorf("a picture of %d × %d pixels; at most %d million are read",
			cfg.Width, cfg.Height, maxPixels/1_000_000)
	}
	img, _, err := image.Decode(bytes.NewReader(data))
	if err != nil {
		return nil, fmt.Errorf("damaged %s picture: %w", kind, err)
	}
	if kind != "jpeg" {
		return img, nil
	}
	return upright(img, orientation(data)), nil
}

// orientation returns the Exif orientation of a JPEG file, 1 to 8; 1 where it
// has none.
func orientation(jpeg []byte) int {
	for p := 2; p+4 <= len(jpeg) && jpeg[p] == 0xFF; {
		kind, n := jpeg[p+1], int(binary.BigEndian.Uint16(jpeg[p+2:]))
		if kind == 0xDA || n < 2 || p+2+n > len(jpeg) {
			return 1
		}
		body := jpeg[p+4 : p+2+n]
		if kind == 0xE1 && bytes.HasPrefix(body, []byte("Exif\x00\x00")) {
			return tiffOrientation(body[6:])
		}
		p += 2 + n
	}
	return 1
}

func tiffOrientation(b []byte) int {
	if len(b) < 8 {
		return 1
	}
	var order binary.ByteOrder = binary.LittleEndian
	switch string(b[:4]) {
	case "II*\x00":
	case "MM\x00*":
		order = binary.BigEndian
	default:
		return 1
	}
	at := int64(order.Uint32(b[4:]))
	if at+2 > int64(len(b)) {
		return 1
	}
	n := int64(order.Uint16(b[at:]))
	for i := range n {
		e := at + 2 + 12*i
		if e+12 > int64(len(b)) {
			return 1
		}
		if order.Uint16(b[e:]) == 0x0112 {
			if o := int(order.Uint16(b[e+8:])); o >= 1 && o <= 8 {
				return o
			}
			return 1
		}
	}
	return 1
}

// upright turns and mirrors a picture by its Exif orientation.
func upright(src image.Image, o int) image.Image {
	if o <= 1 || o > 8 {
		return src
	}
	b := src.Bounds()
	w, h := b.Dx(), b.Dy()
	if o >= 5 {
		w, h = h, w
	}
	if y, ok := src.(*image.YCbCr); ok {
		if out := turnYCbCr(y, w, h, o); out != nil {
			return out
		}
	}
	out := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			sx, sy := turned(x, y, w, h, o)
			out.Set(x, y, color.RGBAModel.Convert(src.At(b.Min.X+sx, b.Min.Y+sy)))
		}
	}
	return out
}

// turned is where in the file the sample stands that belongs at x, y of the
// turned picture of w × h samples.
func turned(x, y, w, h, o int) (sx, sy int) {
	switch o {
	case 2: // mirrored left to right
		return w - 1 - x, y
	case 3: // upside down
		return w - 1 - x, h - 1 - y
	case 4: // mirrored top to bottom
		return x, h - 1 - y
	case 5: // mirrored along the falling diagonal
		return y, x
	case 6: // turned a quarter to the left
		return y, w - 1 - x
	case 7: // mirrored along the rising diagonal
		return h - 1 - y, w - 1 - x
	case 8: // turned a quarter to the right
		return h - 1 - y, x
	}
	return x, y
}

// turnYCbCr turns a photo as cameras store it, plane by plane, into one of w × h
// samples; nil where the colours are stored in an uncommon way.
func turnYCbCr(src *image.YCbCr, w, h, o int) *image.YCbCr {
	ratio := src.SubsampleRatio
	switch {
	case ratio == image.YCbCrSubsampleRatio444, ratio == image.YCbCrSubsampleRatio420:
	case ratio == image.YCbCrSubsampleRatio422 && o >= 5:
		ratio = image.YCbCrSubsampleRatio440
	case ratio == image.YCbCrSubsampleRatio440 && o >= 5:
		ratio = image.YCbCrSubsampleRatio422
	case ratio != image.YCbCrSubsampleRatio422 && ratio != image.YCbCrSubsampleRatio440:
		return nil
	}
	out := image.NewYCbCr(image.Rect(0, 0, w, h), ratio)
	plane := func(dst []byte, dstStride, w, h int, src []byte, stride int) {
		for y := range h {
			row := dst[y*dstStride:][:w]
			for x := range row {
				sx, sy := turned(x, y, w, h, o)
				row[x] = src[sy*stride+sx]
			}
		}
	}
	b := src.Rect
	plane(out.Y, out.YStride, w, h, src.Y[src.YOffset(b.Min.X, b.Min.Y):], src.YStride)
	cw, ch := chroma(out)
	at := src.COffset(b.Min.X, b.Min.Y)
	plane(out.Cb, out.CStride, cw, ch, src.Cb[at:], src.CStride)
	plane(out.Cr, out.CStride, cw, ch, src.Cr[at:], src.CStride)
	return out
}
