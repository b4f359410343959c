package content

import (
	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
)

// A Capture is a picture of the screen that was compared: pattern, capture and
// difference, side by side.
type Capture struct {
	outcome.Picture
	Step  string  // title of the step
	Shown []Photo // the panels; Role is the kind of panel
	Scale int     // levels at the ends of the difference panel's scale; 0 without one
}

// mostCaptures is how many captures a document shows: two pages of them.
const mostCaptures = 8

// gatherCaptures draws the captures of the outcome: those that did not pass
// first, then the others, as many as a document shows.
func (d *Document) gatherCaptures() {
	if d.Captures != nil || d.Outcome == nil {
		return
	}
	all := []Capture{}
	for _, passed := range []bool{false, true} {
		for _, s := range d.Outcome.Steps {
			for _, p := range s.Pictures {
				if p.Panels != nil && passed == (p.Verdict == conformity.Pass) {
					all = append(all, Capture{Picture: p, Step: orElse(s.Title, s.ID)})
				}
			}
		}
	}
	d.Captures = all[:min(len(all), mostCaptures)]
	d.Unshown = len(all) - len(d.Captures)
	for i := range d.Captures {
		c := &d.Captures[i]
		for _, panel := range c.Panels() {
			c.Shown = append(c.Shown, Photo{Image: panel.Image, Role: string(panel.Kind)})
			c.Scale = max(c.Scale, panel.Scale)
		}
	}
}

// Pictures returns every picture of the document: photos, then panels.
func (d *Document) Pictures() []*Photo {
	var out []*Photo
	for i := range d.Photos {
		out = append(out, &d.Photos[i])
	}
	for i := range d.Captures {
		for k := range d.Captures[i].Shown {
			out = append(out, &d.Captures[i].Shown[k])
		}
	}
	return out
}
