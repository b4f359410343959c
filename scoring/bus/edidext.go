package bus

import (
	"encoding/binary"

	"proveout/plans/fact"
)

// Kinds of extension blocks whose modes are read (VESA E-EDID Standard, and
// CTA-861; layouts from memory, exercised against edid-decode).
const (
	ctaTag      = 0x02
	timingTag   = 0x10 // video timing block
	blockMapTag = 0xf0 // says which blocks follow
)

// extensions reads the blocks behind the first: the checksum of each, and the
// modes of those that can be read. A block with a wrong checksum is said and its
// modes are left out.
func (e *EDID) extensions(b []byte) {
	for n := 1; n <= e.Extensions && (n+1)*blockBytes <= len(b); n++ {
		block := b[n*blockBytes : (n+1)*blockBytes]
		if sum := checksum(block); sum != 0 {
			e.ChecksumOK, e.OK = false, false
			e.note(fact.New("bus.edid-block-checksum", "block", n, "by", hex8(sum)))
			continue
		}
		switch block[0] {
		case ctaTag:
			e.cta(block, n)
		case timingTag:
			e.videoTimings(block, n)
		case blockMapTag:
		default:
			e.note(fact.New("bus.edid-block-unread", "block", n, "kind", hex8(block[0])))
		}
	}
}

// checksum is what the bytes of a block sum up to: 0 when it is sound.
func checksum(block []byte) (sum byte) {
	for _, x := range block {
		sum += x
	}
	return sum
}

// cta reads a CTA-861 block: data blocks from its fifth byte on, of which those of
// kind 2 list modes by number, and detailed timings from where its third byte
// says to the end.
func (e *EDID) cta(b []byte, block int) {
	detailed := int(b[2])
	if detailed > 127 || detailed > 0 && detailed < 4 {
		e.note(fact.New("bus.edid-block-broken", "block", block))
		return
	}
	if b[1] >= 3 { // the first versions have no data blocks
		for at := 4; at < detailed; {
			kind, end := b[at]>>5, at+1+int(b[at]&31)
			if end > detailed {
				e.note(fact.New("bus.edid-block-broken", "block", block))
				return
			}
			if kind == 2 {
				e.numbered(b[at+1:end], block)
			}
			at = end
		}
	}
	if detailed == 0 {
		return
	}
	for at := detailed; at+18 <= 127 && binary.LittleEndian.Uint16(b[at:]) != 0; at += 18 {
		e.detailedOf(b[at:at+18], block)
	}
}

// detailedOf reads a detailed timing of a block.
func (e *EDID) detailedOf(b []byte, block int) {
	if !e.detailed(b) {
		e.note(fact.New("bus.edid-detailed-of", "block", block))
	}
}

// numbered adds the modes of a list of numbers. The upper bit of the lower half
// of the numbers marks a mode that the monitor prefers.
func (e *EDID) numbered(codes []byte, block int) {
	for _, code := range codes {
		if code >= 129 && code <= 192 {
			code &= 0x7f
		}
		t, ok := ctaMode(int(code))
		if !ok {
			e.note(fact.New("bus.edid-number-unknown", "block", block, "number", int(code)))
			continue
		}
		e.add(t, "cta")
	}
}

// videoTimings reads a video timing block: so many detailed timings, 3-byte CVT
// codes and standard timings, one kind after the other.
func (e *EDID) videoTimings(b []byte, block int) {
	detailed, codes, standard := int(b[2]), int(b[3]), int(b[4])
	at := 5
	if at+18*detailed+3*codes+2*standard > 127 {
		e.note(fact.New("bus.edid-block-broken", "block", block))
		return
	}
	for range detailed {
		e.detailedOf(b[at:at+18], block)
		at += 18
	}
	e.cvtCodes(b[at : at+3*codes])
	at += 3 * codes
	e.standards(b[at : at+2*standard])
}

// ctaMode returns a mode by its number in CTA-861, as edid-decode (2022-03-30)
// lists the first of them; the standard itself was not seen. An even and the odd
// number after it are often one mode in two shapes of screen.
func ctaMode(number int) (Timing, bool) {
	for _, r := range [...]struct {
		first, last int
		dmtRow
	}{
		{1, 1, dmtRow{0, 640, 480, 25175, 800, 525, "--", 0}},
		{2, 3, dmtRow{0, 720, 480, 27000, 858, 525, "--", 0}},
		{4, 4, dmtRow{0, 1280, 720, 74250, 1650, 750, "++", 0}},
		{5, 5, dmtRow{0, 1920, 1080, 74250, 2200, 1125, "++i", 0}},
		{6, 7, dmtRow{0, 1440, 480, 27000, 1716, 525, "--i", 0}},
		{8, 9, dmtRow{0, 1440, 240, 27000, 1716, 262, "--", 0}},
		{10, 11, dmtRow{0, 2880, 480, 54000, 3432, 525, "--i", 0}},
		{12, 13, dmtRow{0, 2880, 240, 54000, 3432, 262, "--", 0}},
		{14, 15, dmtRow{0, 1440, 480, 54000, 1716, 525, "--", 0}},
		{16, 16, dmtRow{0, 1920, 1080, 148500, 2200, 1125, "++", 0}},
		{17, 18, dmtRow{0, 720, 576, 27000, 864, 625, "--", 0}},
		{19, 19, dmtRow{0, 1280, 720, 74250, 1980, 750, "++", 0}},
		{20, 20, dmtRow{0, 1920, 1080, 74250, 2640, 1125, "++i", 0}},
		{21, 22, dmtRow{0, 1440, 576, 27000, 1728, 625, "--i", 0}},
		{23, 24, dmtRow{0, 1440, 288, 27000, 1728, 312, "--", 0}},
		{25, 26, dmtRow{0, 2880, 576, 54000, 3456, 625, "--i", 0}},
		{27, 28, dmtRow{0, 2880, 288, 54000, 3456, 312, "--", 0}},
		{29, 30, dmtRow{0, 1440, 576, 54000, 1728, 625, "--", 0}},
		{31, 31, dmtRow{0, 1920, 1080, 148500, 2640, 1125, "++", 0}},
		{32, 32, dmtRow{0, 1920, 1080, 74250, 2750, 1125, "++", 0}},
		{33, 33, dmtRow{0, 1920, 1080, 74250, 2640, 1125, "++", 0}},
		{34, 34, dmtRow{0, 1920, 1080, 74250, 2200, 1125, "++", 0}},
	} {
		if number >= r.first && number <= r.last {
			t := r.timing()
			t.Standard = "CTA"
			return t, true
		}
	}
	return Timing{}, false
}
