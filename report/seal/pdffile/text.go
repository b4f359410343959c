package pdffile

import (
	"strings"
	"unicode"

	"proveout/plans/fact"
)

// A Text is what stands on the pages of a file, without white space.
type Text struct{ joined string }

// Contains tells whether s stands on the pages. White space does not matter, so
// a line break inside s does not either.
func (t Text) Contains(s string) bool { return strings.Contains(t.joined, squeeze(s)) }

func squeeze(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsSpace(r) || r == '\u00ad' {
			return -1
		}
		return r
	}, s)
}

const (
	maxPages       = 500
	maxContent     = 32 << 20 // bytes of all content streams together
	maxContentSize = 4e6      // operands and operators of all content streams
)

// PageText reads the text of all pages in the order in which it was drawn, for
// files whose fonts are encoded by Unicode (Identity-H with codes that are
// UTF-16) or in Latin-1, as this project's pages are.
func PageText(pdf []byte) (Text, error) {
	f, err := Read(pdf)
	if err != nil {
		return Text{}, err
	}
	cat, err := f.catalog()
	if err != nil {
		return Text{}, err
	}
	r := textReader{f: f, nodes: maxContentSize, left: maxContent, seen: map[int]bool{}}
	if err := r.tree(cat.value.Get("Pages"), Object{}, 0); err != nil {
		return Text{}, err
	}
	return Text{squeeze(r.out.String())}, nil
}

type textReader struct {
	f     *File
	out   strings.Builder
	nodes int
	left  int64
	pages int
	seen  map[int]bool
}

// tree walks the page tree; resources are inherited.
func (r *textReader) tree(ref, resources Object, depth int) error {
	node, err := r.f.target(ref)
	if err != nil {
		return err
	}
	if r.seen[node.num] || depth > maxDepth {
		return fact.New("pdffile.page-tree").Err()
	}
	r.seen[node.num] = true
	if own := node.value.Get("Resources"); own.Kind != Null {
		if resources, err = r.f.resolve(own); err != nil {
			return err
		}
	}
	if node.value.Get("Type").isName("Page") {
		if r.pages++; r.pages > maxPages {
			return fact.New("pdffile.too-many-pages").Err()
		}
		return r.page(node.value, resources)
	}
	kids, err := r.f.resolve(node.value.Get("Kids"))
	if err != nil {
		return err
	}
	for _, k := range kids.Items {
		if err := r.tree(k, resources, depth+1); err != nil {
			return err
		}
	}
	return nil
}

func (r *textReader) page(page, resources Object) error {
	wide, err := r.wideFonts(resources)
	if err != nil {
		return err
	}
	contents := page.Get("Contents")
	list := []Object{contents}
	if v, err := r.f.resolve(contents); err == nil && v.Kind == Array {
		list = v.Items
	}
	for _, c := range list {
		s, err := r.f.target(c)
		if err != nil {
			return err
		}
		data := s.stream
		switch filter := s.value.Get("Filter"); {
		case filter.isName("FlateDecode"):
			if data, err = inflate(data, &r.left); err != nil {
				return err
			}
		case filter.Kind != Null:
			return fact.New("pdffile.page-otherwise").Err()
		default:
			if r.left -= int64(len(data)); r.left < 0 {
				return errTooMuch
			}
		}
		if err := r.content(data, wide); err != nil {
			return err
		}
	}
	return nil
}

// wideFonts names the fonts whose strings are two bytes a character.
func (r *textReader) wideFonts(resources Object) (map[string]bool, error) {
	fonts, err := r.f.lookup(resources, "Font")
	if err != nil {
		return nil, err
	}
	wide := map[string]bool{}
	for _, e := range fonts.Entries {
		enc, err := r.f.lookup(e.Value, "Encoding")
		if err != nil {
			return nil, err
		}
		wide[e.Key] = enc.isName("Identity-H")
	}
	return wide, nil
}

// content reads the operators of one content stream (ISO 32000-1, 9.4.3).
func (r *textReader) content(data []byte, wide map[string]bool) error {
	p := &parser{data: data, nodes: &r.nodes, open: new(open)}
	var operands []Object
	two := false
	for {
		p.space()
		if p.pos >= len(data) {
			return nil
		}
		c := data[p.pos]
		if c == '/' || c == '(' || c == '[' || c == '<' || c == '+' || c == '-' || c == '.' || isDigit(c) {
			o, err := p.value(0)
			if err != nil {
				return err
			}
			if operands = append(operands, o); len(operands) > 1000 {
				return errTooMuch
			}
			continue
		}
		start := p.pos
		for p.pos++; p.pos < len(data) && !isSpace(data[p.pos]) && !isDelimiter(data[p.pos]); p.pos++ {
		}
		switch op := string(data[start:min(p.pos, start+3)]); op {
		case "Tf":
			if len(operands) == 2 {
				two = wide[string(operands[0].Text)]
			}
		case "Tj", "TJ", "'", "\"":
			for _, o := range operands {
				r.show(o, two)
			}
		case "BI":
			return fact.New("pdffile.page-picture").Err()
		}
		operands = operands[:0]
	}
}

func (r *textReader) show(o Object, two bool) {
	for _, i := range o.Items {
		r.show(i, two)
	}
	if o.Kind == String && two {
		o.Text = append([]byte{0xfe, 0xff}, o.Text...)
	}
	r.out.WriteString(o.textString())
}

// JPEGs gives the pictures of a file that are stored as JPEG (DCTDecode),
// byte for byte as they were handed to the writer, in the order of their object
// numbers; none is an empty list. Pages are made again from their record with these: the record names
// each by its SHA-256.
func JPEGs(pdf []byte) ([][]byte, error) {
	f, err := Read(pdf)
	if err != nil {
		return nil, err
	}
	out := [][]byte{}
	err = f.each(func(in *indirect) {
		if in.stream != nil && in.value.Get("Subtype").isName("Image") && in.value.Get("Filter").isName("DCTDecode") {
			out = append(out, in.stream)
		}
	})
	return out, err
}
