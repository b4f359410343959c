package raster

import (
	"encoding/binary"
	"errors"
)

var errCutOff = errors.New("cut off")

// pcxHeaderBytes is the size of the header of a PCX file. Its layout and the
// run-length code are from memory.
const pcxHeaderBytes = 128

// beginsLikePCX reports whether a file begins with a PCX header: the mark, and
// version, coding and bits as the format has them.
func beginsLikePCX(d []byte) bool {
	if len(d) <= pcxHeaderBytes {
		return false
	}
	mark, version, coding, bits := d[0], d[1], d[2], d[3]
	return mark == 10 && version <= 5 && coding <= 1 && (bits == 1 || bits == 2 || bits == 4 || bits == 8)
}

// decodePCX reads the PCX variants that capture programs write: 1 bit with one
// to four planes, 2 and 4 bits with one plane, 8 bits with one plane (palette
// at the end, else grey) or three planes.
func decodePCX(d []byte, limits Limits) (*RGB, error) {
	if len(d) <= pcxHeaderBytes {
		return nil, errors.New("shorter than its header")
	}
	le := binary.LittleEndian
	bits, planes := int(d[3]), int(d[65])
	width := int(le.Uint16(d[8:])) - int(le.Uint16(d[4:])) + 1
	height := int(le.Uint16(d[10:])) - int(le.Uint16(d[6:])) + 1
	planeBytes := int(le.Uint16(d[66:])) // of one plane of one row
	if err := limits.check(width, height); err != nil {
		return nil, err
	}
	indexed := bits == 1 && planes >= 1 && planes <= 4 || planes == 1 && (bits == 2 || bits == 4 || bits == 8)
	if !indexed && !(bits == 8 && planes == 3) {
		return nil, errors.New("a combination of bits and planes that is not supported")
	}
	if planeBytes < (width*bits+7)/8 {
		return nil, errors.New("lines shorter than the picture is wide")
	}
	// A byte pair gives at most 63 bytes: a header that asks for more than the
	// file can hold is turned down before memory is taken.
	if int64(planeBytes)*int64(planes)*int64(height) > int64(len(d)-pcxHeaderBytes)*63 {
		return nil, errCutOff
	}
	palette := pcxPalette(d, bits, planes)
	body := pcxBody{rest: d[pcxHeaderBytes:], coded: d[2] == 1}
	p := New(width, height)
	row := make([]byte, planeBytes*planes)
	for y := range height {
		if err := body.read(row); err != nil {
			return nil, err
		}
		for x := range width {
			out := p.Pix[3*(y*width+x):][:3]
			if indexed {
				copy(out, palette[pcxIndex(row, planeBytes, bits, planes, x)][:])
				continue
			}
			out[0], out[1], out[2] = row[x], row[planeBytes+x], row[2*planeBytes+x]
		}
	}
	return p, nil
}

// A pcxBody undoes the run-length code. Runs may go on from one row to the next.
type pcxBody struct {
	rest  []byte
	coded bool
	left  byte // of the present run
	value byte
}

func (b *pcxBody) read(row []byte) error {
	next := func() (v byte, err error) {
		if len(b.rest) == 0 {
			return 0, errCutOff
		}
		v, b.rest = b.rest[0], b.rest[1:]
		return v, nil
	}
	for i := range row {
		if b.left == 0 {
			v, err := next()
			if err != nil {
				return err
			}
			b.left, b.value = 1, v
			if b.coded && v >= 0xC0 {
				if b.left = v & 0x3F; b.left == 0 {
					return errors.New("a run of no bytes")
				}
				if b.value, err = next(); err != nil {
					return err
				}
			}
		}
		row[i] = b.value
		b.left--
	}
	return nil
}

// pcxIndex puts together the index of one pixel, of whose bits each plane holds
// a part.
func pcxIndex(row []byte, planeBytes, bits, planes, x int) int {
	perByte := 8 / bits
	shift := (perByte - 1 - x%perByte) * bits
	index := 0
	for k := range planes {
		index |= int(row[k*planeBytes+x/perByte]>>shift) & (1<<bits - 1) << k
	}
	return index
}

func pcxPalette(d []byte, bits, planes int) (p [256][3]byte) {
	switch {
	case bits == 1 && planes == 1:
		p[1] = [3]byte{255, 255, 255}
	case bits == 8 && len(d) >= pcxHeaderBytes+769 && d[len(d)-769] == 12: // the mark of a palette behind the picture
		for i := range 256 {
			copy(p[i][:], d[len(d)-768+3*i:])
		}
	case bits == 8:
		for i := range 256 {
			p[i] = [3]byte{byte(i), byte(i), byte(i)}
		}
	default:
		for i := range 16 {
			copy(p[i][:], d[16+3*i:])
		}
	}
	return p
}
