package command_test

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"math/rand/v2"
	"os"
	"strconv"

	"github.com/rogpeppe/go-internal/testscript"
)

func number(ts *testscript.TestScript, text string) int {
	n, err := strconv.Atoi(text)
	ts.Check(err)
	return n
}

// cmdTruncated writes the first bytes of a file: truncated FROM TO N.
func cmdTruncated(ts *testscript.TestScript, neg bool, args []string) {
	data := ts.ReadFile(args[0])
	n := number(ts, args[2])
	if n >= len(data) {
		ts.Fatalf("%s has only %d bytes", args[0], len(data))
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[1]), []byte(data[:n]), 0o644))
}

// cmdDamaged compares copies of a picture with random bytes changed, and wants
// an answer each time: damaged FILE TIMES.
func cmdDamaged(ts *testscript.TestScript, neg bool, args []string) {
	whole := []byte(ts.ReadFile(args[0]))
	rng := rand.New(rand.NewPCG(7, uint64(len(whole))))
	times := number(ts, args[1])
	if !allChecks() {
		times = min(times, 6)
	}
	for range times {
		data := bytes.Clone(whole)
		for range 1 + rng.IntN(8) {
			at := rng.IntN(len(data))
			if rng.IntN(2) == 0 {
				at = rng.IntN(min(64, len(data)))
			}
			data[at] = byte(rng.Uint32())
		}
		name := "damaged-" + args[0]
		ts.Check(os.WriteFile(ts.MkAbs(name), data, 0o644))
		if err := ts.Exec("proveout", "picture", "compare", "--pattern", "grid@320x240x16", "--capture", name); err == nil {
			continue
		}
		said := ts.ReadFile("stderr")
		soundMessage(ts, said)
		if said == "" && ts.ReadFile("stdout") == "" {
			ts.Fatalf("nothing was said of %s", name)
		}
	}
}

// cmdHugePNG writes a PNG whose header claims a size: hugepng FILE WIDTH HEIGHT.
func cmdHugePNG(ts *testscript.TestScript, neg bool, args []string) {
	var b bytes.Buffer
	b.WriteString("\x89PNG\r\n\x1a\n")
	chunk := func(kind string, data []byte) {
		binary.Write(&b, binary.BigEndian, uint32(len(data)))
		body := append([]byte(kind), data...)
		b.Write(body)
		binary.Write(&b, binary.BigEndian, crc32.ChecksumIEEE(body))
	}
	head := binary.BigEndian.AppendUint32(nil, uint32(number(ts, args[1])))
	head = binary.BigEndian.AppendUint32(head, uint32(number(ts, args[2])))
	chunk("IHDR", append(head, 8, 2, 0, 0, 0))
	chunk("IDAT", []byte{0x78, 0x9c, 0x01})
	chunk("IEND", nil)
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), b.Bytes(), 0o644))
}
