package picture

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"proveout/scoring/memory"
	"proveout/scoring/picture/lines"
	"proveout/scoring/picture/pattern"
)

// upperJudged counts the judged lines of those in the first bank that hold one
// of the four upper bits of a channel.
func upperJudged(r *Result, f pattern.Format) (judged, all int) {
	shift, bits, _ := layoutOf(f)
	for _, l := range r.Lines {
		upper := slices.ContainsFunc(l.PixelBits, func(b int) bool {
			for ch := range 3 {
				if b >= shift[ch]+bits[ch]-4 && b < shift[ch]+bits[ch] {
					return true
				}
			}
			return false
		})
		if upper && l.Bank == 0 {
			all++
			if l.State != lines.NotJudged {
				judged++
			}
		}
	}
	return judged, all
}

// anyBreakage draws a fault. The lines are ones that the picture can show.
func anyBreakage(rng *rand.Rand, org memory.Organisation, kind memory.Kind, f pattern.Format) *breakage {
	shift, bits, size := layoutOf(f)
	shown := func(chip, line int) bool {
		if size == 3 {
			return true
		}
		bit := (chip*org.ChipBits + line) % (8 * size)
		for ch := range 3 {
			if bit >= shift[ch] && bit < shift[ch]+bits[ch] {
				return true
			}
		}
		return false
	}
	for {
		b := &breakage{
			kind: kind,
			chip: rng.IntN(org.ChipsPerBank()),
			line: rng.IntN(org.ChipBits),
			or:   rng.IntN(2) == 0,
		}
		b.line2 = (b.line + 1 + rng.IntN(2)) % org.ChipBits
		if shown(b.chip, b.line) && shown(b.chip, b.line2) {
			return b
		}
	}
}

// namedRight reports whether the findings name chip, lines and kind.
func (b *breakage) namedRight(fs []Finding) bool {
	return slices.ContainsFunc(fs, func(g Finding) bool {
		if g.Kind != b.kind || g.Chip != b.chip {
			return false
		}
		switch b.kind {
		case memory.ChipDead:
			return true
		case memory.LinesShorted, memory.LinesSwapped:
			return slices.Equal(g.Lines, []int{min(b.line, b.line2), max(b.line, b.line2)})
		}
		return slices.Equal(g.Lines, []int{b.line})
	})
}

// judges reports whether the picture says that it could judge the lines of the
// fault.
func (b *breakage) judged(r *Result) bool {
	for _, l := range r.Lines {
		mine := l.Line == b.line ||
			b.line2 == l.Line && (b.kind == memory.LinesShorted || b.kind == memory.LinesSwapped)
		if l.Bank == 0 && l.Chip == b.chip && mine && l.State == lines.NotJudged {
			return b.kind == memory.ChipDead
		}
	}
	return true
}

// A sweep counts what photographs tell.
type sweep struct {
	all, registered, whole, clean, alarms, faulty, named int
}

// shoot photographs a random pattern on a card with at most one fault, compares,
// and counts.
func (s *sweep) shoot(
	t *testing.T,
	c telephone,
	m pattern.Mode,
	org memory.Organisation,
	b *breakage,
	rng *rand.Rand,
) {
	f := show(t, m, fmt.Sprintf("%s-%d", []string{"random", "random-inverse"}[rng.IntN(2)], 1+rng.IntN(500)))
	p := c.shoot(t, brokenScreen(f.RGB(), m.Format, org, b, rng), rng.Uint64())
	r := compared(t, f, p, Options{Memory: &org, Route: Photograph})
	judged, all := upperJudged(r, m.Format)
	ok := r.Registered && judged == all
	s.all++
	if ok {
		s.whole++
	}
	if r.Registered {
		s.registered++
	}
	switch {
	case !r.Registered:
	case b == nil:
		s.clean++
		if !r.Faultless || r.LinesJudged.Bad > 0 {
			s.alarms++
			ok = false
		}
	case b.judged(r):
		s.faulty++
		if b.namedRight(r.Findings) && !r.Clean {
			s.named++
		} else {
			ok = false
		}
	}
	if !ok {
		t.Logf(
			"%d %s %d/%d %+v, %d×%d: registered %v %v, lines %+v, noise %.1f, upper bits %d of %d, %+v, found %q",
			s.all,
			m,
			org.ChipBits,
			org.BusBits,
			c,
			p.Width,
			p.Height,
			r.Registered,
			r.Reason,
			r.LinesJudged,
			r.NoiseSD,
			judged,
			all,
			b,
			brief(r.Findings),
		)
	}
}

