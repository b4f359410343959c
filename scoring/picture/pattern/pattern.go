// Package pattern makes the test pictures that a card is asked to show.
//
// A [Pattern] names a picture by mode, kind and variant; [Pattern.Render] gives
// the pixels as they lie in the frame buffer, which can be turned into samples,
// a raw dump, PNG or BMP. Every picture is exactly representable in its pixel
// format, and carries corner marks and an identification from which the pattern
// can be told again after an analogue capture. The package reads no files.
package pattern

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// A Kind says what a pattern shows.
type Kind int

// The kinds of pattern. Solid to Text are for the eye and for the metrics;
// Random and its complement find data lines; the planes do so for captures that
// cannot tell neighbouring levels apart.
const (
	Solid            Kind = iota + 1 // one colour; the variant counts colours
	Ramp                             // every level of red, green, blue and grey, in four bands
	Checker                          // one-pixel checker; variant 1 is the inverse
	VerticalLines                    // one-pixel columns; variant 1 is the inverse
	HorizontalLines                  // one-pixel rows; variant 1 is the inverse
	Grid                             // geometry: border, squares, centre cross
	Text                             // dense small strokes, light on dark; variant 1 dark on light
	Random                           // every bit pseudo-random, every place unique; the variant is the seed
	RandomComplement                 // every bit of Random inverted
	BitPlane                         // one bit pseudo-random, the others 0; see Plane
	BitSolid                         // one bit 1 all over, the others 0; see Plane
)

// colours are the names of the variants of [Solid].
func colours() []string {
	return []string{"black", "white", "red", "green", "blue", "yellow", "cyan", "magenta", "grey"}
}

// A Pattern is one test picture of one mode.
type Pattern struct {
	Mode    Mode
	Kind    Kind
	Variant int // 0 to 1023; see Kind
}

// A Complement says whether the bits of a plane pattern are inverted.
type Complement int

// Plain leaves the bits, Inverted inverts all of them.
const (
	Plain Complement = iota
	Inverted
)

// Plane returns the channel (0 red, 1 green, 2 blue), its bit (0 to 7) and the
// complement of a variant of [BitPlane] or [BitSolid].
func (p Pattern) Plane() (channel, bit int, c Complement) {
	return p.Variant >> 4, p.Variant >> 1 & 7, Complement(p.Variant & 1)
}

// planeVariant is the inverse of [Pattern.Plane].
func planeVariant(channel, bit int, c Complement) int {
	return channel<<4 | bit<<1 | int(c)
}

// Check reports what makes the pattern impossible.
func (p Pattern) Check() error {
	if err := p.Mode.Check(); err != nil {
		return err
	}
	limit := 0
	switch p.Kind {
	case Solid:
		limit = len(colours())
	case Ramp, Grid:
		limit = 1
	case Checker, VerticalLines, HorizontalLines, Text:
		limit = 2
	case Random, RandomComplement:
		limit = 1024
	case BitPlane, BitSolid:
		ch, bit, _ := p.Plane()
		if ch > 2 || bit >= p.Mode.Format.Fields()[ch].Bits {
			return fmt.Errorf("%s has no channel %d bit %d", p.Mode.Format, ch, bit)
		}
		limit = 1024
	default:
		return errors.New("no such kind of pattern")
	}
	if p.Variant < 0 || p.Variant >= limit {
		return fmt.Errorf("pattern variant %d is not within 0 to %d", p.Variant, limit-1)
	}
	return nil
}

var kindNames = [...]string{
	"", "solid", "ramp", "checker", "columns", "rows", "grid", "text", "random", "random-inverse", "plane", "bit",
}

