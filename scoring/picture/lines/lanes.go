// Package lines reads the data lines of the memory out of a captured picture.
//
// A pattern, a capture on the grid of the pattern and the memory organisation
// come in; a judgement of every data line and the faults that explain the
// capture go out. How each shown bit depends on each written bit is estimated
// by least squares over all pixels of a lane class (the pixels whose address
// has one remainder modulo the width of the bus), with standard errors. A line
// that the picture could not judge is never called good.
package lines

import (
	"errors"
	"fmt"

	"proveout/scoring/memory"
	"proveout/scoring/picture/pattern"
)

// A Buffer is where the frame buffer lies in the memory.
type Buffer struct {
	Mode pattern.Mode
	Org  memory.Organisation
	Base int64 // byte address of the first pixel
}

// Check reports what makes the buffer impossible.
func (b Buffer) Check() error {
	if err := errors.Join(b.Mode.Check(), b.Org.Check()); err != nil {
		return err
	}
	if b.Base < 0 || b.Base+b.Mode.Bytes() > b.Org.Bytes() {
		return fmt.Errorf("the picture of %d bytes at address %d does not fit into the memory of %d bytes", b.Mode.Bytes(), b.Base, b.Org.Bytes())
	}
	return nil
}

// A slot is one shown bit of the pixels of one lane class.
type slot struct {
	class   int // of lanes.class
	channel int
	bit     int     // within the channel's field
	weight  float64 // levels of 255
}

// lanes holds what follows from a buffer: the lane classes and which data line
// each of their bits lies on.
type lanes struct {
	Buffer
	beat   int64
	phase  []int // address modulo beat -> lane class within a bank, or -1
	phases int
	banks  int
	// wires[class][channel][bit] is the line that holds the bit.
	wires [][3][]memory.Place
	level [3][]float32 // 8-bit level of each field value
}

func newLanes(b Buffer) (*lanes, error) {
	if err := b.Check(); err != nil {
		return nil, err
	}
	l := &lanes{Buffer: b, beat: b.Org.BeatBytes(), banks: len(b.Org.Banks)}
	l.phase = make([]int, l.beat)
	for i := range l.phase {
		l.phase[i] = -1
	}
	for y := range min(b.Mode.Height, 64) {
		for x := range min(b.Mode.Width, 64) {
			p := (b.Base + b.Mode.Address(x, y)) % l.beat
			if l.phase[p] < 0 {
				l.phase[p] = l.phases
				l.phases++
			}
		}
	}
	fields := b.Mode.Format.Fields()
	l.wires = make([][3][]memory.Place, l.phases*l.banks)
	for rem, ph := range l.phase {
		if ph < 0 {
			continue
		}
		for bank := range l.banks {
			for ch, f := range fields {
				places := make([]memory.Place, f.Bits)
				for bit := range places {
					k := f.Shift + bit
					addr := (int64(rem) + int64(k/8)) % l.beat
					places[bit], _ = b.Org.Locate(int64(bank)*b.Org.BankBytes()+addr, k%8)
				}
				l.wires[bank*l.phases+ph][ch] = places
			}
		}
	}
	for ch, f := range fields {
		l.level[ch] = make([]float32, 1<<f.Bits)
		for v := range l.level[ch] {
			l.level[ch][v] = float32(pattern.Widen(uint32(v), f.Bits))
		}
	}
	return l, nil
}

// class returns the lane class of a byte address (from the start of memory):
// remainder and bank. It is -1 for one that does not occur.
func (l *lanes) class(addr int64) int {
	ph := l.phase[addr%l.beat]
	if ph < 0 {
		return -1
	}
	return int(addr/l.Org.BankBytes())*l.phases + ph
}

// row fills the lane class of every pixel of a line.
func (l *lanes) row(y int, out []int16) {
	addr := l.Base + l.Mode.Address(0, y)
	step := int64(l.Mode.Format.Bytes())
	bankBytes := l.Org.BankBytes()
	bank := int(addr / bankBytes)
	left := int64(bank+1)*bankBytes - addr
	rem := addr % l.beat
	for x := range out {
		out[x] = int16(bank*l.phases + l.phase[rem])
		rem += step
		for rem >= l.beat {
			rem -= l.beat
		}
		if left -= step; left <= 0 {
			bank++
			left += bankBytes
		}
	}
}

// weight returns the levels of one bit of a channel.
func (l *lanes) weight(ch, bit int) float64 { return float64(l.level[ch][1<<bit]) }

// slots returns every shown bit that lies on a line.
func (l *lanes) slots(bank, chip, line int) (out []slot) {
	for ph := range l.phases {
		class := bank*l.phases + ph
		for ch := range 3 {
			for bit, p := range l.wires[class][ch] {
				if p.Chip == chip && p.Line == line {
					out = append(out, slot{class, ch, bit, l.weight(ch, bit)})
				}
			}
		}
	}
	return out
}

// planes returns the level of every pixel and channel that the codes show.
func (l *lanes) planes(codes []uint32) (u [3][]float32) {
	for ch, f := range l.Mode.Format.Fields() {
		u[ch] = make([]float32, len(codes))
		t, mask, shift := l.level[ch], uint32(1<<f.Bits-1), f.Shift
		for i, c := range codes {
			u[ch][i] = t[c>>shift&mask]
		}
	}
	return u
}
