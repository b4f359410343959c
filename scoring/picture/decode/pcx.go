package decode

import (
	"encoding/binary"
	"errors"

	"proveout/scoring/picture/raster"
)

// decodePCX reads the PCX variants that capture programs write: 1 bit with one
// to four planes, 2 and 4 bits with one plane, 8 bits with one plane (palette
// at the end, else grey) or three planes. Layout of the 128-byte header and of
// the run-length code: from memory.
func decodePCX(d []byte, limits Limits) (*raster.RGB, error) {
	if len(d) < 129 {
		return nil, errors.New("shorter than its header")
	}
	le := binary.LittleEndian
	bits, planes := int(d[3]), int(d[65])
	w := int(le.Uint16(d[8:])) - int(le.Uint16(d[4:])) + 1
	h := int(le.Uint16(d[10:])) - int(le.Uint16(d[6:])) + 1
	line := int(le.Uint16(d[66:]))
	if err := limits.check(w, h); err != nil {
		return nil, err
	}
	if !(bits == 1 && planes >= 1 && planes <= 4 || (bits == 2 || bits == 4) && planes == 1 || bits == 8 && (planes == 1 || planes == 3)) {
		return nil, errors.New("a combination of bits and planes that is not supported")
	}
	if line < (w*bits+7)/8 {
		return nil, errors.New("lines shorter than the picture is wide")
	}
	// A byte pair gives at most 63 bytes: a header that asks for more than the
	// file can hold is turned down before memory is taken.
	if int64(line)*int64(planes)*int64(h) > int64(len(d)-128)*63 {
		return nil, errors.New("cut off")
	}
	palette := pcxPalette(d, bits, planes)
	body := d[128:]
	p := raster.New(w, h)
	row := make([]byte, line*planes)
	var run, value byte
	for y := range h {
		for i := range row {
			if run == 0 {
				if len(body) == 0 {
					return nil, errors.New("cut off")
				}
				run, value = 1, body[0]
				body = body[1:]
				if d[2] == 1 && value >= 0xC0 {
					if len(body) == 0 {
						return nil, errors.New("cut off")
					}
					run, value = value&0x3F, body[0]
					body = body[1:]
					if run == 0 {
						return nil, errors.New("a run of no bytes")
					}
				}
			}
			row[i] = value
			run--
		}
		out := p.Pix[3*y*w : 3*(y+1)*w]
		for x := range w {
			if bits == 8 && planes == 3 {
				out[3*x], out[3*x+1], out[3*x+2] = row[x], row[line+x], row[2*line+x]
				continue
			}
			c := palette[pcxIndex(row, line, bits, planes, x)]
			copy(out[3*x:3*x+3], c[:])
		}
	}
	return p, nil
}

func pcxIndex(row []byte, line, bits, planes, x int) int {
	if bits == 8 {
		return int(row[x])
	}
	per := 8 / bits
	shift := (per - 1 - x%per) * bits
	v := 0
	for k := range planes {
		v |= int(row[k*line+x/per]>>shift) & (1<<bits - 1) << k
	}
	return v
}

func pcxPalette(d []byte, bits, planes int) (p [256][3]byte) {
	switch {
	case bits == 1 && planes == 1:
		p[1] = [3]byte{255, 255, 255}
	case bits == 8 && len(d) >= 128+769 && d[len(d)-769] == 12:
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
