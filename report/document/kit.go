package document

import (
	"bytes"
	"errors"
	"fmt"
	"html"
	"image"
	"image/jpeg"
	"image/png"
	"slices"
	"strings"

	"golang.org/x/image/draw"

	"proveout/plans"
	"proveout/report/chart"
	"proveout/report/content"
	"proveout/report/words"
	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
)

// A File is one file of the kit.
type File struct {
	Name string
	Data []byte
}

// side is the length of a side of the square pictures, px; marketplaces take
// pictures of this size and scale them themselves (common practice, no source).
const side = 1600

// ErrCustomer is returned for a document that names the customer.
var ErrCustomer = errors.New("the certificate names the customer")

// MakeKit makes what a seller puts into an offer: pictures, a description, a
// label for the bag, and a note how the certificate is checked, in the language
// of the document d, which is laid out as c. Everything in them stands in the
// record; pictures carry no metadata. pdf is the file name of the certificate;
// originals are the photos at full size, nil for those that are not at hand:
// then the picture of the pages is used.
//
// A document that is no signed certificate, or that names a customer, gets none.
func MakeKit(d *content.Document, c *content.Content, pdf string, originals []image.Image) ([]File, error) {
	switch {
	case d.Kind != content.Certificate || d.Seal == nil:
		return nil, errors.New("only a signed certificate gets a listing kit")
	case d.Job.Customer != "":
		return nil, ErrCustomer
	}
	w, err := words.In(d.Language)
	if err != nil {
		return nil, err
	}
	k := &kit{d: d, c: c, w: w, pdf: pdf}
	summary, err := k.summary()
	if err != nil {
		return nil, err
	}
	files := []File{{"summary.png", summary}}
	figures, err := k.figures()
	if err != nil {
		return nil, err
	}
	files = append(files, figures...)
	for i, p := range d.Photos {
		data := p.JPEG
		if i < len(originals) && originals[i] != nil {
			if data, err = photo(originals[i]); err != nil {
				return nil, err
			}
		}
		files = append(files, File{fmt.Sprintf("photo-%d.jpg", i+1), data})
	}
	label, err := k.label()
	if err != nil {
		return nil, err
	}
	return append(files,
		File{"description.txt", []byte(k.text())},
		File{"description.html", []byte(k.markup())},
		File{"bag-label.pdf", label},
		File{"how-to-check.txt", []byte(k.howTo())}), nil
}

type kit struct {
	d   *content.Document
	c   *content.Content
	w   *words.Catalogue
	pdf string
}

// photo is a picture of at most [side] px, drawn anew, so that nothing of the
// camera's notes (position, owner) is left.
func photo(src image.Image) ([]byte, error) {
	w, h := content.Shrunk(src.Bounds(), side)
	var b bytes.Buffer
	err := jpeg.Encode(&b, content.OnWhite(src, w, h, draw.CatmullRom), &jpeg.Options{Quality: 85})
	return b.Bytes(), err
}

// figures draws each figure alone, in the proportion 4:3.
func (k *kit) figures() ([]File, error) {
	const dpi, w = 300, side * 72.0 / 300
	mark := k.w.T("number.mark")
	var out []File
	for _, section := range k.c.Sections {
		for _, block := range section.Blocks {
			f, ok := block.(content.Figure)
			if !ok {
				continue
			}
			var b bytes.Buffer
			enc := png.Encoder{CompressionLevel: png.BestSpeed}
			if err := enc.Encode(&b, chart.Picture(f.Figure, w, w*0.75, dpi, mark)); err != nil {
				return nil, err
			}
			out = append(out, File{f.ID + ".png", b.Bytes()})
		}
	}
	return out, nil
}

// A topic is one part of the description.
type topic struct {
	title string
	items []string
}

