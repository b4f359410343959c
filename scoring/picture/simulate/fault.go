// Package simulate makes captures of test patterns as a faulty card and a
// capture device would: a card to practise on.
//
// A pattern, faults, the settings of a capture device and a seed come in, a
// picture goes out; equal input gives an equal picture.
package simulate

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"proveout/scoring/memory"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
)

// A Kind names a fault that is not one of the memory; see the constants. Faults
// of the memory use the kinds of package memory.
type Kind = memory.Kind

// Faults outside the memory.
const (
	ConverterBit   Kind = "converter-bit"
	ChannelMissing Kind = "channel-missing"
	ChannelSwapped Kind = "channel-swapped"
	Black          Kind = "black"
	Displaced      Kind = "displaced"
	Stripe         Kind = "stripe"
	Noise          Kind = "noise"
	Geometry       Kind = "geometry"
	Frozen         Kind = "frozen"   // another picture of the set stays on the screen
	Sampling       Kind = "sampling" // columns are taken beside their time
)

// A Wired says what two shorted lines show.
type Wired int

// WiredAnd lets a 0 win, WiredOr a 1.
const (
	WiredAnd Wired = iota
	WiredOr
)

// A Fault is one thing that is wrong.
type Fault struct {
	Kind        Kind
	Bank, Chip  int     // chip -1 with AddressLine: every chip of the bank
	Line, Line2 int     // data lines of the chip; Line2 for shorted and swapped ones
	Wired       Wired   // for shorted lines
	AddressLine int     // word-address line, 0 the lowest
	Rate        float64 // share of wrong bits of a weak chip, of pixels for Noise; 0 to 1
	Channel     int     // 0 red, 1 green, 2 blue; swapped with the next
	Bit         int     // of the 8-bit sample after widening: 7 is the highest bit of the pixel's field
	Period      int     // columns, for Stripe; for Sampling, of the beat along the line: 0 jitters from line to line
	Amount      int     // levels for Stripe, pixels for Displaced and Geometry, hundredths of a pixel for Sampling
	Shows       string  // name of the picture that stays, for Frozen; empty: the one before in the set
}

// Card returns what the screen of a faulty card shows for a frame. The frame
// buffer begins at byte address base of the memory. A fault that names what the
// memory or the picture does not have is an error.
func Card(f *pattern.Frame, org memory.Organisation, base int64, faults []Fault, seed uint64) (*raster.RGB, error) {
	rng := newSource(seed)
	f, err := shownFrame(f, faults)
	if err != nil {
		return nil, err
	}
	written := f.Bytes()
	shown := append([]byte(nil), written...)
	for _, ft := range faults {
		if ft.Channel < 0 || ft.Channel > 2 || ft.Bit < 0 || ft.Bit > 7 || !(ft.Rate >= 0 && ft.Rate <= 1) || ft.Period < 0 {
			return nil, fmt.Errorf("a fault with channel %d, bit %d, rate %g and period %d cannot be simulated",
				ft.Channel, ft.Bit, ft.Rate, ft.Period)
		}
		if err := spoilMemory(shown, written, org, base, ft, rng); err != nil {
			return nil, err
		}
	}
	spoilt, err := pattern.FromBytes(shown, f.Mode)
	if err != nil {
		return nil, err
	}
	p := spoilt.RGB()
	for _, ft := range faults {
		if err := spoilScreen(p, f.Mode.Format, ft, rng); err != nil {
			return nil, err
		}
	}
	return p, nil
}

// shownFrame returns the frame that is in the memory: the one given, unless the
// screen is frozen.
func shownFrame(f *pattern.Frame, faults []Fault) (*pattern.Frame, error) {
	for _, ft := range faults {
		if ft.Kind != Frozen {
			continue
		}
		p, err := before(f, ft.Shows)
		if err != nil {
			return nil, err
		}
		if f, err = p.Render(); err != nil {
			return nil, err
		}
	}
	return f, nil
}

// before returns the picture of that name, or else the one that stands before
// the frame's in the set.
func before(f *pattern.Frame, name string) (pattern.Pattern, error) {
	if name != "" {
		return pattern.ParseName(name, f.Mode)
	}
	set := pattern.All(f.Mode)
	at := slices.Index(set, f.Pattern)
	return set[(max(at, 0)+len(set)-1)%len(set)], nil
}

