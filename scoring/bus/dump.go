package bus

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"
)

// A ConfigSpace is the configuration space of one device as it was dumped.
type ConfigSpace struct {
	Address string         // "01:00.0", "0000:01:00.0"; empty when the dump does not say
	Bytes   []byte         // 64 to 4096 bytes from offset 0
	Sizing  map[int]uint32 // what a base address register read back after all ones were written, by register offset
	Sizes   map[int]int64  // sizes that the dump states in words, by region number
}

// Limits of a dump.
const (
	minConfig  = 64
	maxConfig  = 4096
	maxDevices = 4096
)

// A DumpError is a line of a dump that cannot be read.
type DumpError struct {
	Line int // from 1
	What string
}

func (e *DumpError) Error() string { return fmt.Sprintf("line %d: %s", e.Line, e.What) }

// ParseConfig reads configuration spaces: raw bytes of one device (64, 256 or
// 4096), or text in which rows of hexadecimal bytes follow their offset, with
// a line "01:00.0 …" before each device. Rows may have their bytes apart or in
// groups of two or four, a "0x" before the offset and characters behind the
// bytes. Lines that are no rows are passed over, except
//
//	sizing 10: fe000008          what the register at 0x10 read back after all ones
//	Region 0: … [size=32M]       a size in words
//
// It returns all problems it finds, joined, and whatever could be read.
func ParseConfig(data []byte) ([]ConfigSpace, error) {
	if isRaw(data) {
		switch len(data) {
		case minConfig, 128, 256, maxConfig:
			return []ConfigSpace{{Bytes: bytes.Clone(data)}}, nil
		}
		return nil, fmt.Errorf("raw configuration space of %d bytes is not 64, 128, 256 or 4096", len(data))
	}
	p := dumpParser{}
	for len(data) > 0 && p.err() == nil {
		line, rest, _ := bytes.Cut(data, []byte("\n"))
		data = rest
		p.line++
		p.take(strings.TrimRight(string(line[:min(len(line), 1024)]), "\r \t"))
	}
	return p.finish()
}

// isRaw tells raw bytes from text.
func isRaw(data []byte) bool {
	head := data[:min(len(data), maxConfig)]
	return bytes.IndexByte(head, 0) >= 0 || !utf8.Valid(head) && len(data) <= maxConfig
}

type dumpParser struct {
	line    int
	devices []ConfigSpace
	start   []int // line of each device
	errs    []error
}

// err stops the reading when there is too much of anything.
func (p *dumpParser) err() error {
	if len(p.errs) >= 20 || len(p.devices) > maxDevices {
		return errors.New("too many")
	}
	return nil
}

func (p *dumpParser) problem(what string, args ...any) {
	p.errs = append(p.errs, &DumpError{p.line, fmt.Sprintf(what, args...)})
}

func (p *dumpParser) open(address string) *ConfigSpace {
	p.devices = append(p.devices, ConfigSpace{Address: address})
	p.start = append(p.start, p.line)
	return &p.devices[len(p.devices)-1]
}

func (p *dumpParser) current() *ConfigSpace {
	if len(p.devices) == 0 {
		return p.open("")
	}
	return &p.devices[len(p.devices)-1]
}

func (p *dumpParser) take(line string) {
	if a := deviceAddress(line); a != "" {
		p.open(a)
		return
	}
	if at, value, ok := sizingLine(line); ok {
		d := p.current()
		if d.Sizing == nil {
			d.Sizing = map[int]uint32{}
		}
		d.Sizing[at] = value
		return
	}
	if n, size, ok := regionLine(line); ok && len(p.devices) > 0 {
		d := p.current()
		if d.Sizes == nil {
			d.Sizes = map[int]int64{}
		}
		d.Sizes[n] = size
		return
	}
	at, row, ok := hexRow(line)
	if !ok {
		return
	}
	d := p.current()
	if at == 0 && len(d.Bytes) > 0 { // the next device without a line of its own
		d = p.open("")
	}
	switch {
	case at != len(d.Bytes):
		p.problem("the row at 0x%x follows 0x%x bytes: a row is missing or repeated", at, len(d.Bytes))
	case at+len(row) > maxConfig:
		p.problem("the row at 0x%x ends beyond the 4096 bytes of a configuration space", at)
	default:
		d.Bytes = append(d.Bytes, row...)
	}
}

