package bus

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"proveout/plans"
	"proveout/plans/fact"
)

// An EDID is a monitor's identification, decoded: the first block and the modes of
// the blocks behind it (VESA E-EDID Standard, EDID structure 1.3 and 1.4; layout from memory, exercised
// against edid-decode).
type EDID struct {
	OK           bool          `json:"ok"`          // header and checksums are right
	ChecksumOK   bool          `json:"checksum_ok"` // of every block
	Version      string        `json:"version"`
	Manufacturer string        `json:"manufacturer"` // three letters
	ProductCode  int           `json:"product_code"`
	Year         int           `json:"year"`
	Digital      bool          `json:"digital"`
	Sync         []string      `json:"sync,omitempty"` // analogue inputs: separate, composite, on green
	WidthCM      int           `json:"width_cm"`       // 0: not stated
	HeightCM     int           `json:"height_cm"`
	Extensions   int           `json:"extensions"` // blocks that follow
	Preferred    *EDIDMode     `json:"preferred,omitempty"`
	Modes        []EDIDMode    `json:"modes"`
	Name         string        `json:"name,omitempty"`
	Range        *MonitorRange `json:"range,omitempty"`
	Notes        []fact.Fact   `json:"notes,omitempty"`

	cvt bool // the range limits name CVT
}

// An EDIDMode is a mode that the monitor lists.
type EDIDMode struct {
	Mode   fact.Fact `json:"mode"`
	Source string    `json:"source"` // established, standard, detailed, cvt, cta
	Timing Timing    `json:"timing"`
}

// A MonitorRange is what the monitor can follow.
type MonitorRange struct {
	MinRefreshHz float64 `json:"min_refresh_hz"`
	MaxRefreshHz float64 `json:"max_refresh_hz"`
	MinLineHz    float64 `json:"min_line_hz"`
	MaxLineHz    float64 `json:"max_line_hz"`
	MaxClockHz   float64 `json:"max_pixel_clock_hz,omitempty"`
}

// A block of an EDID.
const blockBytes = 128

// ParseEDID reads an EDID: raw bytes, or hexadecimal text with or without
// offsets. A wrong header or checksum is no error but a finding: OK is false. Fewer than 128 bytes are an error.
func ParseEDID(data []byte) (EDID, error) {
	b, err := edidBytes(data)
	if err != nil {
		return EDID{}, err
	}
	e := EDID{Modes: []EDIDMode{}, Extensions: int(b[0x7e])}
	header := bytes.Equal(b[:8], []byte{0, 255, 255, 255, 255, 255, 255, 0})
	sum := checksum(b[:blockBytes])
	e.ChecksumOK = sum == 0
	e.OK = header && e.ChecksumOK
	if !header {
		e.note(fact.New("bus.edid-header"))
	}
	if !e.ChecksumOK {
		e.note(fact.New("bus.edid-checksum", "by", hex8(sum)))
	}
	e.identity(b)
	e.display(b)
	descriptors := [4][]byte{b[0x36:0x48], b[0x48:0x5a], b[0x5a:0x6c], b[0x6c:0x7e]}
	for _, d := range descriptors { // which formula a standard timing means
		e.cvt = e.cvt || d[0] == 0 && d[1] == 0 && d[3] == 0xfd && d[10] == 4
	}
	for _, m := range establishedModes(b[0x23:0x26]) {
		e.add(m, "established")
	}
	e.standards(b[0x26:0x36])
	for i, d := range descriptors {
		e.descriptor(d, i)
	}
	e.extensions(b)
	if got := len(b)/blockBytes - 1; got < e.Extensions {
		e.note(fact.New("bus.edid-extensions", "n", e.Extensions, "got", got))
	}
	return e, nil
}

func (e *EDID) note(f fact.Fact) { e.Notes = append(e.Notes, f) }

// edidBytes finds the bytes: raw, or in text.
func edidBytes(data []byte) ([]byte, error) {
	raw := len(data) >= blockBytes && bytes.HasPrefix(data, []byte{0, 255, 255, 255})
	if raw || bytes.IndexByte(data[:min(len(data), blockBytes)], 0) >= 0 {
		if len(data) < blockBytes {
			return nil, fmt.Errorf("EDID of %d bytes, a block has %d", len(data), blockBytes)
		}
		return data, nil
	}
	var out []byte
	for len(data) > 0 && len(out) < 256*blockBytes {
		line, rest, _ := bytes.Cut(data, []byte("\n"))
		data = rest
		out = append(out, hexLine(string(line[:min(len(line), maxDumpLine)]))...)
	}
	if len(out) < blockBytes {
		return nil, errors.New("fewer than 128 bytes of EDID found: expected raw bytes, or lines of hexadecimal bytes")
	}
	return out, nil
}

