package bus

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"strings"
)

// An EDID is the decoded base block of a monitor's identification (VESA
// E-EDID Standard, EDID structure 1.3 and 1.4; layout from memory, exercised
// against edid-decode).
type EDID struct {
	OK             bool           `json:"ok"` // header, checksum and length are right
	ChecksumOK     bool           `json:"checksum_ok"`
	HeaderOK       bool           `json:"header_ok"`
	Version        string         `json:"version"`
	Manufacturer   string         `json:"manufacturer"` // three letters
	ProductCode    int            `json:"product_code"`
	Serial         uint32         `json:"serial"`
	Week           int            `json:"week,omitempty"`
	Year           int            `json:"year"`
	ModelYear      bool           `json:"model_year,omitempty"` // Year is the model's, not the unit's
	Digital        bool           `json:"digital"`
	Sync           []string       `json:"sync,omitempty"` // analogue inputs: separate, composite, on green
	WidthCM        int            `json:"width_cm"`       // 0: not stated
	HeightCM       int            `json:"height_cm"`
	Gamma          float64        `json:"gamma,omitempty"` // 0: not stated
	Extensions     int            `json:"extensions"`      // blocks that follow
	Preferred      *EDIDMode      `json:"preferred,omitempty"`
	Modes          []EDIDMode     `json:"modes"`
	Name           string         `json:"name,omitempty"`
	SerialText     string         `json:"serial_text,omitempty"`
	Text           []string       `json:"text,omitempty"`
	Range          *MonitorRange  `json:"range,omitempty"`
	Chromaticities map[string]XYZ `json:"chromaticities,omitempty"`
	Notes          []string       `json:"notes,omitempty"`

	cvt bool // the range limits name CVT
}

// XYZ holds the CIE x and y of a primary or the white point.
type XYZ struct {
	X float64 `json:"x"`
	Y float64 `json:"y"`
}

// An EDIDMode is a mode that the monitor lists.
type EDIDMode struct {
	Mode      string  `json:"mode"`
	Source    string  `json:"source"` // established, standard, detailed, cvt
	Standard  string  `json:"standard"`
	Width     int     `json:"width"`
	Height    int     `json:"height"`
	RefreshHz float64 `json:"refresh_hz"`
	LineHz    float64 `json:"line_hz,omitempty"`
	ClockHz   float64 `json:"pixel_clock_hz,omitempty"`
	WidthMM   int     `json:"width_mm,omitempty"`
	HeightMM  int     `json:"height_mm,omitempty"`
	Timing    *Timing `json:"timing,omitempty"`
}

// A MonitorRange is what the monitor can follow.
type MonitorRange struct {
	MinRefreshHz float64 `json:"min_refresh_hz"`
	MaxRefreshHz float64 `json:"max_refresh_hz"`
	MinLineHz    float64 `json:"min_line_hz"`
	MaxLineHz    float64 `json:"max_line_hz"`
	MaxClockHz   float64 `json:"max_pixel_clock_hz,omitempty"`
	Formula      string  `json:"formula"` // "GTF", "secondary GTF", "range only", "CVT"
}

// ParseEDID reads the first block of an EDID: raw bytes, or hexadecimal text
// with or without offsets. A wrong header or checksum is no error but a
// finding: OK is false. Fewer than 128 bytes are an error.
func ParseEDID(data []byte) (EDID, error) {
	b, err := edidBytes(data)
	if err != nil {
		return EDID{}, err
	}
	e := EDID{Modes: []EDIDMode{}}
	e.HeaderOK = bytes.Equal(b[:8], []byte{0, 255, 255, 255, 255, 255, 255, 0})
	sum := byte(0)
	for _, x := range b[:128] {
		sum += x
	}
	e.ChecksumOK = sum == 0
	e.OK = e.HeaderOK && e.ChecksumOK
	if !e.HeaderOK {
		e.note("the header is not 00 ff ff ff ff ff ff 00: wrong data, or a bit of the data line is lost")
	}
	if !e.ChecksumOK {
		e.note("the checksum is wrong by 0x%02x: the block was read or stored badly, so do not trust its modes", sum)
	}
	e.identity(b)
	e.display(b)
	for _, m := range establishedModes(b[0x23:0x26]) {
		e.add(m, "established")
	}
	for i := 0x36; i < 0x7e; i += 18 {
		e.cvt = e.cvt || b[i] == 0 && b[i+1] == 0 && b[i+3] == 0xfd && b[i+10] == 4
	}
	for i := 0x26; i < 0x36; i += 2 {
		if m, ok := e.standard(b[i], b[i+1]); ok {
			e.add(m, "standard")
		}
	}
	for i := range 4 {
		e.descriptor(b[0x36+18*i:0x48+18*i], i)
	}
	e.Extensions = int(b[0x7e])
	if got := len(b)/128 - 1; got < e.Extensions {
		e.note("%d extension blocks announced, %d in the data", e.Extensions, got)
	}
	return e, nil
}

