package picture

import (
	"math"

	"proveout/plans/fact"
	"proveout/scoring/picture/align"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
)

// other reports whether a pattern that was read is another one than the one that
// should be shown, on the same screen.
func (c *comparison) other(p pattern.Pattern, err error) bool {
	m := c.f.Mode
	return err == nil && p != c.f.Pattern && p.Mode.Width == m.Width && p.Mode.Height == m.Height
}

// foreign reads the identification through the grid and reports whether the
// capture shows another pattern than it should. A coarse pattern may have been
// laid wrongly over a picture that is another one: then it looks further. So may
// any pattern over its own picture that is mirrored or turned: that is looked for
// where nothing can be read, and ends the comparison too.
func (c *comparison) foreign() (p pattern.Pattern, ends bool) {
	if c.f.Pattern.Kind == 0 {
		return pattern.Pattern{}, false
	}
	g := c.grid
	p, err := pattern.ReadIdentity(c.f.Mode, pattern.MeanOf(func(x, y int) float64 {
		i := y*g.Width + x
		return float64(g.V[0][i] + g.V[1][i] + g.V[2][i])
	}))
	if err == nil || c.r.Route == Photograph {
		return p, c.other(p, err)
	}
	if c.texture() == align.Coarse {
		p, err = align.IdentifyScreen(c.capture, c.f.Mode.Width, c.f.Mode.Height)
		if c.other(p, err) {
			return p, true
		}
	}
	if c.turned() {
		c.r.Registered = false
		return pattern.Pattern{}, true
	}
	return p, false
}

// foreignAtOnce reads the identification of a capture that may show the screen
// edge to edge, or between bars.
func (c *comparison) foreignAtOnce() (pattern.Pattern, bool) {
	if c.f.Pattern.Kind == 0 {
		return pattern.Pattern{}, false
	}
	if c.sameSize() {
		p, err := pattern.Identify(c.capture)
		return p, c.other(p, err)
	}
	p, err := align.IdentifyFramed(c.capture, c.wanted.Width, c.wanted.Height)
	return p, c.other(p, err)
}

// lookFurther tries to read which pattern a capture shows that could not be laid
// over the one it should show: edge to edge, shifted and scaled, or as a photograph.
func (c *comparison) lookFurther() (pattern.Pattern, bool) {
	if p, err := pattern.Identify(c.capture); err == nil {
		return p, p != c.f.Pattern
	}
	if c.f.Pattern.Kind == 0 {
		return pattern.Pattern{}, false
	}
	p, err := align.IdentifyScreen(c.capture, c.f.Mode.Width, c.f.Mode.Height)
	if err != nil {
		p, err = align.Identify(c.capture)
	}
	return p, err == nil && p != c.f.Pattern
}

// turned tries to read a capture that is mirrored or turned, and says so.
func (c *comparison) turned() bool {
	if c.f.Pattern.Kind == 0 {
		return false
	}
	turn, p, ok := align.Turned(c.capture, c.wanted.Width, c.wanted.Height)
	if ok {
		c.r.Reason = TurnedPicture(turn, p)
	}
	return ok
}

// TurnedPicture says that a capture shows a pattern mirrored or turned.
func TurnedPicture(turn align.Turn, p pattern.Pattern) fact.Fact {
	return fact.New("picture.turned", "pattern", p.Name(), "how", fact.New("picture.turn."+string(turn)))
}

// frozen reports that the capture shows another picture of the set, if any.
func (c *comparison) frozen(p pattern.Pattern) {
	r := c.r
	if p.Kind == 0 {
		return // mirrored or turned
	}
	r.Registered = false
	r.shows = p
	r.Reason = fact.New("picture.another-pattern", "pattern", p.Name(), "mode", p.Mode.String())
	where := fact.New("picture.screen-shows", "pattern", p.Name(), "mode", p.Mode.String())
	f := r.find(plain(Black, where, fact.New("picture.look-frozen")))
	f.Form, f.Confidence = Frozen, 0.6
}

// settleFrozen looks over all pictures of a job: a picture that stands where
// several others should have been shown is frozen.
func (c *Combined) settleFrozen(results []*Result) {
	showing := map[pattern.Pattern]int{}
	for _, r := range results {
		switch {
		case r.shows.Kind != 0:
			showing[r.shows]++
		case r.Registered:
			showing[r.named]++
		}
	}
	for _, r := range results {
		n := showing[r.shows]
		if r.shows.Kind == 0 || n < 2 {
			continue
		}
		for i := range c.Findings {
			f := &c.Findings[i]
			if f.Form == Frozen && same(f.Where, r.Findings[0].Where) && len(f.Evidence) == 0 {
				f.Confidence, f.Evidence = 0.95, []fact.Fact{fact.New("picture.captures-show-it", "n", n)}
			}
		}
	}
	for i, a := range results {
		for _, b := range results[i+1:] {
			if a.named != b.named && a.glance.like(b.glance) {
				where := fact.New("picture.one-for-two", "pattern", a.Pattern, "other", b.Pattern)
				f := plain(Black, where, fact.New("picture.look-neither"))
				f.Form, f.Confidence = Frozen, 0.8
				c.add(f)
				return
			}
		}
	}
}

// A glance is a picture at 12×9 pixels, kept of a capture that shows nothing
// known, to see whether two are the same.
type glance [12 * 9]float64

func glanceAt(p *raster.RGB) *glance {
	var g glance
	var n [12 * 9]float64
	step := max(1, p.Width*p.Height/100000)
	for i := 0; i < p.Width*p.Height; i += step {
		k := i/p.Width*9/p.Height*12 + i%p.Width*12/p.Width
		g[k] += float64(int(p.Pix[3*i])+int(p.Pix[3*i+1])+int(p.Pix[3*i+2])) / 3
		n[k]++
	}
	for k := range g {
		g[k] /= max(1, n[k])
	}
	return &g
}

// like reports whether two glances are the same picture, and not just both of
// one brightness.
func (g *glance) like(o *glance) bool {
	if g == nil || o == nil {
		return false
	}
	var mean, apart, spread float64
	for k := range g {
		mean += g[k] / float64(len(g))
		apart += math.Abs(g[k]-o[k]) / float64(len(g))
	}
	for k := range g {
		spread += math.Abs(g[k]-mean) / float64(len(g))
	}
	return spread > 8 && apart < 2 && apart < spread/8
}
