package scoring

import (
	"fmt"
	"image"
	"slices"
	"strings"

	"proveout/plans"
	"proveout/plans/quantity"
	"proveout/scoring/conformity"
	"proveout/scoring/picture"
	"proveout/scoring/picture/raster"
)

var _ = judges(plans.ImageKind, (*judge).image)

// A Picture is a capture that was compared, for documents to show.
type Picture struct {
	Title   string         `json:"title"`   // "random-1 at 640x480x16"
	Caption string         `json:"caption"` // what was found, in sentences
	File    string         `json:"file"`
	SHA256  string         `json:"sha256"`
	Verdict Verdict        `json:"verdict"`
	Panels  func() []Panel `json:"-"` // nil when the capture was not compared afresh
}

// A Panel is one of the pictures side by side: pattern, capture, difference.
type Panel struct {
	Kind  PanelKind
	Image image.Image
	Scale int // levels of 255 at the ends of the scale; 0 when it has none
}

// A PanelKind says what a panel shows.
type PanelKind string

// The panels of a compared capture.
const (
	PatternPanel    PanelKind = "pattern"
	CapturePanel    PanelKind = "capture"    // laid over the pattern when it could be
	DifferencePanel PanelKind = "difference" // brighter in orange, darker in blue
	DetailPanel     PanelKind = "detail"     // a part of the difference, enlarged
)

// image judges what was seen in each display mode and what the captures show.
// What is seen and what is computed stand side by side; where they contradict
// each other, neither decides, and the step is undecided.
func (j *judge) image(spec *plans.Image) {
	shots := j.compareCaptures()
	taken := map[*compared]bool{}
	for _, mode := range spec.Modes.On(j.in.Family) {
		eyes := j.seen(mode)
		at := []int{len(j.out.Checks)}
		j.check(eyes)
		var against []string
		for _, s := range shots {
			if taken[s] || !sameMode(s.mode, mode) {
				continue
			}
			taken[s] = true
			c := computed(s)
			if contradict(eyes.Verdict, c.Verdict) {
				against = append(against, fmt.Sprintf("%s: %s", s.pattern.Name(), said(c.Text)))
				at = append(at, len(j.out.Checks))
			}
			j.check(c)
		}
		if len(against) > 0 {
			j.contradiction(mode, eyes, against, at)
		}
	}
	for _, s := range shots {
		if !taken[s] {
			j.check(computed(s))
		}
	}
	j.combined(shots)
	j.captured(spec, shots)
	if j.in.Family.MaxDepth > 0 {
		if readings := j.attempt.All("depth"); len(readings) > 0 {
			j.check(j.depth(readings[len(readings)-1].Number()))
		}
	}
	for _, capture := range j.attempt.Captures {
		j.condition("capture", fmt.Sprintf("%s (SHA-256 %s)", capture.Name, short(capture.SHA256)))
	}
}

// seen judges what the technician typed of a mode.
func (j *judge) seen(mode string) Check {
	c := Check{Name: mode, Title: english("Picture at " + mode + ", as seen"), Limits: &Limits{Text: english(plans.PictureClean)}}
	r, ok := j.attempt.Latest(mode)
	switch {
	case !ok:
		c.Reason = english("The picture at " + mode + " was not looked at.")
	case sameWords(wordOf(r), plans.PictureClean):
		c.Verdict, c.Text, c.Reason = conformity.Pass, english(plans.PictureClean), english("Clean at "+mode+".")
	default:
		c.Verdict, c.Text = conformity.Fail, english(wordOf(r))
		c.Reason = english(fmt.Sprintf("At %s was seen: %s", mode, endSentence(said(c.Text))))
		j.cause(0.5, "picture at "+mode+": "+said(c.Text), "Memory chips and their data lines first; a fault in one colour only points at the converter or the connector.")
	}
	return c
}

func contradict(a, b Verdict) bool {
	return a == conformity.Pass && b == conformity.Fail || a == conformity.Fail && b == conformity.Pass
}

// contradiction takes the checks at the given places out of the decision and
// leaves the mode undecided.
func (j *judge) contradiction(mode string, eyes Check, against []string, at []int) {
	for _, i := range at {
		j.out.Checks[i].contradicted = true
	}
	j.check(Check{Name: "contradiction." + mode, Title: english("Eyes and computation at " + mode), Verdict: conformity.Inconclusive, Text: english("contradict each other"),
		Limits: &Limits{Text: english("agree")},
		Reason: english(fmt.Sprintf("At %s was seen: %s Computed from the capture of %s", mode, endSentence(said(eyes.Text)), endSentence(strings.Join(against, "; ")))),
		Settle: english("Show the pictures again and look at the screen while they are captured; check that the capture is of this card. Then record a retest.")})
}