func (e *EDID) note(text string, args ...any) { e.Notes = append(e.Notes, fmt.Sprintf(text, args...)) }

// edidBytes finds the bytes: raw, or in text.
func edidBytes(data []byte) ([]byte, error) {
	if len(data) >= 128 && bytes.HasPrefix(data, []byte{0, 255, 255, 255}) || bytes.IndexByte(data[:min(len(data), 128)], 0) >= 0 {
		if len(data) < 128 {
			return nil, fmt.Errorf("EDID of %d bytes, a block has 128", len(data))
		}
		return data, nil
	}
	var out []byte
	for len(data) > 0 && len(out) < 256*128 {
		line, rest, _ := bytes.Cut(data, []byte("\n"))
		data = rest
		out = append(out, hexLine(string(line[:min(len(line), 1024)]))...)
	}
	if len(out) < 128 {
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
	} else if len(fields) > 8 && len(fields[0]) > 2 && len(fields[0]) > len(fields[1]) && isHex(fields[0]) {
		fields = fields[1:] // an offset without a colon
	}
	var out []byte
	for _, f := range fields {
		f = strings.TrimPrefix(f, "0x")
		if !isHex(f) || len(f)%2 != 0 || len(out) > 0 && len(f) > 64 {
			if len(out) >= 8 {
				return out // characters after the bytes
			}
			return nil
		}
		for i := 0; i < len(f); i += 2 {
			out = append(out, nibble(f[i])<<4|nibble(f[i+1]))
		}
	}
	return out
}

func nibble(c byte) byte {
	switch {
	case c >= 'a':
		return c - 'a' + 10
	case c >= 'A':
		return c - 'A' + 10
	}
	return c - '0'
}

func (e *EDID) identity(b []byte) {
	m := binary.BigEndian.Uint16(b[8:])
	e.Manufacturer = string([]byte{'@' + byte(m>>10&31), '@' + byte(m>>5&31), '@' + byte(m&31)})
	e.ProductCode, e.Serial = int(binary.LittleEndian.Uint16(b[0x0a:])), binary.LittleEndian.Uint32(b[0x0c:])
	e.Year = 1990 + int(b[0x11])
	switch w := int(b[0x10]); {
	case w == 255:
		e.ModelYear = true
	case w <= 54:
		e.Week = w
	default:
		e.note("week %d of manufacture does not exist", w)
	}
	e.Version = fmt.Sprintf("%d.%d", b[0x12], b[0x13])
	if b[0x12] != 1 {
		e.note("EDID version %s is not 1.x", e.Version)
	}
}

func (e *EDID) display(b []byte) {
	in := b[0x14]
	e.Digital = in&0x80 != 0
	if !e.Digital {
		for i, s := range []string{"separate", "composite", "on green"} {
			if in>>(3-uint(i))&1 == 1 {
				e.Sync = append(e.Sync, s)
			}
		}
	}
	if b[0x15] > 0 && b[0x16] > 0 { // one of them alone states an aspect ratio
		e.WidthCM, e.HeightCM = int(b[0x15]), int(b[0x16])
	}
	if b[0x17] != 255 {
		e.Gamma = float64(int(b[0x17])+100) / 100
	}
	c := func(low byte, shift uint, high byte) float64 {
		return roundTo(float64(int(high)<<2|int(low>>shift&3))/1024, 4)
	}
	e.Chromaticities = map[string]XYZ{
		"red":   {c(b[0x19], 6, b[0x1b]), c(b[0x19], 4, b[0x1c])},
		"green": {c(b[0x19], 2, b[0x1d]), c(b[0x19], 0, b[0x1e])},
		"blue":  {c(b[0x1a], 6, b[0x1f]), c(b[0x1a], 4, b[0x20])},
		"white": {c(b[0x1a], 2, b[0x21]), c(b[0x1a], 0, b[0x22])},
	}
}

func (e *EDID) add(t Timing, source string) {
	t1 := t
	e.Modes = append(e.Modes, EDIDMode{Mode: t.Mode(), Source: source, Standard: t.Name(), Width: t.Width, Height: t.Height,
		RefreshHz: roundTo(t.RefreshHz(), 6), LineHz: roundTo(t.LineHz(), 1), ClockHz: math.Round(t.PixelClockHz), Timing: &t1})
}