// hexLine returns the bytes of a line that holds nothing but hexadecimal
// bytes, an offset before them and characters after them.
func hexLine(line string) []byte {
	line, _, _ = strings.Cut(line, "|")
	fields := strings.Fields(strings.ReplaceAll(line, ",", " "))
	if len(fields) == 0 {
		return nil
	}
	if at, ok := strings.CutSuffix(fields[0], ":"); ok && isHex(strings.TrimPrefix(at, "0x")) {
		fields = fields[1:]
	} else if len(fields) > 8 && len(fields[0]) > max(2, len(fields[1])) && isHex(fields[0]) {
		fields = fields[1:] // an offset without a colon
	}
	var out []byte
	for _, f := range fields {
		b, err := hex.DecodeString(strings.TrimPrefix(f, "0x"))
		if err != nil || len(b) == 0 || len(out) > 0 && len(b) > 32 {
			if len(out) >= 8 {
				return out // characters after the bytes
			}
			return nil
		}
		out = append(out, b...)
	}
	return out
}

func (e *EDID) identity(b []byte) {
	letters := binary.BigEndian.Uint16(b[8:])
	e.Manufacturer = string([]byte{'@' + byte(letters>>10&31), '@' + byte(letters>>5&31), '@' + byte(letters&31)})
	e.ProductCode = int(binary.LittleEndian.Uint16(b[0x0a:]))
	e.Year = 1990 + int(b[0x11])
	if week := int(b[0x10]); week > 54 && week != 255 { // 255: the year is the model's
		e.note(fact.New("bus.edid-week", "week", week))
	}
	e.Version = fmt.Sprintf("%d.%d", b[0x12], b[0x13])
	if b[0x12] != 1 {
		e.note(fact.New("bus.edid-version", "version", e.Version))
	}
}

func (e *EDID) display(b []byte) {
	input := b[0x14]
	e.Digital = input&0x80 != 0
	if !e.Digital {
		for i, kind := range []string{"separate", "composite", "on green"} {
			if input>>(3-uint(i))&1 == 1 {
				e.Sync = append(e.Sync, kind)
			}
		}
	}
	if b[0x15] > 0 && b[0x16] > 0 { // one of them alone states an aspect ratio
		e.WidthCM, e.HeightCM = int(b[0x15]), int(b[0x16])
	}
}

func (e *EDID) add(t Timing, source string) {
	e.Modes = append(e.Modes, EDIDMode{Mode: t.Mode(), Source: source, Timing: t})
}

// established are the modes of the three bytes from 0x23, from bit 7 of the
// first on: DMT numbers, or places in [legacyRows] below 0.
var established = [...]int{
	-1, -2, 0x04, -3, 0x05, 0x06, 0x08, 0x09,
	0x0a, 0x0b, -4, 0x0f, 0x10, 0x11, 0x12, 0x24,
	-5,
}

// established3 lists the DMT numbers of the established timings III
// descriptor, from bit 7 of its first byte.
var established3 = [...]int{
	0x01, 0x02, 0x03, 0x07, 0x0e, 0x0c, 0x13, 0x15,
	0x16, 0x17, 0x18, 0x19, 0x20, 0x21, 0x23, 0x25,
	0x27, 0x2e, 0x2f, 0x30, 0x31, 0x29, 0x2a, 0x2b,
	0x2c, 0x39, 0x3a, 0x3b, 0x3c, 0x33, 0x34, 0x35,
	0x36, 0x37, 0x3e, 0x3f, 0x41, 0x42, 0x44, 0x45,
	0x46, 0x47, 0x49, 0x4a,
}

// flagged returns the modes whose bits are set, from bit 7 of the first byte.
func flagged(b []byte, modes []int) []Timing {
	var out []Timing
	for i, id := range modes {
		if b[i/8]>>(7-uint(i%8))&1 == 0 {
			continue
		}
		if id < 0 {
			out = append(out, legacyRows()[-id-1].timing())
		} else if t, ok := dmt(id); ok {
			out = append(out, t)
		}
	}
	return out
}

func establishedModes(b []byte) []Timing { return flagged(b, established[:]) }

// standards reads two-byte standard timings.
func (e *EDID) standards(b []byte) {
	for i := 0; i+1 < len(b); i += 2 {
		if t, ok := e.standard(b[i], b[i+1]); ok {
			e.add(t, "standard")
		}
	}
}

