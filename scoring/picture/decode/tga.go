package decode

import (
	"encoding/binary"
	"errors"

	"proveout/scoring/picture/raster"
)

// A tgaHeader is the 18-byte header of a TGA file (field layout from memory).
type tgaHeader struct {
	id, mapLength, mapBits, mapFirst int
	kind                             byte // 1 palette, 2 colour, 3 grey; +8 run-length coded
	width, height, bits              int
	rightToLeft, topDown             bool
}

func readTGAHeader(d []byte) (tgaHeader, error) {
	bad := errors.New("not a TGA header")
	if len(d) < 18 || d[1] > 1 {
		return tgaHeader{}, bad
	}
	le := binary.LittleEndian
	h := tgaHeader{
		id: int(d[0]), mapFirst: int(le.Uint16(d[3:])), mapLength: int(le.Uint16(d[5:])), mapBits: int(d[7]),
		kind: d[2], width: int(le.Uint16(d[12:])), height: int(le.Uint16(d[14:])), bits: int(d[16]),
		rightToLeft: d[17]&0x10 != 0, topDown: d[17]&0x20 != 0,
	}
	if d[17]&0xC0 != 0 || h.width == 0 || h.height == 0 {
		return tgaHeader{}, bad
	}
	ok := false
	switch h.kind &^ 8 {
	case 1:
		ok = d[1] == 1 && h.bits == 8 && (h.mapBits == 15 || h.mapBits == 16 || h.mapBits == 24 || h.mapBits == 32)
	case 2:
		ok = h.bits == 15 || h.bits == 16 || h.bits == 24 || h.bits == 32
	case 3:
		ok = h.bits == 8
	}
	if !ok || d[1] == 0 && h.mapLength != 0 {
		return tgaHeader{}, bad
	}
	return h, nil
}

func decodeTGA(d []byte, limits Limits) (*raster.RGB, error) {
	h, err := readTGAHeader(d)
	if err != nil {
		return nil, err
	}
	if err := limits.check(h.width, h.height); err != nil {
		return nil, err
	}
	cut := errors.New("cut off")
	entry := (h.mapBits + 7) / 8
	start := 18 + h.id
	if len(d) < start+h.mapLength*entry {
		return nil, cut
	}
	table := d[start : start+h.mapLength*entry]
	body := d[start+h.mapLength*entry:]
	n := (h.bits + 7) / 8
	pixels := h.width * h.height
	coded := h.kind&8 != 0
	if !coded && len(body) < pixels*n || coded && len(body)/(n+1)*128 < pixels-128 {
		return nil, cut
	}
	colour := func(b []byte) (r, g, bl uint8, err error) {
		if h.kind&^8 == 1 {
			i := (int(b[0]) - h.mapFirst) * entry
			if i < 0 || i+entry > len(table) {
				return 0, 0, 0, errors.New("a pixel outside its palette")
			}
			b = table[i : i+entry]
		}
		switch len(b) {
		case 1:
			return b[0], b[0], b[0], nil
		case 2:
			v := binary.LittleEndian.Uint16(b)
			five := func(v uint16) uint8 { return uint8(v&31<<3 | v&31>>2) }
			return five(v >> 10), five(v >> 5), five(v), nil
		}
		return b[2], b[1], b[0], nil
	}
	p := raster.New(h.width, h.height)
	left, repeat := 0, false
	for i := range pixels {
		if coded && left == 0 {
			if len(body) < 1 {
				return nil, cut
			}
			left, repeat = int(body[0]&0x7F)+1, body[0]&0x80 != 0
			body = body[1:]
		}
		if len(body) < n {
			return nil, cut
		}
		r, g, b, err := colour(body[:n])
		if err != nil {
			return nil, err
		}
		x, y := i%h.width, i/h.width
		if h.rightToLeft {
			x = h.width - 1 - x
		}
		if !h.topDown {
			y = h.height - 1 - y
		}
		p.Set(x, y, r, g, b)
		left--
		if !coded || !repeat || left == 0 {
			body = body[n:]
		}
	}
	return p, nil
}
