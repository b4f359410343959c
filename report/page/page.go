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
	"html/template"
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

//go:embed page.html
var markup string

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

// page is the markup of all pages. Every text in it is escaped by where it stands.
var page = sync.OnceValue(func() *template.Template {
	return template.Must(template.New("page").Funcs(template.FuncMap{
		"atEnd":     atEnd,
		"cellClass": cellClass,
		"join":      strings.Join,
		"kind":      kind,
		"over":      over,
		"share":     share,
		"sign":      sign,
		"source":    source,
		"tone":      tone,
	}).Parse(markup))
})

// Write writes the document, laid out as c, as a page.
func Write(w io.Writer, c *content.Content) error {
	cat, err := words.In(c.Language)
	if err != nil {
		return err
	}
	p := &writer{Content: c, w: cat}
	p.Words.Contents, p.Words.NoScript, p.Words.Zoom = cat.T("page.contents"), cat.T("page.nojs"), cat.T("page.zoom")
	var b strings.Builder
	b.Grow(len(library) + 1<<20)
	if err := page().Execute(&b, p); err != nil {
		return err
	}
	if _, err := io.WriteString(w, strings.Map(shown, b.String())); err != nil {
		return err
	}
	_, err = io.WriteString(w, p.scripts()+"</body>\n</html>\n")
	return err
}

// A writer is what the markup is filled from.
type writer struct {
	*content.Content
	Words struct{ Contents, NoScript, Zoom string }

	w       *words.Catalogue
	figures []string // options, JSON
	ids     []string
}

// Policy is the page's security policy.
func (p *writer) Policy() string { return policy() }

// Style is how the page looks. On paper the banner stands in the margin of every
// page; its text is the catalogue's own.
func (p *writer) Style() template.CSS {
	if p.Banner == "" {
		return template.CSS(style)
	}
	const margin = "@page { @top-center { content: %q; width: 100%%; background: #000; color: #fff; " +
		"font: bold 11pt sans-serif; text-align: center; height: 8mm; " +
		"print-color-adjust: exact; -webkit-print-color-adjust: exact; } }\n"
	return template.CSS(style + fmt.Sprintf(margin, p.Banner))
}

// shown drops characters that HTML does not allow, and those that turn the
// direction of what follows: with them a serial number could be made to read as
// another.
func shown(r rune) rune {
	switch {
	case r >= 0x202A && r <= 0x202E || r >= 0x2066 && r <= 0x2069:
		return -1
	case r < ' ' && r != '\n' && r != '\t' || r == 0x7F || r == 0xFFFE || r == 0xFFFF:
		return -1
	}
	return r
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

// scripts are the figures' data, the chart library and the page's script.
func (p *writer) scripts() string {
	if len(p.figures) == 0 {
		// The table filter alone needs no library.
		return "<script>" + script + "</script>\n"
	}
	data := make([]string, len(p.figures))
	for i, f := range p.figures {
		data[i] = fmt.Sprintf(`{"id":%q,"options":%s}`, p.ids[i], f)
	}
	return "<script type=\"application/json\" id=\"figure-data\">[" + strings.Join(data, ",\n") +
		"]</script>\n<script>" + library + "</script>\n<script>" + script + "</script>\n"
}