// spoilMemory changes the shown bytes. A memory fault needs an organisation.
func spoilMemory(shown, written []byte, org memory.Organisation, base int64, ft Fault, rng *source) error {
	if !ofMemory(ft.Kind) {
		return nil
	}
	if err := org.Check(); err != nil {
		return fmt.Errorf("a fault of the memory needs its organisation: %w", err)
	}
	inside := func(v, end int) bool { return v >= 0 && v < end }
	everyChip := ft.Chip == -1 && ft.Kind == memory.AddressLine
	if !inside(ft.Bank, len(org.Banks)) || !everyChip && !inside(ft.Chip, org.ChipsPerBank()) ||
		!inside(ft.AddressLine, org.AddressLines()+1) || !inside(ft.Line, org.ChipBits) || !inside(ft.Line2, org.ChipBits) {
		return errors.New("the fault names a bank, chip, line or address line that the memory does not have")
	}
	b := beat{Fault: ft, shown: shown, written: written, org: org, base: base, rng: rng}
	b.from = int64(ft.Bank)*org.BankBytes() - base
	b.to = min(b.from+org.BankBytes(), int64(len(shown)))
	b.from = max(b.from, 0)
	// The buffer may begin inside a beat.
	for b.start = b.from - (b.from+base)%org.BeatBytes(); b.start < b.to; b.start += org.BeatBytes() {
		b.spoil()
	}
	return nil
}

// A beat is one access across the bus, with the fault of a bank that it suffers.
type beat struct {
	Fault
	shown, written []byte // of the frame buffer
	org            memory.Organisation
	base           int64 // of the buffer
	from, to       int64 // part of the buffer that lies in the bank
	start          int64
	rng            *source
}

// bit returns where a lane of the bus lies in the buffer, false outside the bank.
func (b *beat) bit(lane int) (at int64, bit int, in bool) {
	at = b.start + int64(lane/8)
	return at, lane % 8, at >= b.from && at < b.to
}

// read returns what a line of the chip shows.
func (b *beat) read(line int) byte {
	if at, bit, in := b.bit(b.Chip*b.org.ChipBits + line); in {
		return b.shown[at] >> bit & 1
	}
	return 0
}

func (b *beat) write(line int, v byte) { b.writeLane(b.Chip*b.org.ChipBits+line, v) }

func (b *beat) writeLane(lane int, v byte) {
	if at, bit, in := b.bit(lane); in {
		b.shown[at] = b.shown[at]&^(1<<bit) | v<<bit
	}
}

func (b *beat) spoil() {
	switch b.Kind {
	case memory.LineStuck0:
		b.write(b.Line, 0)
	case memory.LineStuck1:
		b.write(b.Line, 1)
	case memory.LineOpen:
		b.write(b.Line, byte(b.rng.next()>>40&1))
	case memory.LinesShorted:
		v := b.read(b.Line) & b.read(b.Line2)
		if b.Wired == WiredOr {
			v = b.read(b.Line) | b.read(b.Line2)
		}
		b.write(b.Line, v)
		b.write(b.Line2, v)
	case memory.LinesSwapped:
		v, v2 := b.read(b.Line), b.read(b.Line2)
		b.write(b.Line, v2)
		b.write(b.Line2, v)
	case memory.ChipDead:
		for line := range b.org.ChipBits {
			b.write(line, byte(b.Amount&1))
		}
	case memory.ChipWeak:
		for line := range b.org.ChipBits {
			if b.rng.unit() < b.Rate {
				b.write(line, b.read(line)^1)
			}
		}
	case memory.BankLost:
		for lane := range b.org.BusBits {
			b.writeLane(lane, byte(b.Amount&1))
		}
	case memory.AddressLine:
		b.fold()
	}
}

// fold reads the other word of a pair: both fall into one cell, and what was
// written last, at the higher address, is read for both.
func (b *beat) fold() {
	step := b.org.BeatBytes() << b.AddressLine
	if (b.start+b.base)%b.org.BankBytes()/step&1 == 1 {
		return
	}
	for lane := range b.org.BusBits {
		if b.Chip >= 0 && lane/b.org.ChipBits != b.Chip {
			continue
		}
		if at, bit, _ := b.bit(lane); at+step < b.to {
			b.writeLane(lane, b.written[at+step]>>bit&1)
		}
	}
}