// standard reads a two-byte standard timing: a DMT mode when the code is one
// of its, otherwise CVT when the range limits say that the monitor follows it,
// and GTF.
func (e *EDID) standard(a, b byte) (Timing, bool) {
	if a == 1 && b == 1 || a == 0 {
		return Timing{}, false
	}
	code := int(a)<<8 | int(b)
	for _, t := range standardModes() {
		if t.code == code {
			return t, true
		}
	}
	m := plans.Mode{Width: (int(a) + 31) * 8, Rate: float64(b&63) + 60}
	aspect := [...][2]int{{16, 10}, {4, 3}, {5, 4}, {16, 9}}[b>>6]
	if b>>6 == 0 && e.Version < "1.3" {
		aspect = [2]int{1, 1}
	}
	m.Height = m.Width * aspect[1] / aspect[0]
	t, err := gtf(m)
	if e.cvt {
		t, err = cvt(m, normalBlanking)
	}
	if err != nil {
		e.note(fact.New("bus.edid-standard", "code", fmt.Sprintf("%02x %02x", a, b)))
		return Timing{}, false
	}
	return t, true
}

// descriptor reads one of the four 18-byte descriptors.
func (e *EDID) descriptor(b []byte, index int) {
	if b[0] != 0 || b[1] != 0 {
		if !e.detailed(b) {
			e.note(fact.New("bus.edid-detailed", "number", index+1))
		}
		if last := len(e.Modes) - 1; index == 0 && last >= 0 && e.Modes[last].Source == "detailed" {
			preferred := e.Modes[last]
			e.Preferred = &preferred
		}
		return
	}
	switch b[3] {
	case 0xfc:
		e.Name = descriptorText(b)
	case 0xfd:
		e.ranges(b)
	case 0xfa:
		e.standards(b[5:17])
	case 0xf8:
		e.cvtCodes(b[6:18])
	case 0xf7:
		for _, t := range flagged(b[6:], established3[:]) {
			e.add(t, "established")
		}
	}
}

func descriptorText(b []byte) string {
	s, _, _ := strings.Cut(string(b[5:18]), "\n")
	return strings.TrimRight(strings.Map(func(r rune) rune {
		if r < 32 || r > 126 {
			return '.'
		}
		return r
	}, s), " ")
}

// detailed reads a detailed timing: eight low bits of each number in a byte,
// the high bits of several numbers together in another. It reports whether the
// timing holds together.
func (e *EDID) detailed(b []byte) (sound bool) {
	at := func(low int, high byte, shift uint) int { return low | int(high>>shift)<<8 }
	hBlank, vBlank := at(int(b[3]), b[4]&15, 0), at(int(b[6]), b[7]&15, 0)
	t := Timing{
		Standard:     "detailed",
		PixelClockHz: float64(binary.LittleEndian.Uint16(b)) * 10e3,
		Width:        at(int(b[2]), b[4], 4),
		Height:       at(int(b[5]), b[7], 4),
		Interlaced:   b[17]&0x80 != 0,
	}
	t.HTotal, t.VTotal = t.Width+hBlank, t.Height+vBlank
	if b[17]&0x18 == 0x18 { // digital separate sync
		t.HPolarity, t.VPolarity = polarity(b[17]&2), polarity(b[17]&4)
	}
	hFront, hSync, hBorder := at(int(b[8]), b[11], 6), at(int(b[9]), b[11]&0x30, 4), int(b[15])
	vFront, vSync, vBorder := int(b[10]>>4)|int(b[11]>>2&3)<<4, int(b[10]&15)|int(b[11]&3)<<4, int(b[16])
	holds := hBlank >= hFront+hSync+2*hBorder && vBlank >= vFront+vSync+2*vBorder // what the blanking has to hold
	empty := t.Width == 0 || t.Height == 0
	if empty {
		return false
	}
	if t.Interlaced { // the descriptor counts a field, and half a line belongs to each
		t.Height, t.VTotal = 2*t.Height, 2*t.VTotal+1
	}
	for _, s := range standardModes() {
		if s.DMT > 0 && s.Width == t.Width && s.Height == t.Height && s.HTotal == t.HTotal &&
			s.VTotal == t.VTotal && math.Abs(s.PixelClockHz-t.PixelClockHz) < 10e3 {
			t.DMT = s.DMT
		}
	}
	e.add(t, "detailed")
	return hBlank > 0 && vBlank > 0 && holds
}

// polarity is that of a bit that stands for a positive pulse.
func polarity(bit byte) Polarity {
	if bit != 0 {
		return Positive
	}
	return Negative
}