// establishedModes returns the modes of the three bytes from 0x23.
func establishedModes(b []byte) []Timing {
	legacy := func(n int) Timing { return legacyRows()[n].timing() }
	std := func(id int) Timing { t, _ := dmt(id); return t }
	all := []Timing{legacy(0), legacy(1), std(4), legacy(2), std(5), std(6), std(8), std(9),
		std(0x0a), std(0x0b), legacy(3), std(0x0f), std(0x10), std(0x11), std(0x12), std(0x24), legacy(4)}
	var out []Timing
	for i, t := range all {
		if b[i/8]>>(7-uint(i%8))&1 == 1 {
			out = append(out, t)
		}
	}
	return out
}

// established3 lists the DMT numbers of the established timings III
// descriptor, from bit 7 of its first byte.
func established3() []int {
	return []int{1, 2, 3, 7, 0x0e, 0x0c, 0x13, 0x15, 0x16, 0x17, 0x18, 0x19, 0x20, 0x21, 0x23, 0x25, 0x27, 0x2e, 0x2f, 0x30, 0x31, 0x29, 0x2a, 0x2b,
		0x2c, 0x39, 0x3a, 0x3b, 0x3c, 0x33, 0x34, 0x35, 0x36, 0x37, 0x3e, 0x3f, 0x41, 0x42, 0x44, 0x45, 0x46, 0x47, 0x49, 0x4a}
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
	width := (int(a) + 31) * 8
	height := width
	switch b >> 6 {
	case 0:
		if e.Version >= "1.3" {
			height = width * 10 / 16
		}
	case 1:
		height = width * 3 / 4
	case 2:
		height = width * 4 / 5
	case 3:
		height = width * 9 / 16
	}
	hz := float64(b&63) + 60
	var t Timing
	var err error
	if e.cvt {
		t, err = CVT(width, height, hz, NormalBlanking)
	} else {
		t, err = GTF(width, height, hz)
	}
	if err != nil {
		e.note("standard timing %02x %02x: %v", a, b, err)
		return Timing{}, false
	}
	return t, true
}

