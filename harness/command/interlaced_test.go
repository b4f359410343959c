package command_test

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"hash/crc32"
)

// interlacedPNG makes an interlaced RGB picture, which the standard library
// reads and does not write.
//
// Source: W3C, Portable Network Graphics (PNG) Specification, 8.1 (the seven
// passes) and 11.2 (chunks).
func interlacedPNG(w, h int) []byte {
	var raw bytes.Buffer
	z := zlib.NewWriter(&raw)
	for _, p := range []struct{ x, y, dx, dy int }{
		{0, 0, 8, 8}, {4, 0, 8, 8}, {0, 4, 4, 8}, {2, 0, 4, 4}, {0, 2, 2, 4}, {1, 0, 2, 2}, {0, 1, 1, 2},
	} {
		if p.x >= w {
			continue
		}
		for y := p.y; y < h; y += p.dy {
			z.Write([]byte{0}) // no filter
			for x := p.x; x < w; x += p.dx {
				z.Write([]byte{byte(x * 4), byte(y * 5), 90})
			}
		}
	}
	z.Close()
	var out bytes.Buffer
	out.WriteString("\x89PNG\r\n\x1a\n")
	chunk := func(kind string, data []byte) {
		binary.Write(&out, binary.BigEndian, uint32(len(data)))
		body := append([]byte(kind), data...)
		out.Write(body)
		binary.Write(&out, binary.BigEndian, crc32.ChecksumIEEE(body))
	}
	head := binary.BigEndian.AppendUint32(nil, uint32(w))
	head = binary.BigEndian.AppendUint32(head, uint32(h))
	chunk("IHDR", append(head, 8, 2, 0, 0, 1)) // 8 bit, RGB, interlaced
	chunk("IDAT", raw.Bytes())
	chunk("IEND", nil)
	return out.Bytes()
}
