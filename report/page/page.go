// Package page writes a certificate or a test report as one HTML file that
// opens in any browser without a network.
//
// What a document says comes in; one self-contained file goes out: text and
// tables that work without scripts, figures that can be zoomed with their
// values in tables beside them, photos, and rules for light, dark, narrow and
// printed pages. The bytes repeat. User text is escaped everywhere, and the
// page's security policy runs only the scripts it was written with.
package page

import (
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html"
	"io"
	"strings"
	"sync"

	"proveout/report/content"
	"proveout/report/words"
	"proveout/scoring/conformity"
)

// library is the chart library; its licences lie beside it.
//
//go:embed assets/echarts.min.js
var library string

//go:embed page.css
var style string

//go:embed page.js
var script string

// policy allows the two scripts of the page by their hashes, and nothing from
// elsewhere.
var policy = sync.OnceValue(func() string {
	hash := func(s string) string {
		sum := sha256.Sum256([]byte(s))
		return "'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"
	}
	return "default-src 'none'; script-src " + hash(library) + " " + hash(script) +
		"; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
})

// Write writes the document, laid out as c, as a page.
func Write(w io.Writer, c *content.Content) error {
	cat, err := words.In(c.Language)
	if err != nil {
		return err
	}
	p := &writer{c: c, w: cat}
	if err := p.page(); err != nil {
		return err
	}
	_, err = io.WriteString(w, p.b.String())
	return err
}

// A writer builds the page. Every text from outside goes through esc.
type writer struct {
	b       strings.Builder
	c       *content.Content
	w       *words.Catalogue
	figures []string // options, JSON
	ids     []string
}

// esc escapes text for elements and attributes. It drops characters that HTML
// does not allow, and those that turn the direction of what follows: with them
// a serial number could be made to read as another.
func esc(s string) string {
	return html.EscapeString(strings.Map(func(r rune) rune {
		if r >= 0x202A && r <= 0x202E || r >= 0x2066 && r <= 0x2069 {
			return -1
		}
		if r < ' ' && r != '\n' && r != '\t' || r == 0x7F || r == 0xFFFE || r == 0xFFFF {
			return -1
		}
		return r
	}, s))
}

// put writes markup; every %s is an escaped text.
func (p *writer) put(markup string, texts ...string) {
	for _, t := range texts {
		i := strings.Index(markup, "%s")
		p.b.WriteString(markup[:i])
		p.b.WriteString(esc(t))
		markup = markup[i+2:]
	}
	p.b.WriteString(markup)
}

func (p *writer) page() error {
	c := p.c
	p.b.Grow(len(library) + 1<<20)
	p.put("<!DOCTYPE html>\n<html lang=\"%s\">\n<head>\n<meta charset=\"utf-8\">\n", c.Language)
	p.put("<meta http-equiv=\"Content-Security-Policy\" content=\"%s\">\n", policy())
	p.put("<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n" +
		"<meta name=\"color-scheme\" content=\"light dark\">\n")
	p.put("<meta name=\"generator\" content=\"%s\">\n<meta name=\"author\" content=\"%s\">\n<title>%s</title>\n<style>",
		c.Tool, c.Author, c.FullTitle+" – "+c.Front.Card)
	p.b.WriteString(style)
	if c.Banner != "" {
		// On paper the banner stands in the margin of every page. The text is
		// the catalogue's own.
		fmt.Fprintf(&p.b, "@page { @top-center { content: %q; width: 100%%; background: #000; color: #fff; "+
			"font: bold 11pt sans-serif; text-align: center; height: 8mm; "+
			"print-color-adjust: exact; -webkit-print-color-adjust: exact; } }\n", c.Banner)
	}
	p.put("</style>\n</head>\n")
	class := "certificate"
	if c.Kind == content.TestReport {
		class = "report"
	}
	p.put("<body class=\"%s\" data-watermark=\"%s\">\n", class, c.Watermark)
	if c.Banner != "" {
		p.put("<p class=\"banner\">%s</p>\n", c.Banner)
	}
	p.put("<main>\n")
	p.front()
	p.contents()
	for i := range c.Sections {
		if err := p.section(&c.Sections[i]); err != nil {
			return err
		}
	}
	p.put("</main>\n<footer><p class=\"end\">%s</p><p>%s</p></footer>\n", c.End, c.Foot)
	p.scripts()
	p.put("</body>\n</html>\n")
	return nil
}

