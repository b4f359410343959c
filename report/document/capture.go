package document

import (
	"math"

	"proveout/report/chart"
	"proveout/report/content"
)

// capture sets the panels of a compared picture side by side, with the verdict
// over them and what was found under them.
func (s *sheet) capture(c *content.ShownCapture) {
	const gutter = 3.0
	abreast := float64(max(3, len(c.Panels)))
	w := (s.w - (abreast-1)*gutter) / abreast
	b := &block{}
	y := b.as(s.part.add("P")).text(0, 0, s.w, face{size: 9, weight: chart.Bold}, c.Label+" · "+c.Title+" · "+c.Word)
	y += 0.8
	tall, low := 0.0, y
	for i, p := range c.Panels {
		pw, ph := sizeOf(p.Picture, w, 60)
		if len(p.JPEG) > 0 {
			panel := b.as(s.part.figure(content.Join(" · ", c.Label, c.Title, p.Label)))
			panel.picture(float64(i)*(w+gutter), y, pw, ph, "JPEG", p.JPEG)
		}
		tall = math.Max(tall, ph)
	}
	for i, p := range c.Panels {
		x := float64(i) * (w + gutter)
		b.as(s.part.add("P"))
		at := b.text(x, y+tall+0.6, w, face{size: 7.8, weight: chart.Bold}, p.Label)
		if p.Scale != "" {
			at = b.text(x, at, w, face{size: 7.2, color: darkGrey}, p.Scale)
		}
		low = math.Max(low, at)
	}
	if c.Caption != "" {
		low = b.as(s.part.add("P")).text(0, low+0.6, s.w, face{size: 8.5}, c.Caption)
	}
	b.as(s.part.add("P")).text(0, low, s.w, face{size: 6.3, color: darkGrey}, c.Source)
	b.h += 4
	s.place(b)
}
