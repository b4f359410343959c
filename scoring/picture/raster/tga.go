package raster

import (
	"encoding/binary"
	"errors"
)

// A tgaHeader is the 18-byte header of a TGA file (field layout from memory).
type tgaHeader struct {
	idBytes, mapEntries, mapBits, mapFirst int
	kind                                   byte // 1 palette, 2 colour, 3 grey
	coded                                  bool // run-length
	width, height, bits                    int
	rightToLeft, topDown                   bool
}

const tgaHeaderBytes = 18

func readTGAHeader(d []byte) (tgaHeader, error) {
	bad := errors.New("not a TGA header")
	if len(d) < tgaHeaderBytes || d[1] > 1 {
		return tgaHeader{}, bad
	}
	le := binary.LittleEndian
	h := tgaHeader{
		idBytes: int(d[0]), mapFirst: int(le.Uint16(d[3:])), mapEntries: int(le.Uint16(d[5:])), mapBits: int(d[7]),
		kind: d[2] &^ 8, coded: d[2]&8 != 0,
		width: int(le.Uint16(d[12:])), height: int(le.Uint16(d[14:])), bits: int(d[16]),
		rightToLeft: d[17]&0x10 != 0, topDown: d[17]&0x20 != 0,
	}
	hasMap := d[1] == 1
	colourBits := func(n int) bool { return n == 15 || n == 16 || n == 24 || n == 32 }
	ok := h.width > 0 && h.height > 0 && d[17]&0xC0 == 0 && (hasMap || h.mapEntries == 0)
	switch h.kind {
	case 1:
		ok = ok && hasMap && h.bits == 8 && colourBits(h.mapBits)
	case 2:
		ok = ok && colourBits(h.bits)
	case 3:
		ok = ok && h.bits == 8
	default:
		ok = false
	}
	if !ok {
		return tgaHeader{}, bad
	}
	return h, nil
}

func decodeTGA(d []byte, limits Limits) (*RGB, error) {
	h, err := readTGAHeader(d)
	if err != nil {
		return nil, err
	}
	if err := limits.check(h.width, h.height); err != nil {
		return nil, err
	}
	mapAt := tgaHeaderBytes + h.idBytes
	bodyAt := mapAt + h.mapEntries*((h.mapBits+7)/8)
	if len(d) < bodyAt {
		return nil, errCutOff
	}
	table, body := d[mapAt:bodyAt], d[bodyAt:]
	size, pixels := (h.bits+7)/8, h.width*h.height
	// A packet gives at most 128 pixels: what cannot be in the file is turned
	// down before memory is taken.
	if !h.coded && len(body) < pixels*size || h.coded && len(body)/(size+1)*128 < pixels-128 {
		return nil, errCutOff
	}
	p := New(h.width, h.height)
	left, repeat := 0, false // of the present packet
	for i := range pixels {
		if h.coded && left == 0 {
			if len(body) < 1 {
				return nil, errCutOff
			}
			left, repeat = int(body[0]&0x7F)+1, body[0]&0x80 != 0
			body = body[1:]
		}
		if len(body) < size {
			return nil, errCutOff
		}
		r, g, b, err := h.colour(body[:size], table)
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
		if !h.coded || !repeat || left == 0 {
			body = body[size:]
		}
	}
	return p, nil
}

// colour reads one pixel, through the palette where there is one.
func (h *tgaHeader) colour(pixel, table []byte) (r, g, b uint8, err error) {
	if h.kind == 1 {
		size := (h.mapBits + 7) / 8
		i := (int(pixel[0]) - h.mapFirst) * size
		if i < 0 || i+size > len(table) {
			return 0, 0, 0, errors.New("a pixel outside its palette")
		}
		pixel = table[i : i+size]
	}
	switch len(pixel) {
	case 1:
		return pixel[0], pixel[0], pixel[0], nil
	case 2:
		v := binary.LittleEndian.Uint16(pixel)
		widened := func(v uint16) uint8 { return uint8(v&31<<3 | v&31>>2) }
		return widened(v >> 10), widened(v >> 5), widened(v), nil
	}
	return pixel[2], pixel[1], pixel[0], nil
}
