package content

import (
	"slices"

	"proveout/plans/fact"
	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
)

// A Capture is a picture of the screen that was compared: pattern, capture and
// difference, side by side.
type Capture struct {
	Step    string // title of the step
	Title   fact.Fact
	Caption fact.Fact
	File    string
	SHA256  string
	Verdict conformity.Verdict
	Panels  []Photo // Role is the kind of panel
	Scale   int     // levels at the ends of the difference panel's scale; 0 without one
}

// mostCaptures is how many captures a document shows: two pages of them.
const mostCaptures = 8

// gatherCaptures draws the captures of the outcome: those that did not pass
// first, then the others, as many as a document shows.
func (d *Document) gatherCaptures() {
	if d.Captures != nil || d.Outcome == nil {
		return
	}
	d.Captures, d.Unshown = []Capture{}, 0
	type found struct {
		step string
		p    outcome.Picture
	}
	var all []found
	for _, s := range d.Outcome.Steps {
		title := s.Title
		if title == "" {
			title = s.ID
		}
		for _, p := range s.Pictures {
			if p.Panels != nil {
				all = append(all, found{title, p})
			}
		}
	}
	slices.SortStableFunc(all, func(a, b found) int {
		rank := func(f found) int {
			if f.p.Verdict == conformity.Pass {
				return 1
			}
			return 0
		}
		return rank(a) - rank(b)
	})
	if len(all) > mostCaptures {
		d.Unshown = len(all) - mostCaptures
		all = all[:mostCaptures]
	}
	for _, f := range all {
		c := Capture{
			Step: f.step, Title: f.p.Title, Caption: f.p.Caption,
			File: f.p.File, SHA256: f.p.SHA256, Verdict: f.p.Verdict,
		}
		for _, panel := range f.p.Panels() {
			c.Panels = append(c.Panels, Photo{Image: panel.Image, Role: string(panel.Kind)})
			c.Scale = max(c.Scale, panel.Scale)
		}
		d.Captures = append(d.Captures, c)
	}
}

// Pictures returns every picture of the document: photos, then panels.
func (d *Document) Pictures() []*Photo {
	var out []*Photo
	for i := range d.Photos {
		out = append(out, &d.Photos[i])
	}
	for i := range d.Captures {
		for k := range d.Captures[i].Panels {
			out = append(out, &d.Captures[i].Panels[k])
		}
	}
	return out
}
