package command

import (
	"fmt"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/harness/workflow"
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/scoring"
	"proveout/scoring/picture"
	"proveout/scoring/picture/lines"
	"proveout/scoring/picture/metric"
)

func (c *Console) pictureCompareCommand() *cli.Command {
	var base int64
	return &cli.Command{
		Name:  "compare",
		Usage: "compare captures with their pictures: registration, metrics, data lines, findings",
		Description: "A capture is PNG, JPEG, BMP, TIFF, PCX or TGA, or a dump of the frame buffer\n" +
			"called .raw. A picture is NAME@MODE or a file; several captures are given in the\n" +
			"order of their pictures. Without --pattern the capture tells which it shows.\n\n" +
			"A capture is CLEAN when nothing in it is left unexplained and every data line that it\n" +
			"shows was judged good: grid, ramp and the like alone are INCONCLUSIVE.\n\n" +
			"Exit codes: 0 clean, 1 a finding or inconclusive, 2 a file cannot be read.",
		Flags: []cli.Flag{shopFlag, familyFlag, variantFlag, baseFlag(&base), jsonFlag,
			textsFlag("pattern", "what was shown: `NAME@MODE` or a file; may be repeated"),
			&cli.StringSliceFlag{Name: "capture", Usage: "the capture `FILE`; may be repeated", Required: true},
			usualFlag("route", "how it came in: `WAY` digital, analogue, photo or auto", "auto"),
			textFlag("marked", "write the difference map to `FILE`.png")},
		Action: func(x *cli.Context) error { return c.pictureCompare(x, base) },
	}
}

func (c *Console) pictureCompare(x *cli.Context, base int64) error {
	captures, patterns := x.StringSlice("capture"), x.StringSlice("pattern")
	if len(patterns) > 0 && len(patterns) != len(captures) {
		return fmt.Errorf("%d pictures and %d captures: name a --pattern for every --capture, "+
			"in the same order, or none", len(patterns), len(captures))
	}
	marked := x.String("marked")
	if marked != "" && !slices.Contains([]string{".png", ".bmp", ".jpg"}, strings.ToLower(filepath.Ext(marked))) {
		return fmt.Errorf("--marked: %s does not end in .png, .bmp or .jpg", marked)
	}
	route, err := scoring.RouteNamed(x.String("route"))
	if err != nil {
		return fmt.Errorf("--route: %w", err)
	}
	org, err := c.memoryShown(x)
	if err != nil {
		return err
	}
	o := picture.Options{Memory: org, Route: route, Base: base}
	var results []*picture.Result
	var told []comparedJSON
	for i, name := range captures {
		if err := x.Context.Err(); err != nil {
			return err
		}
		text := ""
		if len(patterns) > 0 {
			text = patterns[i]
		}
		r, err := c.compareOne(name, text, o)
		if err != nil {
			return err
		}
		if m := picture.Marked(r); m != nil && marked != "" {
			to := marked
			if len(captures) > 1 {
				ext := filepath.Ext(marked)
				to = fmt.Sprintf("%s-%d%s", strings.TrimSuffix(marked, ext), i+1, ext)
			}
			if err := workflow.WritePicture(m.Image(), c.path(to)); err != nil {
				return err
			}
		}
		r.Aligned, r.Wanted = nil, nil
		results = append(results, r)
		told = append(told, tell(name, r))
	}
	sum := picture.Combine(results)
	return c.give(x, answerCompared(told, sum), sum.Clean, func(p *printer) { p.compared(told, sum) })
}

// compareOne compares one capture with its picture, where that is named.
func (c *Console) compareOne(name, text string, o picture.Options) (*picture.Result, error) {
	if text == "" {
		return workflow.CompareCapture(c.path(name), name, nil, o)
	}
	shown, err := workflow.ShownPicture(text, c.path)
	if err != nil {
		return nil, fmt.Errorf("--pattern: %w", err)
	}
	return workflow.CompareCapture(c.path(name), name, shown, o)
}

// A comparedJSON is a result as --json tells it.
type comparedJSON struct {
	*picture.Result
	Capture  string        `json:"capture"`
	Route    string        `json:"route"`
	Findings []findingJSON `json:"findings"`
}

// A findingJSON is a finding with every name present.
type findingJSON struct {
	picture.Finding
	Designator string `json:"designator"`
	Lines      []int  `json:"lines"`
}

func tell(name string, r *picture.Result) comparedJSON {
	return comparedJSON{Result: r, Capture: name, Route: routeWord(r.Route), Findings: tellFindings(r.Findings)}
}

func tellFindings(findings []picture.Finding) []findingJSON {
	out := []findingJSON{}
	for _, f := range findings {
		one := findingJSON{Finding: f, Designator: f.Designator, Lines: f.Lines}
		if one.Lines == nil {
			one.Lines = []int{}
		}
		out = append(out, one)
	}
	return out
}

// routeWord is the route in the words of --route.
func routeWord(r picture.Route) string {
	switch r {
	case picture.Photograph:
		return "photo"
	case picture.Auto:
		return "auto"
	}
	return string(r)
}