// check holds a sweep to what photographs are to tell.
func (s *sweep) check(t *testing.T) {
	t.Logf(
		"%d of %d registered; all upper bits judged in %d; %d of %d faults of judged lines named; %d alarms in %d clean",
		s.registered,
		s.all,
		s.whole,
		s.named,
		s.faulty,
		s.alarms,
		s.clean,
	)
	if s.whole*10 < 9*s.all || s.named*10 < 8*s.faulty || s.alarms > 0 {
		t.Error("not good enough")
	}
}

// The organisations of memory that families have.
func organisations() []memory.Organisation {
	return []memory.Organisation{wide, narrow, wider,
		{Words: 1 << 20, ChipBits: 16, BusBits: 128, Banks: []memory.Bank{bank(1, 8)}},
		{Words: 256 << 10, ChipBits: 16, BusBits: 64, Banks: []memory.Bank{bank(4, 4), bank(8, 4)}}}
}

// Photographs by the second camera of random patterns: 3 to 8 camera pixels a
// screen pixel, tilt to 15°, vignetting to 40 %, blur, noise 6, JPEG 85; each
// fourth with true tones and stripes, each third in a light frame. Large screens are taken from farther away.
func TestPhotographsOfASecondCamera(t *testing.T) {
	notUnderRace(t)
	type size struct {
		width, n int
		most     float64
	}
	sizes := []size{{320, 2, 3.2}}
	if allChecks {
		sizes = []size{{320, 14, 8}, {640, 3, 5}, {800, 2, 4}, {1024, 1, 3}}
	}
	kinds := []memory.Kind{
		memory.LineStuck0,
		memory.LineOpen,
		memory.LinesShorted,
		memory.ChipDead,
		memory.LineStuck1,
		memory.LinesSwapped,
	}
	formats := []pattern.Format{pattern.RGB565, pattern.XRGB8888, pattern.Palette8, pattern.RGB888, pattern.RGB555}
	rng := rand.New(rand.NewPCG(5, 7))
	var s sweep
	for _, size := range sizes {
		for i := range size.n {
			c := anyTelephone(rng)
			c.scale = 3 + (size.most-3)*rng.Float64()
			if i%4 == 3 {
				c = c.trueTones(0.3)
			}
			if i%3 == 1 {
				c.frame = 210
			}
			orgs := organisations()
			org := orgs[rng.IntN(len(orgs))]
			m := pattern.Mode{Width: size.width, Height: size.width * 3 / 4, Format: formats[i%len(formats)]}
			var b *breakage
			if i%5 != 0 {
				b = anyBreakage(rng, org, kinds[rng.IntN(len(kinds))], m.Format)
			}
			s.shoot(t, c, m, org, b, rng)
		}
	}
	s.check(t)
}

// A clean card is called clean. A sweep of 300 such photographs had no alarm.
func TestPhotographsOfACleanCard(t *testing.T) {
	onlyInAllChecks(t)
	const n = 50
	rng := rand.New(rand.NewPCG(25, 26))
	var s sweep
	for i := range n {
		c := anyTelephone(rng)
		c.scale = 3 + 0.2*rng.Float64()
		if i%2 == 1 {
			c = c.trueTones(0.3 * rng.Float64())
		}
		orgs := organisations()
		s.shoot(t, c, small(pattern.Formats()[i/2%5]), orgs[rng.IntN(len(orgs))], nil, rng)
	}
	s.check(t)
}

// A short from the highest bit of blue to the lowest of green in RGB565 is named
// and marks no other line, least of all the lower bits of blue, which answer less
// in dark pixels.
func TestPhotographedShortBetweenChannels(t *testing.T) {
	onlyInAllChecks(t)
	rng := rand.New(rand.NewPCG(35, 36))
	for _, or := range []bool{false, true} {
		c := anyTelephone(rng)
		c.scale = 3.2
		b := &breakage{kind: memory.LinesShorted, chip: 1, line: 4, line2: 5, or: or}
		f := show(t, small(pattern.RGB565), "random-1")
		r := compared(
			t,
			f,
			c.shoot(t, brokenScreen(f.RGB(), f.Mode.Format, wide, b, rng), 1),
			Options{Memory: &wide, Route: Photograph},
		)
		if !b.namedRight(r.Findings) || len(r.Findings) != 1 || r.LinesJudged.Bad != 2 {
			t.Errorf("or %v: %+v %q", or, r.LinesJudged, brief(r.Findings))
		}
	}
}