// Name returns the name that [ParseName] reads, without the mode:
// "solid-red", "ramp", "random-1", "plane-green-5", "bit-red-4-inverse".
func (p Pattern) Name() string {
	if p.Kind < Solid || p.Kind > BitSolid {
		return "unknown"
	}
	s := kindNames[p.Kind]
	switch p.Kind {
	case Solid:
		if p.Variant >= 0 && p.Variant < len(colours()) {
			return s + "-" + colours()[p.Variant]
		}
	case Random, RandomComplement:
		return s + "-" + strconv.Itoa(p.Variant)
	case Checker, VerticalLines, HorizontalLines, Text:
		if p.Variant == 1 {
			return s + "-inverse"
		}
	case BitPlane, BitSolid:
		ch, bit, c := p.Plane()
		s = fmt.Sprintf("%s-%s-%d", s, [4]string{"red", "green", "blue", "?"}[min(ch, 3)], bit)
		if c == Inverted {
			s += "-inverse"
		}
	}
	return s
}

// ParseName reads the name of a pattern.
func ParseName(name string, m Mode) (Pattern, error) {
	name = strings.ToLower(strings.TrimSpace(name))
	for _, p := range All(m) {
		if p.Name() == name {
			return p, nil
		}
	}
	for _, k := range []Kind{RandomComplement, Random} {
		if rest, ok := strings.CutPrefix(name, kindNames[k]+"-"); ok {
			if v, err := strconv.Atoi(rest); err == nil {
				p := Pattern{m, k, v}
				return p, p.Check()
			}
		}
	}
	return Pattern{}, fmt.Errorf("pattern %q is not known for %s: try random-1, random-inverse-1, ramp, grid, text, "+
		"checker, columns, rows, solid-white, plane-red-4, bit-red-4", name, m)
}

// All lists the whole set for a mode, in the order in which to show it: first
// what the eye sees, then what finds faults.
func All(m Mode) []Pattern {
	var out []Pattern
	add := func(k Kind, v int) { out = append(out, Pattern{m, k, v}) }
	add(Random, 1)
	add(RandomComplement, 1)
	add(Ramp, 0)
	add(Grid, 0)
	for v := range colours() {
		add(Solid, v)
	}
	for _, k := range []Kind{Checker, VerticalLines, HorizontalLines, Text} {
		add(k, 0)
		add(k, 1)
	}
	for _, k := range []Kind{BitPlane, BitSolid} {
		for ch, f := range m.Format.Fields() {
			for bit := f.Bits - 1; bit >= 0; bit-- {
				add(k, planeVariant(ch, bit, Plain))
				add(k, planeVariant(ch, bit, Inverted))
			}
		}
	}
	return out
}

// Render draws the pattern.
func (p Pattern) Render() (*Frame, error) {
	if err := p.Check(); err != nil {
		return nil, err
	}
	f := &Frame{Pattern: p, Mode: p.Mode, Codes: make([]uint32, p.Mode.Width*p.Mode.Height)}
	switch p.Kind {
	case Text:
		p.drawText(f)
	case Grid:
		p.drawGrid(f)
	default:
		at := p.painter()
		for y := range p.Mode.Height {
			row := f.Codes[y*p.Mode.Width : (y+1)*p.Mode.Width]
			for x := range row {
				row[x] = at(x, y)
			}
		}
	}
	p.drawFurniture(f)
	return f, nil
}

// painter returns the pixel of the content at each place.
func (p Pattern) painter() func(x, y int) uint32 {
	m := p.Mode
	mask := m.Format.Mask()
	invert := func(on bool) uint32 {
		if on {
			return mask
		}
		return 0
	}
	switch p.Kind {
	case Solid:
		c := m.solid(p.Variant)
		return func(int, int) uint32 { return c }
	case Ramp:
		return p.ramp()
	case Checker:
		return func(x, y int) uint32 { return invert((x+y+p.Variant)&1 == 1) }
	case VerticalLines:
		return func(x, _ int) uint32 { return invert((x+p.Variant)&1 == 1) }
	case HorizontalLines:
		return func(_, y int) uint32 { return invert((y+p.Variant)&1 == 1) }
	case Random, RandomComplement:
		flip := invert(p.Kind == RandomComplement)
		return func(x, y int) uint32 { return noise(p.Variant, x, y)&mask ^ flip }
	}
	ch, bit, c := p.Plane()
	one := uint32(1) << (m.Format.Fields()[ch].Shift + bit)
	flip := invert(c == Inverted)
	if p.Kind == BitSolid {
		return func(int, int) uint32 { return one ^ flip }
	}
	return func(x, y int) uint32 { return noise(0, x, y)&one ^ flip }
}