// sameMode reports whether two modes are the same screen; a frame rate counts
// only where both have one.
func sameMode(a, b string) bool {
	x, err := plans.ParseMode(a)
	y, err2 := plans.ParseMode(b)
	return err == nil && err2 == nil && x.Is(y) && x.Depth == y.Depth
}

// compareCaptures compares the attempt's captures with what they show. One that
// could not be laid over its pattern gives way to a later one of the same
// picture and mode that could.
func (j *judge) compareCaptures() []*compared {
	var out []*compared
	for _, s := range compareAll(j.in.Files, j.attempt.Captures, FrameMemory(j.in.Family)) {
		if s.result != nil && s.result.Registered {
			out = slices.DeleteFunc(out, func(o *compared) bool {
				if o.pattern != s.pattern || o.result == nil || o.result.Registered {
					return false
				}
				j.remark("The capture %s could not be compared; %s took its place.", o.capture.Name, s.capture.Name)
				return true
			})
		}
		out = append(out, s)
	}
	for _, s := range out {
		j.out.Pictures = append(j.out.Pictures, pictureOf(s))
	}
	return out
}

// computed judges one capture.
func computed(s *compared) Check {
	c := Check{Name: "capture." + s.capture.Name, Title: english(upperFirst(s.title()) + ", compared"), Limits: &Limits{Text: english(plans.PictureClean)}, Evidence: []string{s.capture.SHA256}}
	verdict, text, reason := verdictOf(s)
	c.Verdict, c.Text, c.Reason = verdict, english(text), english(reason)
	switch {
	case s.err != nil:
		c.Settle = english("Capture the picture again, or state which picture it shows and in which mode.")
	case !s.result.Registered:
		c.Settle = english("Capture the picture again with the whole screen in it, sharp and unscaled.")
	case c.Verdict == conformity.Inconclusive:
		c.Settle = english("Capture it again with less noise and the whole screen in it, or show the random pictures.")
	}
	return c
}

// verdictOf says what a compared capture means.
func verdictOf(s *compared) (v Verdict, text, reason string) {
	if s.err != nil {
		return conformity.Inconclusive, "not compared", fmt.Sprintf("%s was not compared: %s", s.capture.Name, endSentence(s.err.Error()))
	}
	r := s.result
	switch {
	case !r.Registered:
		return conformity.Inconclusive, "cannot be compared", fmt.Sprintf("%s in %s cannot be laid over its pattern: %s", s.title(), s.capture.Name, endSentence(r.Reason))
	case r.Clean:
		return conformity.Pass, plans.PictureClean, fmt.Sprintf("%s in %s is clean%s", upperFirst(s.title()), s.capture.Name, endSentence(measuresText(r)))
	case len(r.Findings) > 0:
		var found []string
		for i, f := range r.Findings {
			if i == 3 {
				found = append(found, fmt.Sprintf("and %d more", len(r.Findings)-i))
				break
			}
			found = append(found, FindingText(f))
		}
		text = strings.Join(found, "; ")
	case r.LinesJudged.Bad > 0:
		text = fmt.Sprintf("%d data lines are bad", r.LinesJudged.Bad)
	default:
		text = "not decided"
		return conformity.Inconclusive, text, fmt.Sprintf("%s in %s shows no fault, but does not prove that it is clean: %s", upperFirst(s.title()), s.capture.Name, endSentence(strings.Join(r.Doubts, "; ")))
	}
	return conformity.Fail, text, fmt.Sprintf("%s in %s shows: %s", upperFirst(s.title()), s.capture.Name, endSentence(text))
}

func measuresText(r *picture.Result) string {
	text := fmt.Sprintf(": SSIM %.4f, mean colour difference %.2f", r.SSIM, r.DeltaE.Mean)
	if r.LinesJudged.Good > 0 {
		text += fmt.Sprintf(", %d data lines judged good", r.LinesJudged.Good)
	}
	return text
}

