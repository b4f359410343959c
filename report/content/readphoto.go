package content

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"image"
	_ "image/gif" // read by image.Decode, as are JPEG and PNG
	_ "image/jpeg"
	_ "image/png"

	"golang.org/x/image/draw"
	"golang.org/x/image/math/f64"
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
	right, bottom := float64(w), float64(h)
	// Where a point of the file lies in the upright picture: x' = m0·x + m1·y + m2,
	// y' = m3·x + m4·y + m5.
	m := [...]f64.Aff3{
		2: {-1, 0, right, 0, 1, 0},       // mirrored left to right
		3: {-1, 0, right, 0, -1, bottom}, // upside down
		4: {1, 0, 0, 0, -1, bottom},      // mirrored top to bottom
		5: {0, 1, 0, 1, 0, 0},            // mirrored along the falling diagonal
		6: {0, -1, right, 1, 0, 0},       // turned a quarter to the left
		7: {0, -1, right, -1, 0, bottom}, // mirrored along the rising diagonal
		8: {0, 1, 0, -1, 0, bottom},      // turned a quarter to the right
	}[o]
	out := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.NearestNeighbor.Transform(out, m, src, b, draw.Src, nil)
	return out
}
