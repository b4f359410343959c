package picture

import (
	"fmt"
	"math"

	"proveout/scoring/picture/align"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
)

// foreign reads the identification through the grid and reports whether the
// capture shows another pattern than it should. A coarse pattern may have been
// laid wrongly over a picture that is another one: then it looks further.
func (c *comparison) foreign(g *raster.Grid) (pattern.Pattern, bool) {
	if c.f.Pattern.Kind == 0 {
		return pattern.Pattern{}, false
	}
	p, err := c.identity(g)
	if err != nil && c.texture() == align.Coarse && c.r.Route != Photograph {
		p, err = align.IdentifyScreen(c.capture, c.f.Mode.Width, c.f.Mode.Height)
	}
	return p, err == nil && p != c.f.Pattern && p.Mode.Width == c.f.Mode.Width && p.Mode.Height == c.f.Mode.Height
}

func (c *comparison) identity(g *raster.Grid) (pattern.Pattern, error) {
	return pattern.ReadIdentity(c.f.Mode, pattern.MeanOf(func(x, y int) float64 {
		i := y*g.Width + x
		return float64(g.V[0][i] + g.V[1][i] + g.V[2][i])
	}))
}

// foreignAtOnce reads the identification of a capture that has the size of the
// screen and may show it edge to edge.
func (c *comparison) foreignAtOnce() (pattern.Pattern, bool) {
	if c.f.Pattern.Kind == 0 || c.capture.Width != c.wanted.Width || c.capture.Height != c.wanted.Height {
		return pattern.Pattern{}, false
	}
	p, err := pattern.Identify(c.capture)
	return p, err == nil && p != c.f.Pattern && p.Mode.Width == c.f.Mode.Width && p.Mode.Height == c.f.Mode.Height
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

// frozen reports that the capture shows another picture of the set.
func (c *comparison) frozen(p pattern.Pattern) {
	r := c.r
	r.Registered = false
	r.shows = named(p)
	r.Reason = fmt.Sprintf("the capture shows another pattern: %s of %s", p.Name(), p.Mode)
	f := plain(Black, fmt.Sprintf("the screen shows %s of %s and not what was to be shown", p.Name(), p.Mode),
		"Show the picture again and capture it. When it stays, the picture is frozen: new content does not reach the memory that is shown, or another part of it is shown; check the start address of the display and the write path. When it does not, the wrong file was captured.")
	f.Form, f.Confidence = Frozen, 0.6
	r.Findings = append(r.Findings, f)
}

// Undecided reports whether a finding alone decides nothing: a capture of another
// picture than the one that was to be shown may be a frozen screen or the wrong
// file.
func (f Finding) Undecided() bool { return f.Form == Frozen && f.Confidence < 0.7 }

func named(p pattern.Pattern) string { return fmt.Sprintf("%s of %s", p.Name(), p.Mode) }

// settleFrozen looks over all pictures of a job: a picture that stands where
// several others should have been shown is frozen.
func (c *Combined) settleFrozen(results []*Result) {
	showing := map[string]int{}
	for _, r := range results {
		switch {
		case r.shows != "":
			showing[r.shows]++
		case r.Registered:
			showing[r.named]++
		}
	}
	for _, r := range results {
		n := showing[r.shows]
		if r.shows == "" || n < 2 {
			continue
		}
		for i := range c.Findings {
			f := &c.Findings[i]
			if evidence := fmt.Sprintf("%d captures show it", n); f.Form == Frozen && f.Where == r.Findings[0].Where && len(f.Evidence) == 0 {
				f.Confidence, f.Evidence = 0.95, []string{evidence}
			}
		}
	}
	for i, a := range results {
		for _, b := range results[i+1:] {
			if a.named != b.named && a.glance.like(b.glance) {
				f := plain(Black, fmt.Sprintf("the captures of %s and of %s show one and the same picture, and it is neither", a.Pattern, b.Pattern),
					"The picture is frozen, or something else than the card's picture was captured: check that the capture follows the screen.")
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
