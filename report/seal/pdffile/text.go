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
	maxContent     = 32 << 20 // bytes of all content streams together
	maxContentSize = 4e6      // operands and operators of all content streams
)

// PageText reads the text of all pages in the order in which it was drawn, for
// files whose fonts are all encoded by Unicode (Identity-H with codes that are
// UTF-16), as this project's pages are.
func PageText(pdf []byte) (Text, error) {
	f, err := Read(pdf)
	if err != nil {
		return Text{}, err
	}
	cat, err := f.catalog()
	if err != nil {
		return Text{}, err
	}
	pages, err := f.pages(cat.value)
	if err != nil {
		return Text{}, err
	}
	r := textReader{f: f, nodes: maxContentSize, left: maxContent}
	for _, page := range pages {
		if err := r.page(page.value); err != nil {
			return Text{}, err
		}
	}
	return Text{squeeze(r.out.String())}, nil
}

type textReader struct {
	f     *File
	out   strings.Builder
	nodes int
	left  int64
}

func (r *textReader) page(page Object) error {
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
		if err := r.content(data); err != nil {
			return err
		}
	}
	return nil
}

// content reads the operators of one content stream (ISO 32000-1, 9.4.3).
func (r *textReader) content(data []byte) error {
	p := &parser{data: data, nodes: &r.nodes, open: new(open)}
	var operands []Object
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
		case "Tj", "TJ", "'", "\"":
			for _, o := range operands {
				r.show(o)
			}
		case "BI":
			return fact.New("pdffile.page-picture").Err()
		}
		operands = operands[:0]
	}
}

func (r *textReader) show(o Object) {
	for _, i := range o.Items {
		r.show(i)
	}
	if o.Kind == String {
		r.out.WriteString(fromUTF16(o.Text))
	}
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