func (p *writer) front() {
	f := &p.c.Front
	p.put("<header class=\"head\">\n<div><h1>%s</h1><p class=\"number\">%s</p></div>\n<address><strong>%s</strong>",
		p.c.Title, p.c.Number, f.ShopName)
	for _, l := range f.ShopLines {
		if l != "" {
			p.put("<br>%s", l)
		}
	}
	p.put("</address>\n</header>\n<section class=\"front\">\n<p class=\"card\">%s</p>\n", f.Card)
	if f.CardLine != f.Card {
		p.put("<p class=\"cardline\">%s</p>\n", f.CardLine)
	}
	p.put("<dl class=\"identity\">")
	p.factRows(f.Identity)
	p.put("</dl>\n")
	p.put("<div class=\"verdict %s\"><span class=\"sign\" aria-hidden=\"true\">%s</span>"+
		"<div><p class=\"headline\">%s</p><p>%s</p></div></div>\n",
		tone(f.Verdict, f.Accepted), sign(f.Verdict, f.Accepted), f.Headline, f.Reason)
	p.put("<div class=\"two\">\n<div><h2>%s</h2>\n<ul class=\"tested\">", f.TestedHd)
	for _, t := range f.Tested {
		p.put("<li><span>%s", t.Title)
		if t.Note != "" {
			p.put(" <small>%s</small>", t.Note)
		}
		p.put("</span>")
		p.verdict(t.Word, t.Verdict)
		p.put("</li>")
	}
	p.put("</ul></div>\n<dl class=\"facts narrow\">")
	p.factRows(f.Facts)
	p.put("</dl>\n</div>\n")
	if len(f.Way) > 0 {
		p.put("<h2>%s</h2>\n", f.WayHd)
		p.list(f.Way)
	}
	p.put("<div class=\"isnot\"><h2>%s</h2>", f.IsNotHd)
	for _, t := range f.IsNot {
		p.put("<p>%s</p>", t)
	}
	p.put("</div>\n")
	if f.Check.Hd != "" {
		p.check(&f.Check)
	}
	p.put("</section>\n")
}

// check says how the PDF is checked. The page itself carries no signature.
func (p *writer) check(c *content.Check) {
	p.put("<div class=\"isnot\"><h2>%s</h2>", c.Hd)
	for _, t := range c.Lines {
		p.put("<p>%s</p>", t)
	}
	if c.Ask != "" {
		p.put("<p>%s<br><strong>%s</strong></p>", c.Ask, strings.Join(c.Fingerprint, " "))
	}
	p.put("</div>\n")
}

// tone is the class of a verdict, for its colour and form.
func tone(v conformity.Verdict, accepted bool) string {
	switch {
	case accepted && v == conformity.Pass:
		return "pass"
	case v == conformity.Fail:
		return "fail"
	case v == conformity.Inconclusive:
		return "open"
	}
	return "none"
}

func sign(v conformity.Verdict, accepted bool) string {
	switch tone(v, accepted) {
	case "pass":
		return "✓"
	case "fail":
		return "✕"
	}
	return "–"
}

func (p *writer) verdict(word string, v conformity.Verdict) {
	p.put("<span class=\"v %s\">%s</span>", tone(v, true), word)
}

func (p *writer) contents() {
	p.put("<nav aria-label=\"%s\"><h2>%s</h2><ul>", p.w.T("page.contents"), p.w.T("page.contents"))
	for _, s := range p.c.Sections {
		p.put("<li><a href=\"#%s\">%s</a></li>", s.ID, s.Title)
	}
	p.put("</ul></nav>\n")
}

func (p *writer) section(s *content.Section) error {
	p.put("<section id=\"%s\">\n<h2>%s</h2>\n", s.ID, s.Title)
	if s.ID == "figures" {
		p.put("<noscript><p>%s</p></noscript>\n<p class=\"hint\">%s</p>\n", p.w.T("page.nojs"), p.w.T("page.zoom"))
	}
	for _, b := range s.Blocks {
		switch b := b.(type) {
		case content.Paragraph:
			switch {
			case b.Heading:
				p.put("<h3>%s</h3>\n", b.Text)
			case b.Small:
				p.put("<p class=\"small\">%s</p>\n", b.Text)
			default:
				p.put("<p>%s</p>\n", b.Text)
			}
		case content.List:
			p.list(b.Items)
		case content.Facts:
			p.put("<dl class=\"facts\">")
			p.factRows(b.Facts)
			p.put("</dl>\n")
		case *content.Table:
			p.table(b)
		case content.Figure:
			if err := p.figure(&b); err != nil {
				return err
			}
		case content.ShownCapture:
			p.capture(&b)
		case content.Photos:
			p.photos(b.Photos)
		}
	}
	p.put("</section>\n")
	return nil
}

func (p *writer) list(items []string) {
	p.put("<ul>")
	for _, it := range items {
		p.put("<li>%s</li>", it)
	}
	p.put("</ul>\n")
}

func (p *writer) factRows(facts []content.Fact) {
	for _, f := range facts {
		p.put("<div><dt>%s</dt><dd>%s</dd></div>", f.Name, f.Text)
	}
}

// scripts writes the figures' data, the chart library and the page's script.
func (p *writer) scripts() {
	if len(p.figures) == 0 {
		// The table filter alone needs no library.
		p.b.WriteString("<script>" + script + "</script>\n")
		return
	}
	p.b.WriteString("<script type=\"application/json\" id=\"figure-data\">[")
	for i, f := range p.figures {
		if i > 0 {
			p.b.WriteString(",\n")
		}
		fmt.Fprintf(&p.b, `{"id":%q,"options":%s}`, p.ids[i], f)
	}
	p.b.WriteString("]</script>\n<script>")
	p.b.WriteString(library)
	p.b.WriteString("</script>\n<script>")
	p.b.WriteString(script)
	p.b.WriteString("</script>\n")
}