func (m Mode) solid(variant int) uint32 {
	c := [...][3]uint8{{}, {255, 255, 255}, {255, 0, 0}, {0, 255, 0}, {0, 0, 255},
		{255, 255, 0}, {0, 255, 255}, {255, 0, 255}, {128, 128, 128}}[variant]
	return m.Format.code(c[0], c[1], c[2])
}

// ramp gives four bands below one another: red, green, blue and grey, each with
// every level of the channel from left to right.
func (p Pattern) ramp() func(x, y int) uint32 {
	m := p.Mode
	l := m.Layout()
	fields := m.Format.Fields()
	return func(x, y int) uint32 {
		band := max(0, min(3, 4*(y-l.Mark)/(m.Height-2*l.Mark)))
		var code uint32
		for ch, f := range fields {
			if band == ch || band == 3 {
				code |= uint32(x*(1<<f.Bits)/m.Width) << f.Shift
			}
		}
		return code
	}
}

// noise returns 32 pseudo-random bits for a place: a step of the SplitMix64
// generator (Steele, Lea and Flood, OOPSLA 2014; constants from memory).
func noise(seed, x, y int) uint32 {
	z := uint64(seed+1)*0xD1342543DE82EF95 + (uint64(y)<<16|uint64(x))*0x9E3779B97F4A7C15
	z = (z ^ z>>30) * 0xBF58476D1CE4E5B9
	z = (z ^ z>>27) * 0x94D049BB133111EB
	return uint32((z ^ z>>31) >> 16)
}

// drawGrid draws squares of a tenth of the height, a border, diagonal corner
// ticks and a centre cross.
func (p Pattern) drawGrid(f *Frame) {
	m := p.Mode
	w, h := m.Width, m.Height
	white, grey := m.Format.Mask(), m.solid(8)
	step := max(8, h/10)
	cx, cy := w/2, h/2
	for x := cx % step; x < w; x += step {
		f.fill(x, 0, x+1, h, grey)
	}
	for y := cy % step; y < h; y += step {
		f.fill(0, y, w, y+1, grey)
	}
	f.fill(cx-1, 0, cx+1, h, white)
	f.fill(0, cy-1, w, cy+1, white)
	f.fill(0, 0, 1, h, white)
	f.fill(w-1, 0, w, h, white)
	for i := range h / 4 { // a diagonal shows unequal scales
		f.fill(cx+i, cy+i, cx+i+1, cy+i+1, white)
		f.fill(cx-i, cy+i, cx-i+1, cy+i+1, white)
	}
}

// drawText draws strokes like small characters: cells of 6×9 pixels, each with
// one of many stroke patterns.
func (p Pattern) drawText(f *Frame) {
	m := p.Mode
	white := m.Format.Mask()
	for y := range m.Height {
		for x := range m.Width {
			cx, cy, gx, gy := x/6, y/9, x%6, y%9
			var on bool
			if gx < 5 && gy < 7 && noise(2, cx, cy)%7 != 0 {
				g := noise(3, int(noise(4, cx, cy)%64), 0)
				switch {
				case gx == 0 || gx == 4:
					on = g>>(gx+gy/3)&1 == 1
				case gy == 0 || gy == 3 || gy == 6:
					on = g>>(8+gy)&1 == 1
				case gx == 2:
					on = g>>16&3 == 3
				}
			}
			if on != (p.Variant == 1) {
				f.Codes[y*m.Width+x] = white
			}
		}
	}
}