// answerCompared is what picture compare answers: the result of one capture, or
// of all with what they say together.
func answerCompared(told []comparedJSON, sum picture.Combined) any {
	if len(told) == 1 {
		return told[0]
	}
	return map[string]any{
		"registered": sum.Registered == sum.Pictures, "lines_judged": sum.LinesJudged, "lines": sum.Lines,
		"clean": sum.Clean, "findings": tellFindings(sum.Findings), "conflicts": sum.Conflicts, "pictures": told,
	}
}

func (p *printer) compared(told []comparedJSON, sum picture.Combined) {
	for _, one := range told {
		p.comparedOne(one.Capture, one.Result)
	}
	if len(told) > 1 {
		p.line("Together")
		p.pictureFindings(sum.Findings)
		p.judged(sum.LinesJudged, sum.Lines)
		p.notes(sum.Conflicts)
	}
	p.line(standing(sum))
}

// standing is the last line: clean, not clean, or inconclusive. One capture of
// another picture decides nothing, since it may be the wrong file.
func standing(sum picture.Combined) string {
	decided := slices.ContainsFunc(sum.Findings, func(f picture.Finding) bool { return !f.Undecided() })
	switch {
	case sum.Clean:
		return "CLEAN"
	case decided || sum.LinesJudged.Bad > 0:
		return "NOT CLEAN"
	}
	return "INCONCLUSIVE"
}

func (p *printer) comparedOne(name string, r *picture.Result) {
	if r.Pattern != "" {
		name += fmt.Sprintf(": %s, %s", r.Pattern, r.Mode)
	}
	p.line(name)
	if !r.Registered {
		p.textf(2, "Cannot be laid over its picture: %s", p.Tell(r.Reason))
		p.pictureFindings(r.Findings)
		return
	}
	p.textf(2, "Came in: %s. Shift %.2f, %.2f pixels; scale %.4f; noise %.1f levels; blur %.2f pixels.",
		routeWord(r.Route), r.Shift[0], r.Shift[1], r.Scale, r.NoiseSD, r.Blur)
	p.textf(2, "Gain %s; offset %s levels; gamma %s (red, green, blue).",
		three("%.3f", r.Gain), three("%.1f", r.Offset), three("%.2f", r.Gamma))
	p.textf(2, "Registered, levels corrected: %s", measuresText(r.Score))
	if r.Raw != nil {
		p.textf(2, "As captured: %s", measuresText(*r.Raw))
	}
	for _, t := range r.Transfer {
		if len(t.Missing) > 0 || len(t.NonMonotonic) > 0 {
			p.textf(2, "Levels of %s: %d missing, %d out of order.", t.Channel, len(t.Missing), len(t.NonMonotonic))
		}
	}
	p.pictureFindings(r.Findings)
	p.judged(r.LinesJudged, r.Lines)
	for _, l := range r.Lines {
		if l.State == lines.Bad {
			bits := strings.Join(plans.NamesOf(l.PixelBits, strconv.Itoa), ", ")
			p.textf(4, "%s D%d is bad; pixel bits %s", l.Designator, l.Line, bits)
		}
	}
	p.notes(r.Doubts)
	for _, change := range r.Chain {
		p.textf(2, "%s", p.Tell(change.Advice))
	}
}

func three(format string, v [3]float64) string {
	return fmt.Sprintf(format+", "+format+", "+format, v[0], v[1], v[2])
}

func measuresText(m metric.Score) string {
	psnr := fmt.Sprintf("%.1f dB", float64(m.PSNR))
	if m.MAE == 0 {
		psnr = "without bound"
	}
	return fmt.Sprintf("mean difference %.2f levels, PSNR %s, SSIM %.4f, CIEDE2000 mean %.2f and 99th percentile %.2f.",
		m.MAE, psnr, m.SSIM, m.DeltaE.Mean, m.DeltaE.P99)
}

func (p *printer) pictureFindings(findings []picture.Finding) {
	const most = 12
	for i, f := range findings {
		if i == most {
			p.textf(2, "and %d more findings", len(findings)-i)
			return
		}
		p.textf(2, "- %s (%s, %.0f %%)", p.Tell(f.Fact()), f.Kind, 100*f.Confidence)
		if !f.Where.IsZero() && f.Designator != "" {
			p.text(4, p.Tell(f.Where))
		}
		p.text(4, p.Tell(f.Advice))
	}
}

func (p *printer) judged(j picture.Judged, all []lines.Line) {
	if j.Good+j.Bad+j.NotJudged == 0 {
		return
	}
	p.textf(2, "Data lines: %d good, %d bad, %d not judged.", j.Good, j.Bad, j.NotJudged)
	shown, hidden := picture.Unjudged(all)
	if n := picture.OpenLines(all); n > 0 {
		p.text(4, p.Tell(fact.New("image.lines-not-judged", "n", n, "which", shown)))
	}
	if n := j.NotJudged - picture.OpenLines(all); n > 0 {
		p.text(4, p.Tell(fact.New("image.lines-hidden", "n", n, "which", hidden)))
	}
}

func (p *printer) notes(notes []fact.Fact) {
	for _, n := range notes {
		p.text(2, "Note: "+p.Tell(n))
	}
}