// FindingText says a finding in a few words: "U7 D3 stuck at 0".
func FindingText(f picture.Finding) string {
	words, ok := map[string]string{
		"line-stuck-0": "stuck at 0", "line-stuck-1": "stuck at 1", "line-open": "open", "lines-shorted": "shorted together", "lines-swapped": "swapped",
		"chip-dead": "dead", "chip-weak": "weak", "bank-lost": "bank lost", "converter-bit": "converter bit missing", "channel-missing": "colour missing",
		"channel-swapped": "colours swapped", "black": "black picture", "displaced": "displaced content", "stripe": "stripes", "noise": "scattered wrong pixels",
		"geometry": "picture cut off",
	}[string(f.Kind)]
	if !ok {
		words = strings.ReplaceAll(string(f.Kind), "-", " ")
	}
	switch f.Form {
	case picture.Frozen:
		words = "frozen picture"
	case picture.Sampling:
		words = "dirty sampling"
	}
	if f.AddressLine >= 0 && string(f.Kind) == "address-line" {
		words = fmt.Sprintf("address line A%d stuck or shorted", f.AddressLine)
	}
	var lines []string
	for _, l := range f.Lines {
		lines = append(lines, fmt.Sprintf("D%d", l))
	}
	if len(lines) > 4 {
		lines = []string{lines[0] + " to " + lines[len(lines)-1]}
	}
	switch {
	case f.Designator != "" && len(lines) > 0:
		return f.Designator + " " + joinAnd(lines) + " " + words
	case f.Designator != "":
		return f.Designator + " " + words
	case f.Where != "":
		return words + " (" + f.Where + ")"
	}
	return words
}

// combined sums up all captures: data lines over the pictures, and what is
// probably wrong.
func (j *judge) combined(shots []*compared) {
	var results []*picture.Result
	for _, s := range shots {
		if s.result != nil {
			results = append(results, s.result)
		}
	}
	if len(results) == 0 {
		return
	}
	sum := picture.Combine(results)
	for i, f := range sum.Findings {
		if i == 6 {
			break
		}
		j.cause(f.Confidence, "picture: "+FindingText(f), f.Advice)
	}
	for i, c := range sum.Conflicts {
		if i == 4 {
			j.doubt("and %d more lines that pictures disagree on", len(sum.Conflicts)-i)
			break
		}
		j.doubt("%s", c)
	}
	for _, s := range shots {
		if s.result == nil || !s.result.Registered {
			continue
		}
		for _, d := range s.result.Doubts {
			if !strings.Contains(d, "judges no data lines") {
				j.doubt("%s: %s", s.title(), d)
			}
		}
	}
	n := sum.LinesJudged
	if total := n.Good + n.Bad + n.NotJudged; total > 0 {
		c := Check{Name: "data-lines", Title: english("Data lines judged"), Informative: true, Text: english(fmt.Sprintf("%d good, %d bad, %d not judged", n.Good, n.Bad, n.NotJudged)), Limits: &Limits{Text: english("none bad")}}
		c.Reason = english(fmt.Sprintf("Of %d data lines the captures judge %d good and %d bad.", total, n.Good, n.Bad))
		if n.NotJudged > 0 {
			c.Reason = english(said(c.Reason) + fmt.Sprintf(" %d were not judged, which does not make them good: %s", n.NotJudged, endSentence(unjudged(sum.Lines, total))))
		}
		j.check(c)
	}
	for i := range results {
		brief := *results[i]
		brief.Lines, brief.Transfer = nil, nil
		results[i] = &brief
	}
	j.out.Detail = map[string]any{"combined": sum, "pictures": results}
}

// unjudged says of which chips no line, or not every line, was judged.
func unjudged(lines []picture.DataLine, total int) string {
	var chips []string
	open, all := map[string]int{}, map[string]int{}
	for _, l := range lines {
		if all[l.Designator] == 0 {
			chips = append(chips, l.Designator)
		}
		all[l.Designator]++
		if l.State == "not judged" {
			open[l.Designator]++
		}
	}
	var none, some []string
	for _, c := range chips {
		switch {
		case open[c] == all[c]:
			none = append(none, c)
		case open[c] > 0:
			some = append(some, c)
		}
	}
	var parts []string
	if len(none) > 0 {
		parts = append(parts, "none of "+joinAnd(none))
	}
	if len(some) > 0 {
		parts = append(parts, "not all of "+joinAnd(some))
	}
	if len(parts) == 0 {
		return "no picture shows data lines; the random pictures do"
	}
	return strings.Join(parts, ", ")
}

