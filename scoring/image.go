package scoring

import (
	"image"
	"slices"

	"proveout/plans"
	"proveout/plans/fact"
	"proveout/plans/quantity"
	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
	"proveout/scoring/picture"
	"proveout/scoring/picture/raster"
)

var _ = judges(plans.ImageKind, (*judge).image)

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
		var against []fact.Fact
		for _, s := range shots {
			if taken[s] || !sameMode(s.mode, mode) {
				continue
			}
			taken[s] = true
			c := computed(s)
			if contradict(eyes.Verdict, c.Verdict) {
				against = append(against, fact.New("image.computed", "pattern", s.pattern.Name(), "found", c.Text))
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
	j.combined(spec, shots)
	j.captured(spec, shots)
	if j.in.Family.MaxDepth > 0 {
		if readings := j.attempt.All("depth"); len(readings) > 0 {
			j.check(j.depth(readings[len(readings)-1].Number()))
		}
	}
	for _, capture := range j.attempt.Captures {
		j.circumstance(fact.New("condition.capture"),
			fact.New("capture.file", "file", capture.Name, "hash", short(capture.SHA256)))
	}
}

// seen judges what the technician typed of a mode.
func (j *judge) seen(mode string) outcome.Check {
	c := outcome.Check{
		Name:   mode,
		Title:  fact.New("image.seen", "mode", mode),
		Limits: &conformity.Limits{Text: fact.New("answer.clean")},
	}
	r, ok := j.attempt.Latest(mode)
	switch seen := wordOf(r); {
	case !ok:
		c.Reason = fact.New("image.not-looked-at", "mode", mode)
	case plans.SameWords(seen, plans.PictureClean):
		c.Verdict, c.Text, c.Reason = conformity.Pass, fact.New("answer.clean"), fact.New("image.clean", "mode", mode)
	default:
		c.Verdict, c.Text = conformity.Fail, plans.Answer(seen)
		c.Reason = fact.New("image.seen-fault", "mode", mode, "seen", endSentence(seen))
		j.suspect(
			0.5,
			fact.New("image.seen-fault-cause", "mode", mode, "seen", seen),
			fact.New("image.seen-fault-look"),
		)
	}
	return c
}

func contradict(a, b conformity.Verdict) bool {
	return a == conformity.Pass && b == conformity.Fail || a == conformity.Fail && b == conformity.Pass
}

// contradiction takes the checks at the given places out of the decision and
// leaves the mode undecided.
func (j *judge) contradiction(mode string, eyes outcome.Check, against []fact.Fact, at []int) {
	for _, i := range at {
		j.out.Checks[i].Contradicted = true
	}
	seen := eyes.Reason
	if eyes.Verdict == conformity.Pass {
		seen = fact.New("image.seen-clean", "mode", mode)
	}
	j.check(outcome.Check{
		Name: "contradiction." + mode, Title: fact.New("image.contradiction", "mode", mode),
		Verdict: conformity.Inconclusive, Text: fact.New("image.contradict"),
		Limits: &conformity.Limits{Text: fact.New("image.agree")},
		Reason: fact.Text(fact.Sentences(seen, fact.New("image.all-computed", "found", parts(against)))),
		Settle: fact.New("image.contradiction-settle"),
	})
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
				j.finding(fact.New("image.replaced", "file", o.capture.Name, "by", s.capture.Name))
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
func computed(s *compared) outcome.Check {
	c := outcome.Check{
		Name: "capture." + s.capture.Name, Title: fact.New("capture.compared", "picture", s.title()),
		Limits: &conformity.Limits{Text: fact.New("answer.clean")}, Evidence: []string{s.capture.SHA256},
	}
	c.Verdict, c.Text, c.Reason = verdictOf(s)
	switch {
	case s.err == nil && onlyShown(s.result):
		c.Informative, c.Verdict, c.Text = true, conformity.NotRun, fact.New("capture.only-shown")
		c.Reason = fact.New("capture.only-shown-why", "picture", s.title(), "file", s.capture.Name)
	case s.err != nil:
		c.Title = fact.New("capture.file-compared", "file", s.capture.Name)
		c.Settle = fact.New("capture.name-it")
	case !s.result.Registered:
		c.Settle = fact.New("capture.again-whole")
	case len(s.result.Chain) > 0:
		c.Settle = s.result.Chain[0].Advice
	case c.Verdict == conformity.Inconclusive:
		c.Settle = fact.New("capture.again-less-noise")
	}
	return c
}

// onlyShown reports whether a capture is a photograph that nothing can be judged from,
// of grid, ramp and the like, and shows no fault either: it decides nothing.
func onlyShown(r *picture.Result) bool {
	return r.Registered && r.Faultless && r.Route == picture.Photograph && r.LinesJudged.Good == 0 && !r.TestsLines()
}

// mostFindings is how many findings the words of a capture name.
const mostFindings = 3

// verdictOf says what a compared capture means.
func verdictOf(s *compared) (v conformity.Verdict, text, reason fact.Fact) {
	file := s.capture.Name
	if s.err != nil {
		return conformity.Inconclusive, fact.New("capture.not-compared"),
			fact.New("capture.not-compared-why", "file", file, "why", fact.Why(s.err))
	}
	r := s.result
	switch {
	case !r.Registered:
		return conformity.Inconclusive, fact.New("capture.not-comparable"),
			fact.New("capture.not-laid-over", "picture", s.title(), "file", file, "why", r.Reason)
	case r.Faultless && r.LinesJudged.Good > 0:
		return conformity.Pass, fact.New("answer.clean"), faultlessText(s)
	case r.Faultless:
		return conformity.Pass, fact.New("capture.no-fault"), faultlessText(s)
	case len(r.Findings) > 0:
		var found []fact.Fact
		for i, f := range r.Findings {
			if i == mostFindings {
				found = append(found, fact.New("capture.more", "n", len(r.Findings)-i))
				break
			}
			found = append(found, f.Fact())
		}
		text = parts(found)
	case r.LinesJudged.Bad > 0:
		text = fact.New("capture.bad-lines", "n", r.LinesJudged.Bad)
	default:
		return conformity.Inconclusive, fact.New("capture.undecided"),
			fact.New("capture.undecided-why", "picture", s.title(), "file", file, "doubts", parts(r.Doubts))
	}
	return conformity.Fail, text, fact.New("capture.shows", "picture", s.title(), "file", file, "found", text)
}

func faultlessText(s *compared) fact.Fact {
	r := s.result
	ssim, difference := fact.In(r.SSIM, "").To(0.0001), fact.In(r.DeltaE.Mean, "").To(0.01)
	if r.LinesJudged.Good == 0 {
		return fact.New("capture.faultless", "picture", s.title(), "file", s.capture.Name,
			"ssim", ssim, "difference", difference)
	}
	return fact.New("capture.clean-with-lines", "picture", s.title(), "file", s.capture.Name,
		"ssim", ssim, "difference", difference, "n", r.LinesJudged.Good)
}

// combined sums up all captures: data lines over the pictures, and what is
// probably wrong.
func (j *judge) combined(spec *plans.Image, shots []*compared) {
	var results []*picture.Result
	for _, s := range shots {
		if s.result != nil {
			results = append(results, s.result)
		}
	}
	if len(results) == 0 {
		if spec.Lines != nil && len(shots) == 0 {
			j.check(outcome.Check{
				Name: "data-lines", Title: fact.New("image.lines"), Reason: fact.New("image.lines-none-captured"),
				Limits: linesWanted(spec), Settle: fact.New("image.lines-settle"),
			})
		}
		return
	}
	sum := picture.Combine(results)
	for _, f := range sum.Findings[:min(len(sum.Findings), mostCauses)] {
		j.suspect(f.Confidence, fact.New("image.cause", "finding", f.Fact()), f.Advice)
	}
	for i, conflict := range sum.Conflicts {
		if i == mostConflicts {
			j.warning(fact.New("image.more-conflicts", "n", len(sum.Conflicts)-i))
			break
		}
		j.warning(conflict)
	}
	for _, s := range shots {
		if s.result == nil || !s.result.Registered {
			continue
		}
		for _, d := range s.result.Doubts {
			if !picture.JudgesNone(d) {
				j.warning(fact.New("capture.doubt", "picture", s.title(), "doubt", d))
			}
		}
	}
	j.dataLines(spec, &sum)
	for i := range results {
		brief := *results[i]
		brief.Lines, brief.Transfer = nil, nil
		results[i] = &brief
	}
	j.detail("combined", sum)
	j.detail("pictures", results)
}

// How many causes and conflicts the captures of a step give at the most.
const (
	mostCauses    = 6
	mostConflicts = 4
)

// dataLines judges whether the captures together judged as many of the data lines
// that they show as the plan asks for: a picture that judges none passes nothing. A
// line that is bad fails the capture that shows it.
func (j *judge) dataLines(spec *plans.Image, sum *picture.Combined) {
	n := sum.LinesJudged
	c := outcome.Check{Name: "data-lines", Title: fact.New("image.lines")}
	total := n.Good + n.Bad + n.NotJudged
	if total == 0 {
		if !sum.Clean && sum.Faultless {
			c.Verdict, c.Reason = conformity.Inconclusive, fact.New("image.lines-not-shown")
			c.Settle = fact.New("image.lines-settle")
			j.check(c)
		}
		return
	}
	least := leastLines(spec)
	open := picture.OpenLines(sum.Lines)
	c.Text = fact.New("image.lines-counted", "good", n.Good, "bad", n.Bad, "open", n.NotJudged)
	c.Limits = linesWanted(spec)
	switch {
	case n.Bad > 0 || !sum.Faultless:
		c.Informative = true
	case n.Good == 0 || float64(n.Good) < least*float64(n.Good+open):
		c.Verdict, c.Settle = conformity.Inconclusive, fact.New("image.lines-settle")
	default:
		c.Verdict = conformity.Pass
	}
	said := []fact.Fact{fact.New("image.lines-judged", "n", total, "good", n.Good, "bad", n.Bad)}
	shown, hidden := picture.Unjudged(sum.Lines)
	switch {
	case n.Good+n.Bad == 0:
		said = append(said, fact.New("image.lines-not-shown"))
	case open > 0:
		said = append(said, fact.New("image.lines-not-judged", "n", open, "which", shown))
	}
	if n.NotJudged > open {
		said = append(said, fact.New("image.lines-hidden", "n", n.NotJudged-open, "which", hidden))
	}
	c.Reason = fact.Text(fact.Sentences(said...))
	j.check(c)
}

// leastLines is the share of the shown data lines that must be judged.
func leastLines(spec *plans.Image) float64 {
	if spec.Lines == nil {
		return 1
	}
	return spec.Lines.Value
}

func linesWanted(spec *plans.Image) *conformity.Limits {
	return &conformity.Limits{Text: fact.New("image.lines-wanted", "share", fact.In(100*leastLines(spec), "%"))}
}

// captured says which of the plan's pictures were not captured.
func (j *judge) captured(spec *plans.Image, shots []*compared) {
	wanted := len(spec.Patterns)
	if wanted == 0 {
		return
	}
	var missing []string
	for _, name := range spec.Patterns {
		shows := func(s *compared) bool { return s.pattern.Kind != 0 && s.pattern.Name() == name }
		if !slices.ContainsFunc(shots, shows) {
			missing = append(missing, name)
		}
	}
	left := fact.Names(fact.And, missing)
	switch {
	case spec.Captures == plans.CapturesRequired:
		c := outcome.Check{
			Name: "captures", Title: fact.New("image.captures"),
			Limits:  &conformity.Limits{Text: fact.New("image.captures-all", "n", wanted)},
			Text:    fact.New("image.captures-of", "n", wanted-len(missing), "all", wanted),
			Verdict: conformity.Pass, Reason: fact.New("image.all-captured"),
		}
		if len(missing) > 0 {
			c.Verdict, c.Reason = conformity.NotRun, fact.New("image.captures-missing", "pictures", left)
		}
		j.check(c)
	case len(shots) == 0 && spec.Lines == nil:
		j.finding(fact.New("image.none-captured"))
	case len(missing) > 0:
		j.finding(fact.New("image.not-captured", "pictures", left))
	}
}

// pictureOf makes what documents show of a capture.
func pictureOf(s *compared) outcome.Picture {
	v, _, reason := verdictOf(s)
	p := outcome.Picture{Title: s.title(), Caption: reason, File: s.capture.Name, SHA256: s.capture.SHA256, Verdict: v}
	if s.shown == nil {
		return p
	}
	p.Panels = func() []outcome.Panel { return panels(s) }
	return p
}

// panels draws pattern, capture and difference of a capture that was read.
func panels(s *compared) []outcome.Panel {
	r := s.result
	if r == nil {
		return []outcome.Panel{{Kind: outcome.CapturePanel, Image: s.shown.Image()}}
	}
	out := []outcome.Panel{{Kind: outcome.PatternPanel, Image: r.Wanted.Image()}}
	if !r.Registered || r.Aligned == nil {
		return append(out, outcome.Panel{Kind: outcome.CapturePanel, Image: s.shown.Image()})
	}
	out = append(out, outcome.Panel{Kind: outcome.CapturePanel, Image: r.Aligned.Image()})
	if m := picture.Marked(r); m != nil {
		out = append(out, outcome.Panel{Kind: outcome.DifferencePanel, Image: m.Image(), Scale: picture.MapFullScale})
		if !r.Clean {
			out = append(out, outcome.Panel{Kind: outcome.DetailPanel, Image: enlarged(m, detailPlace(r))})
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
	return image.Pt(
		max(0, min(x-detailWidth/2, r.Wanted.Width-detailWidth)),
		max(0, min(y-detailHeight/2, r.Wanted.Height-detailHeight)),
	)
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

func (j *judge) depth(bits float64) outcome.Check {
	m := measurand{
		name: "depth", title: fact.New("image.depth"), unit: "bit", dimension: quantity.Bits,
		limits: conformity.AtLeast(float64(j.in.Family.MaxDepth)),
	}
	depth := fact.In(bits, m.unit).Whole()
	c := m.unread()
	c.Value, c.Text = number(bits), fact.Text(depth)
	if bits >= *m.limits.Low {
		c.Verdict, c.Reason = conformity.Pass, fact.New("image.depth-reached", "depth", depth)
		return c
	}
	wanted := fact.In(*m.limits.Low, m.unit).Whole()
	c.Verdict, c.Reason = conformity.Fail, fact.New("image.depth-too-low", "depth", depth, "wanted", wanted)
	return c
}

func short(hash string) string {
	if len(hash) > 12 {
		return hash[:12] + "…"
	}
	return hash
}