// solids photographs the bit solids of one channel, each with its inverse, and
// combines them.
func solids(
	t *testing.T,
	rng *rand.Rand,
	m pattern.Mode,
	org memory.Organisation,
	channel string,
	bits []int,
	b *breakage,
) Combined {
	var all []*Result
	for _, bit := range bits {
		for _, inverse := range []string{"", "-inverse"} {
			f := show(t, m, fmt.Sprintf("bit-%s-%d%s", channel, bit, inverse))
			c := anyTelephone(rng)
			c.scale = 3 + 0.5*rng.Float64()
			p := c.shoot(t, brokenScreen(f.RGB(), m.Format, org, b, rng), rng.Uint64())
			r := compared(t, f, p, Options{Memory: &org, Route: Photograph})
			if r.LinesJudged.Good > 0 {
				t.Errorf("%s alone calls %d lines good", r.Pattern, r.LinesJudged.Good)
			}
			all = append(all, r)
		}
	}
	fresh := Combine(all)
	if want, got := encoded(t, fresh), encoded(t, Combine(remembered(t, all))); got != want {
		t.Errorf("of results that were kept: %s, want %s", got, want)
	}
	return fresh
}

func TestPhotographedBitSolids(t *testing.T) {
	notUnderRace(t)
	rng := rand.New(rand.NewPCG(15, 7))
	bits := []int{4, 3}[:usuallyOr(1, 2)]
	size := pattern.Mode{Width: usuallyOr(256, 320), Height: usuallyOr(192, 240), Format: pattern.RGB565}
	// Green bits 3 and 4 of RGB565 are pixel bits 8 and 9: D8 and D9 of a 16-bit
	// chip, D0 and D1 of every second 8-bit chip.
	for k, tc := range []struct {
		org memory.Organisation
		b   *breakage
	}{
		{wide, nil},
		{wide, &breakage{kind: memory.LineStuck0, chip: 2, line: 9}},
		{narrow, &breakage{kind: memory.LineStuck1, chip: 5, line: 0}},
		{wide, &breakage{kind: memory.LineOpen, chip: 0, line: 9}},
		{narrow, &breakage{kind: memory.LinesShorted, chip: 3, line: 0, line2: 1}},
		{wide, &breakage{kind: memory.LinesShorted, chip: 1, line: 8, line2: 9, or: true}},
	} {
		if !allChecks && k != 1 {
			continue
		}
		c := solids(t, rng, size, tc.org, "green", bits, tc.b)
		if tc.b == nil {
			if want := 4 * len(bits); !c.Faultless || c.LinesJudged.Good != want || c.LinesJudged.Bad != 0 {
				t.Errorf(
					"clean card: clean %v, %+v, %d good wanted, %q %q",
					c.Clean,
					c.LinesJudged,
					want,
					brief(c.Findings),
					c.Unregistered,
				)
			}
			continue
		}
		if !tc.b.namedRight(c.Findings) || c.Clean || len(c.Findings) != 1 {
			t.Errorf("%+v: clean %v, %+v %q", *tc.b, c.Clean, c.LinesJudged, brief(c.Findings))
		}
		for _, l := range c.Lines {
			if l.Bank == 0 && l.Chip == tc.b.chip && l.Line == tc.b.line && l.State == lines.Good {
				t.Errorf("%+v: the line is called good", *tc.b)
			}
		}
	}
}

// With two lane classes a fault of one looks like the opposite fault of the
// other. In the solids of other bits it is named for neither.
func TestPhotographedBitSolidsOfTwoLaneClasses(t *testing.T) {
	onlyInAllChecks(t)
	rng := rand.New(rand.NewPCG(45, 46))
	for _, b := range []*breakage{
		{kind: memory.LineStuck0, chip: 2, line: 7},
		{kind: memory.LineStuck1, chip: 0, line: 6},
	} {
		c := solids(t, rng, small(pattern.XRGB8888), wide, "blue", []int{6, 7}, b)
		if !b.namedRight(c.Findings) || len(c.Findings) != 1 || c.LinesJudged.Bad != 1 || c.Clean {
			t.Errorf("%+v: clean %v, %+v %q", *b, c.Clean, c.LinesJudged, brief(c.Findings))
		}
	}
}