func (p *dumpParser) finish() ([]ConfigSpace, error) {
	var out []ConfigSpace
	for i, d := range p.devices {
		switch {
		case len(d.Bytes) >= minConfig:
			out = append(out, d)
		case len(d.Bytes) > 0:
			p.line = p.start[i]
			p.problem("the device has %d bytes, a header has 64", len(d.Bytes))
		}
	}
	if len(out) == 0 && len(p.errs) == 0 {
		return nil, errors.New("no rows of configuration space found: expected lines such as \"00: 1a 12 05 00 …\"")
	}
	return out, errors.Join(p.errs...)
}

// deviceAddress returns the address a line begins with: "01:00.0".
func deviceAddress(line string) string {
	a, _, _ := strings.Cut(line, " ")
	rest, fn, ok := strings.Cut(a, ".")
	if !ok || len(fn) != 1 || fn[0] < '0' || fn[0] > '7' {
		return ""
	}
	parts := strings.Split(rest, ":")
	if len(parts) < 2 || len(parts) > 3 {
		return ""
	}
	for i, s := range parts {
		want := 2
		if i == 0 && len(parts) == 3 {
			want = 4
		}
		if len(s) < want || len(s) > 8 || !isHex(s) || want == 2 && len(s) != 2 {
			return ""
		}
	}
	return strings.ToLower(a)
}

func isHex(s string) bool {
	for i := range len(s) {
		if !strings.ContainsRune("0123456789abcdefABCDEF", rune(s[i])) {
			return false
		}
	}
	return s != ""
}

// hexRow reads an offset and the bytes after it.
func hexRow(line string) (at int, row []byte, ok bool) {
	line, _, _ = strings.Cut(line, "|")
	fields := strings.Fields(line)
	if len(fields) < 2 {
		return 0, nil, false
	}
	first, colon := strings.CutSuffix(fields[0], ":")
	first = strings.TrimPrefix(strings.TrimPrefix(first, "0x"), "0X")
	if !isHex(first) || len(first) > 8 || !colon && len(first) < 3 {
		return 0, nil, false
	}
	n, err := strconv.ParseUint(first, 16, 32)
	if err != nil || n%16 != 0 || n >= maxConfig {
		return 0, nil, false
	}
	group := len(fields[1])
	for _, f := range fields[1:] {
		if len(row) == 16 || !isHex(f) || len(f)%2 != 0 || len(f) > group || group > 8 {
			break // characters behind the bytes
		}
		b, err := hex.DecodeString(f)
		if err != nil || len(row)+len(b) > 16 {
			break
		}
		row = append(row, b...)
	}
	return int(n), row, len(row) > 0
}

// sizingLine reads "sizing 10: fe000008".
func sizingLine(line string) (at int, value uint32, ok bool) {
	rest, ok := strings.CutPrefix(strings.TrimSpace(line), "sizing ")
	if !ok {
		return 0, 0, false
	}
	a, v, ok := strings.Cut(rest, ":")
	clean := func(s string) string { return strings.TrimPrefix(strings.ToLower(strings.TrimSpace(s)), "0x") }
	offset, err1 := strconv.ParseUint(clean(a), 16, 8)
	raw, err2 := strconv.ParseUint(clean(v), 16, 32)
	if !ok || err1 != nil || err2 != nil || offset%4 != 0 || !(offset >= 0x10 && offset <= 0x24 || offset == 0x30 || offset == 0x38) {
		return 0, 0, false
	}
	return int(offset), uint32(raw), true
}

// regionLine reads the size in "Region 0: Memory at … [size=32M]".
func regionLine(line string) (region int, size int64, ok bool) {
	rest, ok := strings.CutPrefix(strings.TrimSpace(line), "Region ")
	if !ok || len(rest) < 2 || rest[0] < '0' || rest[0] > '5' || rest[1] != ':' {
		return 0, 0, false
	}
	_, s, ok := strings.Cut(rest, "[size=")
	s, _, closed := strings.Cut(s, "]")
	if !ok || !closed || s == "" {
		return 0, 0, false
	}
	unit := int64(1)
	if i := strings.IndexByte("KMGT", s[len(s)-1]); i >= 0 {
		unit, s = 1<<(10*(i+1)), s[:len(s)-1]
	}
	n, err := strconv.ParseInt(s, 10, 32)
	if err != nil || n <= 0 {
		return 0, 0, false
	}
	return int(rest[0] - '0'), n * unit, true
}
