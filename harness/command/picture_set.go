package command

import (
	"bytes"
	"errors"
	"fmt"
	"html"
	"os"
	"path/filepath"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/harness/job"
	"proveout/plans"
	"proveout/scoring"
	"proveout/scoring/picture/pattern"
)

// sheetFile is the sheet of a set.
const sheetFile = "how-to-show.html"

func (c *Console) pictureSet(x *cli.Context) error {
	if x.NArg() != 1 {
		return errors.New("name the folder to write, as in: proveout picture set pictures --family ID")
	}
	family, err := c.pictureFamily(x)
	if err != nil {
		return err
	}
	if family == nil {
		return errors.New("name the board family with --family: its display modes say which pictures are needed; proveout families lists them")
	}
	kind := strings.ToLower(x.String("format"))
	if kind != "png" && kind != "bmp" && kind != "raw" {
		return fmt.Errorf("--format: %q is not png, bmp or raw", kind)
	}
	modes, left, err := depthsOf(family, x.String("mode"))
	if err != nil {
		return err
	}
	dir := c.path(x.Args().First())
	if entries, err := os.ReadDir(dir); err == nil && len(entries) > 0 {
		return fmt.Errorf("%s is there already and holds files; name another folder, or take it away first", x.Args().First())
	}
	n := 0
	for _, m := range modes {
		folder := filepath.Join(dir, scoring.ModeText(m))
		if err := os.MkdirAll(folder, 0o755); err != nil {
			return err
		}
		for _, p := range pattern.All(m) {
			if err := x.Context.Err(); err != nil {
				return err
			}
			f, err := p.Render()
			if err != nil {
				return err
			}
			if err := writeFrame(f, filepath.Join(folder, p.Name()+"."+kind), kind); err != nil {
				return err
			}
			n++
		}
	}
	if err := job.WriteFile(filepath.Join(dir, sheetFile), sheet(family, modes, left, kind), job.ReplaceExisting); err != nil {
		return err
	}
	fmt.Fprintf(c.Out, "Wrote %d pictures for %d modes of %s to %s.\nHow to show them stands in %s.\n", n, len(modes), family.Title, x.Args().First(), filepath.Join(x.Args().First(), sheetFile))
	for _, l := range left {
		fmt.Fprintf(c.Out, "Left out: %s.\n", l)
	}
	return nil
}

// sheetStyle keeps the sheet readable on a screen and on paper.
const sheetStyle = `body{font:15px/1.45 sans-serif;max-width:46rem;margin:1.5rem auto;padding:0 1rem;color:#111;background:#fff}
h1{font-size:1.5rem}h2{font-size:1.15rem;margin-top:1.6rem}table{border-collapse:collapse;width:100%}
td,th{border:1px solid #888;padding:.2rem .45rem;text-align:left;vertical-align:top}td.box{width:1.4rem}
.caution{border:2px solid #111;padding:.4rem .8rem}code{font-family:monospace}tr{break-inside:avoid}
@media print{body{font-size:10.5pt;margin:0;max-width:none}}`

// sheet writes the printable sheet of a set.
func sheet(family *plans.Family, modes []pattern.Mode, left []string, kind string) []byte {
	var b bytes.Buffer
	put := func(markup string, texts ...string) { // each $ is a text
		for _, t := range texts {
			markup = strings.Replace(markup, "$", html.EscapeString(t), 1)
		}
		b.WriteString(markup)
	}
	title := family.Title
	if family.Variant != "" {
		title += ", variant " + family.Variant
	}
	put("<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><title>Test pictures for $</title>", title)
	b.WriteString("<style>" + sheetStyle + "</style></head><body>\n")
	put("<h1>Test pictures for $</h1>\n", title)
	b.WriteString(`<p class="caution"><strong>Caution.</strong> The bench is under power. A picture tube holds high voltage when it is
off: never open the monitor. Touch the card only with the computer switched off and unplugged, and guard it against static discharge.</p>
<h2>How to show them</h2>
<ol>
<li>Set the display to the mode that the folder is called by: width x height x bits a pixel. Any frame rate of the family will do; note which.</li>
<li>Show each picture <strong>at its own size, one picture pixel on one screen pixel</strong>: no scaling, no smoothing, no dithering, no colour
management, nothing over it: no frame, no pointer, no bar. It fills the screen from edge to edge.</li>
`)
	if kind == "raw" {
		b.WriteString("<li>A .raw file is the content of the frame buffer, byte for byte from its first address. Copy it there as it is.</li>\n")
	} else {
		b.WriteString("<li>In 8-bit modes load the palette of the file. A picture shown through another palette cannot be compared.</li>\n")
	}
	b.WriteString(`<li>Let the monitor warm up, then capture each picture. In order of worth: a dump or screenshot, a capture device, a photograph.</li>
<li>A capture device: no sharpening, no noise filter; set its phase so that one-pixel columns stay crisp; store PNG, BMP or TIFF, not JPEG.</li>
<li>A photograph: the whole screen with all four corner marks, square on, sharp, without flash or reflections, at least 3 camera pixels for
each screen pixel, exposure longer than two frames. Photograph the pictures called bit-… and plane-… as well: a photograph cannot tell near
levels apart, and these pictures do not ask it to.</li>
<li>Take the captures in: <code>proveout import JOB STEP FILE…</code>. The picture tells by its strips along top and bottom which one it is.</li>
</ol>
<h2>In which order</h2>
<p>The first two of each folder read out the data lines; the next two show levels and geometry. If they are clean, the others are for the eye.
If they are not, and the captures are photographs, go on with the planes.</p>
`)
	for _, m := range modes {
		put("<h2>$</h2>\n<p>$ pixels, $ bytes of frame buffer. Folder <code>$</code>.</p>\n<table><tr><th></th><th>Picture</th><th>For</th></tr>\n",
			scoring.ModeText(m), fmt.Sprintf("%d × %d", m.Width, m.Height), fmt.Sprint(m.Bytes()), scoring.ModeText(m))
		planes := map[pattern.Kind]int{}
		for _, p := range pattern.All(m) {
			if p.Kind == pattern.BitPlane || p.Kind == pattern.BitSolid {
				if planes[p.Kind]++; planes[p.Kind] > 1 {
					continue
				}
				all := "plane-…"
				if p.Kind == pattern.BitSolid {
					all = "bit-…"
				}
				put("<tr><td class=\"box\"></td><td>$, highest bit first, each with its inverse</td><td>$</td></tr>\n", all, purpose(p))
				continue
			}
			put("<tr><td class=\"box\"></td><td>$</td><td>$</td></tr>\n", p.Name(), purpose(p))
		}
		b.WriteString("</table>\n")
	}
	for _, l := range left {
		put("<p>Left out: $.</p>\n", l)
	}
	b.WriteString("</body></html>\n")
	return b.Bytes()
}
