package bus

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"unicode/utf8"

	"proveout/plans/fact"
)

// A space is the configuration space of one device as it was dumped.
type space struct {
	address string         // "01:00.0", "0000:01:00.0"; empty when the dump does not say
	bytes   []byte         // 64 to 4096 bytes from offset 0
	sizing  map[int]uint32 // what a base address register read back after all ones were written, by register offset
	sizes   map[int]int64  // sizes that the dump states in words, by region number
	line    int            // of the dump, where it begins
}

// Limits of a dump.
const (
	minConfig   = 64
	maxConfig   = 4096
	maxDevices  = 4096
	maxProblems = 20
	maxDumpLine = 1024
)

// A DumpProblem is what cannot be read of a dump.
type DumpProblem struct {
	Line int // from 1; 0 for the dump as a whole
	What fact.Fact
}

// Fact is the problem with its line.
func (p DumpProblem) Fact() fact.Fact {
	if p.Line == 0 {
		return p.What
	}
	return fact.New("bus.at-line", "line", p.Line, "what", p.What)
}

// ParseDump decodes configuration spaces: raw bytes of one device (64, 128, 256
// or 4096), or text in which rows of hexadecimal bytes follow their offset, with
// a line "01:00.0 …" before each device. Rows may have their bytes apart or in
// groups of two or four, a "0x" before the offset and characters behind the
// bytes. Lines that are no rows are passed over, except
//
//	sizing 10: fe000008          what the register at 0x10 read back after all ones
//	Region 0: … [size=32M]       a size in words
//
// It returns what could be read, and all problems that it finds.
func ParseDump(data []byte) ([]Device, []DumpProblem) {
	spaces, problems := spacesOf(data)
	var devices []Device
	for _, s := range spaces {
		devices = append(devices, s.decode())
	}
	return devices, problems
}

func spacesOf(data []byte) ([]space, []DumpProblem) {
	if isRaw(data) {
		switch len(data) {
		case minConfig, 128, 256, maxConfig:
			return []space{{bytes: data}}, nil
		}
		return nil, []DumpProblem{{What: fact.New("bus.odd-raw", "n", len(data))}}
	}
	p := dumpParser{}
	for len(data) > 0 && len(p.problems) < maxProblems && len(p.devices) <= maxDevices {
		line, rest, _ := bytes.Cut(data, []byte("\n"))
		data = rest
		p.line++
		p.take(strings.TrimRight(string(line[:min(len(line), maxDumpLine)]), "\r \t"))
	}
	return p.finish()
}

// isRaw tells raw bytes from text.
func isRaw(data []byte) bool {
	head := data[:min(len(data), maxConfig)]
	return bytes.IndexByte(head, 0) >= 0 || !utf8.Valid(head) && len(data) <= maxConfig
}

type dumpParser struct {
	line     int
	devices  []space
	problems []DumpProblem
}

func (p *dumpParser) problem(what fact.Fact) {
	p.problems = append(p.problems, DumpProblem{p.line, what})
}

func (p *dumpParser) open(address string) *space {
	p.devices = append(p.devices, space{
		address: address, sizing: map[int]uint32{}, sizes: map[int]int64{}, line: p.line,
	})
	return &p.devices[len(p.devices)-1]
}

// current is the device that the lines are about.
func (p *dumpParser) current() *space {
	if len(p.devices) == 0 {
		return p.open("")
	}
	return &p.devices[len(p.devices)-1]
}

// lineForms are the lines that are no rows of bytes.
type lineForms struct{ device, sizing, region *regexp.Regexp }

var forms = sync.OnceValue(func() lineForms {
	return lineForms{
		device: regexp.MustCompile(`^((?:[0-9a-fA-F]{4,8}:)?[0-9a-fA-F]{2}:[0-9a-fA-F]{2}\.[0-7])(?: |$)`),
		sizing: regexp.MustCompile(`^\s*sizing\s+(?:0[xX])?([0-9a-fA-F]{1,2})\s*:\s*(?:0[xX])?([0-9a-fA-F]{1,8})$`),
		region: regexp.MustCompile(`^\s*Region ([0-5]):.*?\[size=([0-9]{1,10})([KMGT]?)\]`),
	}
})

// take reads one line.
func (p *dumpParser) take(line string) {
	if m := forms().device.FindStringSubmatch(line); m != nil {
		p.open(strings.ToLower(m[1]))
		return
	}
	if m := forms().sizing.FindStringSubmatch(line); m != nil {
		register, _ := strconv.ParseUint(m[1], 16, 8)
		ones, _ := strconv.ParseUint(m[2], 16, 32)
		p.current().sizing[int(register)] = uint32(ones)
		return
	}
	if m := forms().region.FindStringSubmatch(line); m != nil && len(p.devices) > 0 {
		if size, err := strconv.ParseInt(m[2], 10, 32); err == nil {
			p.current().sizes[int(m[1][0]-'0')] = size << map[string]uint{"K": 10, "M": 20, "G": 30, "T": 40}[m[3]]
		}
		return
	}
	at, row := hexRow(line)
	if len(row) == 0 {
		return
	}
	d := p.current()
	if at == 0 && len(d.bytes) > 0 { // the next device without a line of its own
		d = p.open("")
	}
	offset := fact.Name(fmt.Sprintf("0x%x", at))
	switch {
	case at != len(d.bytes):
		have := fact.Name(fmt.Sprintf("0x%x", len(d.bytes)))
		p.problem(fact.New("bus.row-missing", "at", offset, "have", have))
	case at+len(row) > maxConfig:
		p.problem(fact.New("bus.row-beyond", "at", offset))
	default:
		d.bytes = append(d.bytes, row...)
	}
}

func isHex(s string) bool { return s != "" && strings.Trim(s, "0123456789abcdefABCDEF") == "" }

// hexRow reads an offset and the bytes after it; no bytes when the line is none
// of these.
func hexRow(line string) (at int, row []byte) {
	line, _, _ = strings.Cut(line, "|")
	fields := strings.Fields(line)
	if len(fields) < 2 {
		return 0, nil
	}
	first, colon := strings.CutSuffix(fields[0], ":")
	first = strings.TrimPrefix(strings.TrimPrefix(first, "0x"), "0X")
	if !isHex(first) || !colon && len(first) < 3 {
		return 0, nil
	}
	offset, err := strconv.ParseUint(first, 16, 32)
	if err != nil || len(first) > 8 || offset%16 != 0 || offset >= maxConfig {
		return 0, nil
	}
	group := len(fields[1])
	for _, f := range fields[1:] {
		if len(f) > min(group, 8) {
			break // characters behind the bytes
		}
		b, err := hex.DecodeString(f)
		if err != nil || len(row)+len(b) > 16 {
			break
		}
		row = append(row, b...)
	}
	return int(offset), row
}

// finish looks at what there is of each device.
func (p *dumpParser) finish() ([]space, []DumpProblem) {
	var out []space
	for _, d := range p.devices {
		switch {
		case len(d.bytes) >= minConfig:
			out = append(out, d)
		case len(d.bytes) > 0:
			p.line = d.line
			p.problem(fact.New("bus.short-device", "n", len(d.bytes)))
		}
	}
	if len(out) == 0 && len(p.problems) == 0 {
		return nil, []DumpProblem{{What: fact.New("bus.no-rows")}}
	}
	return out, p.problems
}