// parts are what the description says, in order.
func (k *kit) parts() []topic {
	j, w := k.d.Job, k.w
	var out []topic
	add := func(title string, items ...string) {
		var kept []string
		for _, i := range items {
			if strings.TrimSpace(i) != "" {
				kept = append(kept, strings.TrimSpace(i))
			}
		}
		if len(kept) > 0 {
			out = append(out, topic{title, kept})
		}
	}
	add(w.T("listing.wrong"), j.Complaint)
	add(w.T("listing.condition"), j.Condition)
	add(w.T("listing.done"), append(plans.NamesOf(j.Work, w.Phrase), j.WorkNotes)...)
	var tested []string
	for _, t := range k.c.Front.Tested {
		line := k.pair(t.Title, t.Word)
		if t.Note != "" {
			line += " (" + t.Note + ")"
		}
		tested = append(tested, line)
	}
	add(k.c.Front.TestedHd, tested...)
	add(w.T("listing.results"), k.results()...)
	add(w.T("listing.marks"), k.marks()...)
	add(w.T("listing.not"), slices.Concat(k.c.Front.IsNot, []string{w.T("cautions.1"), w.T("cautions.2")})...)
	return out
}

// results are the measured values against their ranges.
func (k *kit) results() []string {
	var out []string
	for _, s := range k.d.Outcome.Steps {
		for i := range s.Checks {
			c := &s.Checks[i]
			if c.Value == nil || c.Informative || c.Verdict != conformity.Pass {
				continue
			}
			out = append(out, k.result(c))
		}
		if s.Kind == string(plans.MemorySizeKind) { // a size shown short is explained
			for _, f := range s.Findings {
				out = append(out, k.w.Tell(f))
			}
		}
	}
	return out
}

func (k *kit) result(c *outcome.Check) string {
	s := k.pair(k.w.Tell(c.Title), content.Measured(c, k.w))
	if c.Limits != nil && !c.Limits.Text.IsZero() {
		s += " (" + k.w.T("listing.limits", "limits", k.w.Tell(c.Limits.Text)) + ")"
	}
	return s
}

func (k *kit) marks() []string {
	var out []string
	if k.d.Job.Card.Serial != "" {
		out = append(out, k.pair(k.w.T("front.serial"), k.d.Job.Card.Serial))
	}
	for _, m := range k.d.Job.Card.Marks {
		out = append(out, k.pair(m.Name, m.Value))
	}
	return out
}

// pair is a name with what belongs to it.
func (k *kit) pair(name, text string) string {
	return k.w.T("document.pair", "name", name, "text", text)
}

func (k *kit) number() string {
	return k.w.T("listing.number", "number", k.d.Number, "date", k.w.Date(k.d.IssuedAt))
}

// text is the description in plain text.
func (k *kit) text() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n%s\n%s\n", k.c.Front.Card, k.w.T("listing.accepted"), k.number())
	for _, p := range k.parts() {
		fmt.Fprintf(&b, "\n%s\n", p.title)
		for _, i := range p.items {
			fmt.Fprintf(&b, "- %s\n", i)
		}
	}
	fmt.Fprintf(&b, "\n%s", k.howTo())
	return b.String()
}

// markup is the description in the few elements that offers may hold.
func (k *kit) markup() string {
	var b strings.Builder
	fmt.Fprintf(&b, "<h2>%s</h2>\n<p><b>%s</b><br>%s</p>\n",
		html.EscapeString(k.c.Front.Card), html.EscapeString(k.w.T("listing.accepted")), html.EscapeString(k.number()))
	list := func(title string, items []string) {
		fmt.Fprintf(&b, "<h3>%s</h3>\n<ul>\n", html.EscapeString(title))
		for _, i := range items {
			fmt.Fprintf(&b, "<li>%s</li>\n", html.EscapeString(i))
		}
		b.WriteString("</ul>\n")
	}
	for _, p := range k.parts() {
		list(p.title, p.items)
	}
	list(k.w.T("listing.howto"), k.steps())
	return b.String()
}

// steps say how the certificate is checked.
func (k *kit) steps() []string {
	w, name := k.w, k.d.Seal.Name
	marks := strings.Join(k.marks(), ", ")
	if marks == "" {
		marks = k.w.T("section.photos")
	}
	return []string{
		w.T("listing.howto.1", "file", k.pdf, "name", name),
		w.T("listing.howto.2", "file", k.pdf),
		w.T("listing.howto.3", "name", name, "fingerprint", k.d.Seal.Fingerprint.String()),
		w.T("listing.howto.4", "marks", marks),
		w.T("listing.howto.5"),
	}
}

func (k *kit) howTo() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n", k.w.T("listing.howto"))
	for i, s := range k.steps() {
		fmt.Fprintf(&b, "%d. %s\n", i+1, s)
	}
	return b.String()
}
