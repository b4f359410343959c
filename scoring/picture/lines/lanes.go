package lines

import (
	"proveout/scoring/memory"
	"proveout/scoring/picture/pattern"
)

// A slot is one shown bit of the pixels of one lane class.
type slot struct {
	class, channel int
	bit            int     // within the channel's field
	weight         float64 // levels of 255
}

// planes are levels of the screen, by channel and pixel.
type planes [3][]float32

// lanes holds what follows from a buffer: the lane classes, and which data line
// each of their bits lies on.
//
// The frame buffer has no gaps. So the remainder of a pixel's address modulo the
// width of the bus comes back after as many pixels as there are lane classes in a
// bank (the phases), and a pixel's phase is its number modulo that.
type lanes struct {
	Buffer
	fields [3]pattern.Field
	beat   int64 // bytes across the bus
	phases int   // lane classes of one bank
	banks  int
	wires  [][3][]memory.Place // by class, channel and bit: the line that holds it
	level  planes              // 8-bit level of each field value
}

// Phases is after how many pixels the same data lines come again.
func (b Buffer) Phases() int {
	beat := int(b.Org.BeatBytes())
	return beat / commonDivisor(beat, b.Mode.Format.Bytes())
}

func newLanes(b Buffer) (*lanes, error) {
	if err := b.Check(); err != nil {
		return nil, err
	}
	l := &lanes{Buffer: b, fields: b.Mode.Format.Fields(), beat: b.Org.BeatBytes(), banks: len(b.Org.Banks)}
	pixel := int64(b.Mode.Format.Bytes())
	l.phases = b.Phases()
	l.wires = make([][3][]memory.Place, l.phases*l.banks)
	for class := range l.wires {
		bank, phase := int64(class/l.phases), int64(class%l.phases)
		inBeat := (b.Base + phase*pixel) % l.beat
		for channel, f := range l.fields {
			places := make([]memory.Place, f.Bits)
			for bit := range places {
				k := f.Shift + bit
				at := (inBeat + int64(k/8)) % l.beat
				places[bit], _ = b.Org.Locate(bank*b.Org.BankBytes()+at, k%8)
			}
			l.wires[class][channel] = places
		}
	}
	for channel, f := range l.fields {
		l.level[channel] = make([]float32, 1<<f.Bits)
		for v := range l.level[channel] {
			l.level[channel][v] = float32(pattern.Widen(uint32(v), f.Bits))
		}
	}
	return l, nil
}

// bankOf returns the bank that a pixel begins in.
func (l *lanes) bankOf(pixel int) int {
	return int((l.Base + int64(pixel)*int64(l.Mode.Format.Bytes())) / l.Org.BankBytes())
}

// shows reports whether a bank holds enough of the picture, a tenth, for its lines
// to be judged: of a few rows at an edge no picture tells anything.
func (l *lanes) shows(bank int) bool {
	from := max(l.Base, int64(bank)*l.Org.BankBytes())
	to := min(l.Base+l.Mode.Bytes(), int64(bank+1)*l.Org.BankBytes())
	return 10*(to-from) >= l.Mode.Bytes()
}

// class returns the lane class of a pixel.
func (l *lanes) class(pixel int) int { return l.bankOf(pixel)*l.phases + pixel%l.phases }

// stride returns a step of about so many pixels that comes by every lane class:
// it has no divisor in common with the phases, which are five or seven on a bus
// of as many chips.
func (l *lanes) stride(about int) int {
	step := max(1, about) | 1
	for commonDivisor(step, l.phases) != 1 {
		step += 2
	}
	return step
}

func commonDivisor(a, b int) int {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// classes fills the lane class of every pixel of a line.
func (l *lanes) classes(y int, out []int16) {
	pixel, size := y*l.Mode.Width, int64(l.Mode.Format.Bytes())
	bank, phase := l.bankOf(pixel), pixel%l.phases
	left := int64(bank+1)*l.Org.BankBytes() - l.Base - int64(pixel)*size // bytes of the bank
	for x := range out {
		out[x] = int16(bank*l.phases + phase)
		if phase++; phase == l.phases {
			phase = 0
		}
		if left -= size; left <= 0 {
			bank++
			left += l.Org.BankBytes()
		}
	}
}

// rows goes over rows of the picture with the lane class of every pixel.
func (l *lanes) rows(from, to, step int) func(yield func(y int, classes []int16) bool) {
	return func(yield func(int, []int16) bool) {
		classes := make([]int16, l.Mode.Width)
		for y := from; y < to; y += step {
			l.classes(y, classes)
			if !yield(y, classes) {
				return
			}
		}
	}
}

// classesOf returns the first lane class of a bank and that of the next one.
func (l *lanes) classesOf(bank int) (first, end int) { return bank * l.phases, (bank + 1) * l.phases }

// weight returns the levels of one bit of a channel.
func (l *lanes) weight(channel, bit int) float64 { return float64(l.level[channel][1<<bit]) }

// pixelBit returns which bit of a pixel a bit of a channel is.
func (l *lanes) pixelBit(channel, bit int) int { return l.fields[channel].Shift + bit }

// slots returns every shown bit that lies on a line.
func (l *lanes) slots(bank, chip, line int) (out []slot) {
	first, end := l.classesOf(bank)
	for class := first; class < end; class++ {
		for channel, places := range l.wires[class] {
			for bit, p := range places {
				if p.Chip == chip && p.Line == line {
					out = append(out, slot{class, channel, bit, l.weight(channel, bit)})
				}
			}
		}
	}
	return out
}

// holds reports whether a chip holds a shown bit of a lane class.
func (l *lanes) holds(class, chip int) bool {
	for _, places := range l.wires[class] {
		for _, p := range places {
			if p.Chip == chip {
				return true
			}
		}
	}
	return false
}

// at returns the pixel, and the bit of it, that a data line of a chip holds in
// the beat at a byte address. It is false outside the picture.
func (l *lanes) at(beat int64, chip, line int) (pixel, bit int, in bool) {
	lane := chip*l.Org.ChipBits + line
	offset := beat + int64(lane/8) - l.Base
	if offset < 0 || offset >= l.Mode.Bytes() {
		return 0, 0, false
	}
	size := int64(l.Mode.Format.Bytes())
	return int(offset / size), int(offset%size)*8 + lane%8, true
}

// beats returns the first and the end of the beats of a bank that the picture
// touches, as byte addresses from the start of memory.
func (l *lanes) beats(bank int) (first, end int64) {
	first = max(int64(bank)*l.Org.BankBytes(), l.Base-l.Base%l.beat)
	end = min(int64(bank+1)*l.Org.BankBytes(), l.Base+l.Mode.Bytes())
	return first, max(first, end)
}

// planes returns the level of every pixel and channel that the codes show.
func (l *lanes) planes(codes []uint32) (out planes) {
	for channel, f := range l.fields {
		out[channel] = make([]float32, len(codes))
		levels, mask, shift := l.level[channel], f.Mask(), f.Shift
		for i, code := range codes {
			out[channel][i] = levels[code>>shift&mask]
		}
	}
	return out
}