// ranges reads the range limits descriptor.
func (e *EDID) ranges(b []byte) {
	r := &MonitorRange{
		MinRefreshHz: float64(b[5]), MaxRefreshHz: float64(b[6]),
		MinLineHz: float64(b[7]) * 1e3, MaxLineHz: float64(b[8]) * 1e3,
	}
	if e.Version >= "1.4" { // offsets of 255 for values beyond a byte
		for i, limit := range []*float64{&r.MinRefreshHz, &r.MaxRefreshHz, &r.MinLineHz, &r.MaxLineHz} {
			if b[4]>>uint(i)&1 == 1 {
				*limit += 255 * []float64{1, 1, 1e3, 1e3}[i]
			}
		}
	}
	if b[9] != 255 && b[9] != 0 {
		r.MaxClockHz = float64(b[9]) * 10e6
	}
	if b[10] == 4 && r.MaxClockHz > 0 { // CVT, with quarters of a megahertz
		r.MaxClockHz -= float64(b[12]>>2) * 0.25e6
	}
	if r.MinRefreshHz > r.MaxRefreshHz || r.MinLineHz > r.MaxLineHz {
		e.note(fact.New("bus.edid-range"))
	}
	e.Range = r
}

// cvtCodes reads 3-byte CVT codes: of descriptor 0xf8, or of an extension.
func (e *EDID) cvtCodes(b []byte) {
	for i := 0; i+2 < len(b); i += 3 {
		if b[i] == 0 && b[i+1] == 0 && b[i+2] == 0 {
			continue
		}
		m := plans.Mode{Height: (int(b[i])|int(b[i+1]>>4)<<8)*2 + 2}
		aspect := [...][2]int{{4, 3}, {16, 9}, {16, 10}, {15, 9}}[b[i+1]>>2&3]
		m.Width = m.Height * aspect[0] / aspect[1] / 8 * 8
		for _, f := range []struct {
			bit   uint
			hz    float64
			blank blanking
		}{
			{4, 50, normalBlanking}, {3, 60, normalBlanking}, {2, 75, normalBlanking}, {1, 85, normalBlanking},
			{0, 60, reducedBlanking},
		} {
			m.Rate = f.hz
			if b[i+2]>>f.bit&1 == 1 {
				if t, err := cvt(m, f.blank); err == nil {
					e.add(t, "cvt")
				}
			}
		}
	}
}

// ShowsMode says whether the monitor shows a mode, and why or why not: so that a
// black picture is not blamed on the card. It shows the modes that it lists, and
// those that its range limits take in. A mode without a rate is any rate; by
// formula it is 60 Hz.
func (e EDID) ShowsMode(wanted plans.Mode) (ok bool, why fact.Fact, err error) {
	fits := func(t Timing) bool {
		hz := t.RefreshHz()
		return t.Width == wanted.Width && t.Height == wanted.Height &&
			(wanted.Rate == 0 || hz > wanted.Rate*0.985 && hz < wanted.Rate*1.015)
	}
	for _, m := range e.Modes {
		if fits(m.Timing) {
			return true, fact.New("bus.mode-listed-as", "mode", m.Mode), nil
		}
	}
	var t Timing
	if at := slices.IndexFunc(standardModes(), fits); at >= 0 {
		t = standardModes()[at]
	} else {
		wanted.Rate = cmp.Or(wanted.Rate, 60)
		if t, err = gtf(wanted); err != nil {
			return false, fact.Fact{}, err
		}
	}
	if e.Range == nil {
		return false, fact.New("bus.mode-not-listed"), nil
	}
	ok, why = e.Range.takesIn(t)
	return ok, why, nil
}

// takesIn says whether a mode lies within the limits. They are whole numbers: a
// mode of 60.3 Hz fits "to 60".
func (r *MonitorRange) takesIn(t Timing) (ok bool, why fact.Fact) {
	line, refresh := t.LineHz(), t.RefreshHz()
	outside := func(value, low, high float64, unit string) fact.Fact {
		return fact.New("bus.outside-range", "value", fact.In(value, unit).To(0.1),
			"low", fact.In(low, "").To(1), "high", fact.In(high, unit).To(1))
	}
	switch {
	case refresh < r.MinRefreshHz-1 || refresh > r.MaxRefreshHz+1:
		return false, outside(refresh, r.MinRefreshHz, r.MaxRefreshHz, "Hz")
	case line < r.MinLineHz-1e3 || line > r.MaxLineHz+1e3:
		return false, outside(line/1e3, r.MinLineHz/1e3, r.MaxLineHz/1e3, "kHz")
	case r.MaxClockHz > 0 && t.PixelClockHz > r.MaxClockHz*1.005:
		return false, fact.New("bus.above-clock", "value", fact.In(t.PixelClockHz/1e6, "MHz").To(0.1),
			"high", fact.In(r.MaxClockHz/1e6, "MHz").To(1))
	}
	return true, fact.New("bus.inside-range")
}