// spoilScreen changes the samples after the memory.
func spoilScreen(p *raster.RGB, format pattern.Format, ft Fault, rng *source) error {
	n := p.Width * p.Height
	switch ft.Kind {
	case ConverterBit:
		bits := format.Fields()[ft.Channel].Bits
		k := ft.Bit - (8 - bits)
		if k < 0 {
			return fmt.Errorf("%s has no bit %d in that channel", format, ft.Bit)
		}
		for i := range n {
			v := uint32(p.Pix[3*i+ft.Channel]) >> (8 - bits)
			p.Pix[3*i+ft.Channel] = pattern.Widen(v&^(1<<k)|uint32(ft.Amount&1)<<k, bits)
		}
	case ChannelMissing:
		for i := range n {
			p.Pix[3*i+ft.Channel] = 0
		}
	case ChannelSwapped:
		o := (ft.Channel + 1) % 3
		for i := range n {
			p.Pix[3*i+ft.Channel], p.Pix[3*i+o] = p.Pix[3*i+o], p.Pix[3*i+ft.Channel]
		}
	case Black:
		clear(p.Pix)
	case Displaced:
		// A block of a sixth of each side shows what lies Amount pixels away.
		q := p.Clone()
		for y := p.Height / 2; y < p.Height/2+p.Height/6; y++ {
			for x := p.Width / 2; x < p.Width/2+p.Width/6; x++ {
				r, g, b := q.At(x-ft.Amount, y-ft.Amount/2)
				p.Set(x, y, r, g, b)
			}
		}
	case Stripe:
		for i := range n {
			if i%p.Width%max(1, ft.Period) == 0 {
				for ch := range 3 {
					p.Pix[3*i+ch] = clip(float64(p.Pix[3*i+ch]) + float64(ft.Amount))
				}
			}
		}
	case Noise:
		for i := range n {
			if rng.unit() < ft.Rate {
				v := uint8(255 * (rng.next() >> 33 & 1))
				p.Pix[3*i], p.Pix[3*i+1], p.Pix[3*i+2] = v, v, v
			}
		}
	case Sampling:
		sampleBeside(p, ft, rng)
	case Geometry:
		p.Fill(p.Width-ft.Amount, 0, p.Width, p.Height, 0, 0, 0)
	}
	return nil
}

// sampleBeside reads every pixel some hundredths of a pixel beside its place: by
// chance from line to line (standard deviation Amount), or as a wave along the
// line (amplitude Amount).
func sampleBeside(p *raster.RGB, ft Fault, rng *source) {
	q := p.Clone()
	for y := range p.Height {
		jitter := rng.normal()
		for x := range p.Width {
			by := jitter
			if ft.Period > 0 {
				by = math.Sin(2 * math.Pi * float64(x) / float64(ft.Period))
			}
			at := float64(x) + by*float64(ft.Amount)/100
			from := math.Floor(at)
			share := at - from
			a, b := min(max(int(from), 0), p.Width-1), min(max(int(from)+1, 0), p.Width-1)
			for ch := range 3 {
				row := q.Pix[3*y*p.Width+ch:]
				p.Pix[3*(y*p.Width+x)+ch] = clip((1-share)*float64(row[3*a]) + share*float64(row[3*b]))
			}
		}
	}
}

func clip(v float64) uint8 { return uint8(min(255, max(0, v+0.5))) }

// A source is the SplitMix64 generator (Steele, Lea and Flood, OOPSLA 2014;
// constants from memory).
type source struct {
	state uint64
	spare float64
	have  bool
}

func newSource(seed uint64) *source { return &source{state: seed*0x9E3779B97F4A7C15 + 0x1234567} }

func (s *source) next() uint64 {
	s.state += 0x9E3779B97F4A7C15
	z := s.state
	z = (z ^ z>>30) * 0xBF58476D1CE4E5B9
	z = (z ^ z>>27) * 0x94D049BB133111EB
	return z ^ z>>31
}

func (s *source) unit() float64 { return float64(s.next()>>11) / (1 << 53) }
