package smaller

// quick is how many bits of a code are looked up at once.
const quick = 9

// A codes is a table of Huffman codes (T.81, annex C).
type codes struct {
	short  [1 << quick]uint16 // length<<8 | symbol; 0: a longer code
	last   [17]int32          // largest code of each length, -1 for none
	first  [17]int32          // index of its first symbol, less its first code
	symbol []byte
}

// newCodes makes the table of so many symbols of each length, 1 to 16 bits; nil
// where there are more codes than fit.
func newCodes(counts, symbols []byte) *codes {
	t := &codes{symbol: symbols}
	code, at := int32(0), int32(0)
	for n := 1; n <= 16; n++ {
		count := int32(counts[n-1])
		if code+count > 1<<n {
			return nil
		}
		t.first[n], t.last[n] = at-code, code+count-1
		if count == 0 {
			t.last[n] = -1
		}
		for range count {
			if n <= quick {
				from := code << (quick - n)
				for i := range int32(1) << (quick - n) {
					t.short[from+i] = uint16(n)<<8 | uint16(symbols[at])
				}
			}
			code, at = code+1, at+1
		}
		code <<= 1
	}
	return t
}

// A bits reads the scan bit by bit. Behind its end it gives ones, and over says
// so.
type bits struct {
	data []byte
	at   int
	acc  uint64 // the next n bits, from the top
	n    int
	past int // bits that are not in the file
}

// fill makes sure that 32 bits are there.
func (b *bits) fill() {
	if b.n >= 32 {
		return
	}
	if b.at+4 <= len(b.data) { // the common case: four plain bytes
		d := b.data[b.at : b.at+4]
		if d[0] != 0xFF && d[1] != 0xFF && d[2] != 0xFF && d[3] != 0xFF {
			v := uint64(d[0])<<24 | uint64(d[1])<<16 | uint64(d[2])<<8 | uint64(d[3])
			b.acc |= v << (32 - b.n)
			b.n, b.at = b.n+32, b.at+4
			return
		}
	}
	for b.n <= 56 {
		v := uint64(0xFF)
		switch {
		case b.at < len(b.data) && b.data[b.at] != 0xFF:
			v = uint64(b.data[b.at])
			b.at++
		case b.at+1 < len(b.data) && b.data[b.at+1] == 0: // a stuffed byte
			b.at += 2
		default: // a marker, or the end of the file
			b.past += 8
		}
		b.acc |= v << (56 - b.n)
		b.n += 8
	}
}

// over tells whether bits were taken that are not in the file.
func (b *bits) over() bool { return b.past > b.n }

// code reads one symbol.
func (b *bits) code(t *codes) (byte, bool) {
	b.fill()
	if s := t.short[b.acc>>(64-quick)]; s != 0 {
		n := int(s >> 8)
		b.acc <<= n
		b.n -= n
		return byte(s), true
	}
	for n := quick + 1; n <= 16; n++ {
		if c := int32(b.acc >> (64 - n)); c <= t.last[n] {
			b.acc <<= n
			b.n -= n
			return t.symbol[t.first[n]+c], true
		}
	}
	return 0, false
}

// value reads a signed number of so many bits (T.81, F.2.2.1, EXTEND). After a
// code of at most 16 bits there are 16 more.
func (b *bits) value(size byte) int32 {
	if size == 0 {
		return 0
	}
	n := int(size)
	v := int32(b.acc >> (64 - n))
	b.acc <<= n
	b.n -= n
	if v < 1<<(n-1) {
		v -= 1<<n - 1
	}
	return v
}

// marker passes over what fills the last byte and reads a marker.
func (b *bits) marker() (byte, bool) {
	if b.past > b.n || b.n-b.past > 7 || b.at+2 > len(b.data) || b.data[b.at] != 0xFF {
		return 0, false
	}
	b.at += 2
	b.acc, b.n, b.past = 0, 0, 0
	return b.data[b.at-1], true
}

// restart reads the restart marker of that number.
func (b *bits) restart(number byte) bool {
	m, ok := b.marker()
	return ok && m == 0xD0+number
}

// end tells whether the picture ends here.
func (b *bits) end() bool {
	m, ok := b.marker()
	return ok && m == 0xD9
}
