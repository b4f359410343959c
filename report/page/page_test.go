package page

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"proveout/report/content"
	"proveout/report/internal/sample"
)

func written(t testing.TB, d *content.Document) []byte {
	t.Helper()
	var buf bytes.Buffer
	if err := laidOut(&buf, d); err != nil {
		t.Fatal(err)
	}
	return buf.Bytes()
}

func laidOut(w io.Writer, d *content.Document) error {
	c, err := content.Build(d)
	if err != nil {
		return err
	}
	return Write(w, c)
}

// keep returns a folder for what a test makes; with PROVEOUT_KEEP set to a
// folder it stays there to be looked at.
func keep(t *testing.T) string {
	if dir := os.Getenv("PROVEOUT_KEEP"); dir != "" {
		return dir
	}
	return t.TempDir()
}

func samples() map[string]*content.Document {
	german := sample.Inconclusive()
	german.Language = "de"
	return map[string]*content.Document{
		"accepted":     sample.FullPhotos(sample.Accepted()),
		"failed":       sample.Failed(),
		"inconclusive": german,
		"awkward":      sample.Awkward(),
	}
}

func save(t *testing.T) map[string]string {
	dir, out := keep(t), map[string]string{}
	for name, d := range samples() {
		out[name] = filepath.Join(dir, name+".html")
		if err := os.WriteFile(out[name], written(t, d), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return out
}

func TestSamples(t *testing.T) { save(t) }

func TestBytesRepeat(t *testing.T) {
	d := sample.Accepted()
	first := sha256.Sum256(written(t, d))
	for i := range 10 {
		if sha256.Sum256(written(t, sample.Accepted())) != first {
			t.Fatalf("run %d gave other bytes", i+2)
		}
	}
}

func TestCertificateNeedsAnAcceptedOutcome(t *testing.T) {
	d := sample.Failed()
	d.Kind, d.AuthorisedBy = content.Certificate, "Marit Osk"
	var buf bytes.Buffer
	if err := laidOut(&buf, d); err == nil || buf.Len() != 0 {
		t.Errorf("err = %v, %d bytes", err, buf.Len())
	}
}

// elements calls visit for every element of the page.
func elements(n *html.Node, visit func(*html.Node)) {
	if n.Type == html.ElementNode {
		visit(n)
	}
	for c := n.FirstChild; c != nil; c = c.NextSibling {
		elements(c, visit)
	}
}

func attr(n *html.Node, name string) string {
	for _, a := range n.Attr {
		if a.Key == name {
			return a.Val
		}
	}
	return ""
}

func text(n *html.Node) string {
	if n.Type == html.TextNode {
		return n.Data
	}
	var b strings.Builder
	for c := n.FirstChild; c != nil; c = c.NextSibling {
		b.WriteString(text(c))
	}
	return b.String()
}

// Whatever stands in the names, the page has the scripts it was written with
// and no other, allows only those, and loads nothing.
func TestNothingBreaksOut(t *testing.T) {
	for name, d := range samples() {
		doc, err := html.Parse(bytes.NewReader(written(t, d)))
		if err != nil {
			t.Fatal(err)
		}
		var run, data []string
		csp := ""
		elements(doc, func(n *html.Node) {
			switch n.Data {
			case "script":
				if attr(n, "type") == "application/json" {
					data = append(data, text(n))
				} else {
					run = append(run, text(n))
				}
			case "meta":
				if attr(n, "http-equiv") == "Content-Security-Policy" {
					csp = attr(n, "content")
				}
			case "link", "iframe", "object", "embed", "base", "form":
				t.Errorf("%s: <%s> in the page", name, n.Data)
			}
			for _, a := range n.Attr {
				if strings.HasPrefix(a.Key, "on") || a.Key == "style" {
					t.Errorf("%s: <%s %s> in the page", name, n.Data, a.Key)
				}
				if a.Key == "src" && !strings.HasPrefix(a.Val, "data:image/jpeg;base64,") ||
					a.Key == "href" && !strings.HasPrefix(a.Val, "#") {
					t.Errorf("%s: <%s %s=%.40q>", name, n.Data, a.Key, a.Val)
				}
			}
		})
		if len(run) != 2 || len(data) != 1 {
			t.Fatalf("%s: %d scripts, %d data blocks", name, len(run), len(data))
		}
		for _, s := range run {
			sum := sha256.Sum256([]byte(s))
			if !strings.Contains(csp, "'sha256-"+base64.StdEncoding.EncodeToString(sum[:])+"'") {
				t.Errorf("%s: a script the policy does not allow: %.60q", name, s)
			}
		}
		if strings.Contains(csp, "unsafe-eval") || !strings.HasPrefix(csp, "default-src 'none'; script-src 'sha256-") {
			t.Errorf("%s: policy %q", name, csp)
		}
		var figures []struct {
			ID      string
			Options struct {
				Series []struct{ Name string }
			}
		}
		if err := json.Unmarshal([]byte(data[0]), &figures); err != nil {
			t.Fatalf("%s: figures: %v", name, err)
		}
		hostile := "</script><script>alert(5)</script> __f__ \U0001F600"
		if name == "awkward" && !strings.Contains(figures[0].Options.Series[1].Name, hostile) {
			t.Errorf("the name of a series came through as %q", figures[0].Options.Series[1].Name)
		}
	}
}

// Every text that a stranger wrote stands on the page as it was typed.
func TestHostileTextShowsAsTyped(t *testing.T) {
	doc, err := html.Parse(bytes.NewReader(written(t, sample.Awkward())))
	if err != nil {
		t.Fatal(err)
	}
	all := text(doc)
	for _, s := range []string{
		"HW-2026-0099</script><script>alert(1)</script>", "__f__function(){alert(2)}__f__",
		"C-2291 \U0001F527\uFE0F __f__ {b} {{.}} <b>bold</b>", "漢字 עברית", "First line\nsecond line",
		"Markwith direction",
	} {
		if !strings.Contains(all, s) {
			t.Errorf("no %q on the page", s)
		}
	}
}

// Tables have heads, figures have words, and every place that is linked to or
// labelled exists once.
func TestAccessible(t *testing.T) {
	for name, d := range samples() {
		doc, err := html.Parse(bytes.NewReader(written(t, d)))
		if err != nil {
			t.Fatal(err)
		}
		ids, links := map[string]int{}, []string{}
		figures, charts := 0, 0
		elements(doc, func(n *html.Node) {
			if id := attr(n, "id"); id != "" {
				ids[id]++
			}
			switch n.Data {
			case "html":
				if attr(n, "lang") == "" {
					t.Errorf("%s: no language", name)
				}
			case "a":
				links = append(links, strings.TrimPrefix(attr(n, "href"), "#"))
			case "table":
				heads, caption := 0, false
				elements(n, func(c *html.Node) {
					if c.Data == "th" && attr(c, "scope") == "col" {
						heads++
					}
					caption = caption || c.Data == "caption" && text(c) != ""
				})
				if heads < 2 || !caption {
					t.Errorf("%s: table %q has %d heads, caption %v", name, attr(n, "id"), heads, caption)
				}
			case "img":
				if attr(n, "alt") == "" || attr(n, "width") == "" {
					t.Errorf("%s: picture without words or size", name)
				}
			case "figure":
				figures++
			case "div":
				if attr(n, "class") == "chart" {
					charts++
					if attr(n, "role") != "img" || attr(n, "aria-label") == "" {
						t.Errorf("%s: chart without words", name)
					}
				}
			}
		})
		for id, n := range ids {
			if n > 1 {
				t.Errorf("%s: id %q stands %d times", name, id, n)
			}
		}
		for _, l := range links {
			if ids[l] != 1 {
				t.Errorf("%s: link to %q leads nowhere", name, l)
			}
		}
		if charts < 3 || figures <= charts {
			t.Errorf("%s: %d figures, %d charts", name, figures, charts)
		}
	}
}

// Text and ground of both themes keep the contrast of WCAG 2.2 AA, 4.5 : 1
// (success criterion 1.4.3; relative luminance as defined there).
func TestContrast(t *testing.T) {
	roots := regexp.MustCompile(`:root \{([^}]*)\}`).FindAllStringSubmatch(style, -1)
	if len(roots) < 3 {
		t.Fatalf("%d themes", len(roots))
	}
	for i, root := range roots {
		c := map[string]float64{}
		for _, m := range regexp.MustCompile(`--([a-z]+): #([0-9a-f]{3,6});`).FindAllStringSubmatch(root[1], -1) {
			c[m[1]] = luminance(m[2])
		}
		for _, pair := range [][2]string{
			{"ink", "ground"}, {"soft", "ground"}, {"accent", "ground"}, {"ink", "pale"}, {"soft", "pale"},
		} {
			a, b := c[pair[0]], c[pair[1]]
			if a < b {
				a, b = b, a
			}
			if r := (a + 0.05) / (b + 0.05); r < 4.5 {
				t.Errorf("theme %d: %s on %s is %.2f : 1", i, pair[0], pair[1], r)
			}
		}
	}
}

func BenchmarkWrite(b *testing.B) {
	d := sample.FullPhotos(sample.Accepted())
	if err := d.Prepare(); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if err := laidOut(io.Discard, d); err != nil {
			b.Fatal(err)
		}
	}
}