// descriptor reads one of the four 18-byte descriptors.
func (e *EDID) descriptor(b []byte, index int) {
	if b[0] != 0 || b[1] != 0 {
		e.detailed(b, index)
		return
	}
	switch b[3] {
	case 0xff:
		e.SerialText = descriptorText(b)
	case 0xfe:
		e.Text = append(e.Text, descriptorText(b))
	case 0xfc:
		e.Name = descriptorText(b)
	case 0xfd:
		e.ranges(b)
	case 0xfa:
		for i := 5; i < 17; i += 2 {
			if m, ok := e.standard(b[i], b[i+1]); ok {
				e.add(m, "standard")
			}
		}
	case 0xf8:
		e.cvtCodes(b)
	case 0xf7:
		for i, id := range established3() {
			if m, ok := dmt(id); ok && b[6+i/8]>>(7-uint(i%8))&1 == 1 {
				e.add(m, "established")
			}
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

// detailed reads a detailed timing.
func (e *EDID) detailed(b []byte, index int) {
	t := Timing{Standard: "detailed", PixelClockHz: float64(binary.LittleEndian.Uint16(b)) * 10e3,
		Width: int(b[2]) | int(b[4]>>4)<<8, Height: int(b[5]) | int(b[7]>>4)<<8, Interlaced: b[17]&0x80 != 0,
		HFront: int(b[8]) | int(b[11]>>6)<<8, HSync: int(b[9]) | int(b[11]>>4&3)<<8,
		VFront: int(b[10]>>4) | int(b[11]>>2&3)<<4, VSync: int(b[10]&15) | int(b[11]&3)<<4,
		HBorder: int(b[15]), VBorder: int(b[16])}
	hBlank, vBlank := int(b[3])|int(b[4]&15)<<8, int(b[6])|int(b[7]&15)<<8
	t.HBack, t.VBack = hBlank-t.HFront-t.HSync, vBlank-t.VFront-t.VSync
	// The blanking holds the borders.
	t.HBack -= 2 * t.HBorder
	t.VBack -= 2 * t.VBorder
	if b[17]&0x18 == 0x18 { // digital separate sync
		t.HPolarity, t.VPolarity = sign2(b[17]&2 != 0), sign2(b[17]&4 != 0)
	}
	if t.Width == 0 || t.Height == 0 || hBlank == 0 || vBlank == 0 || t.HBack < 0 || t.VBack < 0 {
		e.note("detailed timing %d does not hold together", index+1)
		if t.HTotal() <= 0 || t.VTotal() <= 0 || t.Width == 0 || t.Height == 0 {
			return
		}
	}
	if t.Interlaced {
		t.Height *= 2
	}
	for _, s := range standardModes() {
		if s.DMT > 0 && s.Width == t.Width && s.Height == t.Height && s.HTotal() == t.HTotal() && s.VTotal() == t.VTotal() && math.Abs(s.PixelClockHz-t.PixelClockHz) < 10e3 {
			t.DMT = s.DMT
		}
	}
	e.add(t, "detailed")
	m := &e.Modes[len(e.Modes)-1]
	m.WidthMM, m.HeightMM = int(b[12])|int(b[14]>>4)<<8, int(b[13])|int(b[14]&15)<<8
	if index == 0 {
		p := *m
		e.Preferred = &p
	}
}

func sign2(positive bool) Polarity {
	if positive {
		return Positive
	}
	return Negative
}

// ranges reads the range limits descriptor.
func (e *EDID) ranges(b []byte) {
	r := &MonitorRange{MinRefreshHz: float64(b[5]), MaxRefreshHz: float64(b[6]), MinLineHz: float64(b[7]) * 1e3, MaxLineHz: float64(b[8]) * 1e3}
	if e.Version >= "1.4" { // offsets of 255 for values beyond a byte
		for i, p := range []*float64{&r.MinRefreshHz, &r.MaxRefreshHz, &r.MinLineHz, &r.MaxLineHz} {
			if b[4]>>uint(i)&1 == 1 {
				*p += 255 * []float64{1, 1, 1e3, 1e3}[i]
			}
		}
	}
	if b[9] != 255 && b[9] != 0 {
		r.MaxClockHz = float64(b[9]) * 10e6
	}
	switch b[10] {
	case 0:
		r.Formula = "GTF"
	case 1:
		r.Formula = "range only"
	case 2:
		r.Formula = "secondary GTF"
	case 4:
		r.Formula = "CVT"
		if r.MaxClockHz > 0 {
			r.MaxClockHz -= float64(b[12]>>2) * 0.25e6
		}
	default:
		r.Formula = "unknown"
	}
	if r.MinRefreshHz > r.MaxRefreshHz || r.MinLineHz > r.MaxLineHz {
		e.note("the range limits are upside down")
	}
	e.Range = r
}

// cvtCodes reads the 3-byte CVT codes of descriptor 0xf8.
func (e *EDID) cvtCodes(b []byte) {
	for i := 6; i < 18; i += 3 {
		if b[i] == 0 && b[i+1] == 0 && b[i+2] == 0 {
			continue
		}
		height := (int(b[i]) | int(b[i+1]>>4)<<8) * 2
		height += 2
		width := [...]int{height * 4 / 3, height * 16 / 9, height * 16 / 10, height * 15 / 9}[b[i+1]>>2&3] / 8 * 8
		for _, f := range []struct {
			bit   uint
			hz    float64
			blank Blanking
		}{{4, 50, NormalBlanking}, {3, 60, NormalBlanking}, {2, 75, NormalBlanking}, {1, 85, NormalBlanking}, {0, 60, ReducedBlanking}} {
			if b[i+2]>>f.bit&1 == 1 {
				if t, err := CVT(width, height, f.hz, f.blank); err == nil {
					e.add(t, "cvt")
				}
			}
		}
	}
}

// Shows reports whether the monitor can show a mode, by its range limits, and
// why not: so that a black picture is not blamed on the card.
func (e EDID) Shows(t Timing) (ok bool, reason string) {
	r := e.Range
	if r == nil {
		for _, m := range e.Modes {
			if m.Width == t.Width && m.Height == t.Height && math.Abs(m.RefreshHz-t.RefreshHz()) < 1 {
				return true, "the monitor lists the mode"
			}
		}
		return false, "the monitor does not list the mode, and states no range"
	}
	line, refresh := t.LineHz(), t.RefreshHz()
	switch { // limits are whole numbers: a mode of 60.3 Hz fits "to 60"
	case refresh < r.MinRefreshHz-1 || refresh > r.MaxRefreshHz+1:
		return false, fmt.Sprintf("%.1f Hz is outside the monitor's %.0f to %.0f Hz", refresh, r.MinRefreshHz, r.MaxRefreshHz)
	case line < r.MinLineHz-1e3 || line > r.MaxLineHz+1e3:
		return false, fmt.Sprintf("%.1f kHz is outside the monitor's %.0f to %.0f kHz", line/1e3, r.MinLineHz/1e3, r.MaxLineHz/1e3)
	case r.MaxClockHz > 0 && t.PixelClockHz > r.MaxClockHz*1.005:
		return false, fmt.Sprintf("%.1f MHz is above the monitor's %.0f MHz", t.PixelClockHz/1e6, r.MaxClockHz/1e6)
	}
	return true, "inside the monitor's range"
}