// captured says which of the plan's pictures were not captured.
func (j *judge) captured(spec *plans.Image, shots []*compared) {
	if len(spec.Patterns) == 0 {
		return
	}
	var missing []string
	for _, name := range spec.Patterns {
		if !slices.ContainsFunc(shots, func(s *compared) bool { return s.pattern.Kind != 0 && s.pattern.Name() == name }) {
			missing = append(missing, name)
		}
	}
	if spec.Captures == plans.CapturesRequired {
		c := Check{Name: "captures", Title: english("Pictures captured"), Limits: &Limits{Text: english("all " + fmt.Sprint(len(spec.Patterns)))}, Text: english(fmt.Sprintf("%d of %d", len(spec.Patterns)-len(missing), len(spec.Patterns))),
			Verdict: conformity.Pass, Reason: english("Every picture of the plan was captured.")}
		if len(missing) > 0 {
			c.Verdict, c.Reason = conformity.NotRun, english("The plan requires captures; not captured: "+joinAnd(missing)+".")
		}
		j.check(c)
		return
	}
	switch {
	case len(shots) == 0:
		j.remark("No picture was captured, so none was compared with its pattern: what was seen decides.")
	case len(missing) > 0:
		j.remark("Of the plan's pictures these were not captured: %s.", joinAnd(missing))
	}
}

// pictureOf makes what documents show of a capture.
func pictureOf(s *compared) Picture {
	v, _, reason := verdictOf(s)
	p := Picture{Title: s.title(), Caption: reason, File: s.capture.Name, SHA256: s.capture.SHA256, Verdict: v}
	if s.shown == nil {
		return p
	}
	p.Panels = func() []Panel { return panels(s) }
	return p
}

// panels draws pattern, capture and difference of a capture that was read.
func panels(s *compared) []Panel {
	r := s.result
	if r == nil {
		return []Panel{{Kind: CapturePanel, Image: s.shown.Image()}}
	}
	out := []Panel{{Kind: PatternPanel, Image: r.Wanted.Image()}}
	if !r.Registered || r.Aligned == nil {
		return append(out, Panel{Kind: CapturePanel, Image: s.shown.Image()})
	}
	out = append(out, Panel{Kind: CapturePanel, Image: r.Aligned.Image()})
	if m := picture.Marked(r); m != nil {
		out = append(out, Panel{Kind: DifferencePanel, Image: m.Image(), Scale: picture.MapFullScale})
		if !r.Clean {
			out = append(out, Panel{Kind: DetailPanel, Image: enlarged(m, detailPlace(r))})
		}
	}
	return out
}

// A detail shows a part of the difference at six times its size, so that single
// columns can be told apart.
const (
	detailWidth, detailHeight = 80, 60
	detailZoom                = 6
)

// detailPlace is the upper left corner of the detail: around the first finding
// that has a place, else where the difference is largest.
func detailPlace(r *picture.Result) image.Point {
	x, y := r.Wanted.Width/2, r.Wanted.Height/2
	if r.Worst != nil {
		x, y = r.Worst.X+r.Worst.Width/2, r.Worst.Y+r.Worst.Height/2
	}
	for _, f := range r.Findings {
		if f.Region != nil {
			x, y = f.Region.X+f.Region.Width/2, f.Region.Y+f.Region.Height/2
			break
		}
	}
	return image.Pt(max(0, min(x-detailWidth/2, r.Wanted.Width-detailWidth)), max(0, min(y-detailHeight/2, r.Wanted.Height-detailHeight)))
}

func enlarged(m *raster.RGB, at image.Point) image.Image {
	p := raster.New(detailWidth*detailZoom, detailHeight*detailZoom)
	for y := range p.Height {
		for x := range p.Width {
			r, g, b := m.At(at.X+x/detailZoom, at.Y+y/detailZoom)
			p.Set(x, y, r, g, b)
		}
	}
	return p.Image()
}

func (j *judge) depth(bits float64) Check {
	want := float64(j.in.Family.MaxDepth)
	c := Check{Name: "depth", Title: english("Highest colour depth"), Unit: "bit", Value: number(bits), Text: english(trimmed(bits) + " bit"),
		Limits: limitsIn(measurand{unit: "bit", dimension: quantity.Bits, limits: conformity.AtLeast(want)})}
	if bits >= want {
		c.Verdict, c.Reason = conformity.Pass, english(fmt.Sprintf("Colour depth up to %s.", said(c.Text)))
		return c
	}
	c.Verdict, c.Reason = conformity.Fail, english(fmt.Sprintf("Colour depth only up to %s, expected %s bit.", said(c.Text), trimmed(want)))
	return c
}

func short(hash string) string {
	if len(hash) > 12 {
		return hash[:12] + "…"
	}
	return hash
}
