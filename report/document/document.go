// Package document prints a certificate or a test report as PDF.
//
// A [content.Document] comes in; pages go out, in A4 or Letter, with the fonts
// embedded, figures as vectors, bookmarks, and the same bytes for the same
// time of issue. The package judges nothing and chooses no words: those come
// from package content.
package document

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strings"

	"proveout/report/chart"
	"proveout/report/content"
	"proveout/report/words"
)

// Paper is the size of the pages.
type Paper int

// The sizes. A4 is the zero value.
const (
	A4     Paper = iota // 210 mm × 297 mm, ISO 216
	Letter              // 8.5 in × 11 in
)

// PaperNamed returns the paper of a name as shops write it, "A4" or "Letter",
// in any case; empty is A4.
func PaperNamed(name string) (Paper, error) {
	switch strings.ToLower(strings.TrimSpace(name)) {
	case "", "a4":
		return A4, nil
	case "letter":
		return Letter, nil
	}
	return A4, fmt.Errorf("paper %q is neither A4 nor Letter", name)
}

// String is the name of the paper as shops and records write it.
func (p Paper) String() string {
	if p == Letter {
		return "Letter"
	}
	return "A4"
}

func (p Paper) size() (w, h float64) {
	if p == Letter {
		return 215.9, 279.4
	}
	return 210, 297
}

// Write writes the document, laid out as c, as PDF.
func Write(w io.Writer, d *content.Document, c *content.Content, paper Paper) error {
	cat, err := words.In(d.Language)
	if err != nil {
		return err
	}
	s, err := newSheet(d, c, paper)
	if err != nil {
		return err
	}
	s.decim = cat.T("number.mark")
	s.front(c)
	for i := range c.Sections {
		if i == 0 && s.pages == 1 {
			s.breakPage() // behind the front, unless that took a second page
		}
		if i == len(c.Sections)-1 {
			s.need(70) // the end mark is not left alone on a page
		}
		s.section(&c.Sections[i])
	}
	s.end(c.End)
	made, err := s.m.Generate()
	if err != nil {
		return fmt.Errorf("writing the PDF: %w", err)
	}
	if err := errors.Join(s.errs...); err != nil {
		return fmt.Errorf("drawing the PDF: %w", err)
	}
	pdf, err := finish(made.GetBytes(), c.Language, s.tags)
	if err != nil {
		return err
	}
	_, err = w.Write(pdf)
	return err
}

// section sets one section.
func (s *sheet) section(sec *content.Section) {
	s.part = s.tags.root.add("Sect")
	s.heading(sec)
	for _, b := range sec.Blocks {
		switch b := b.(type) {
		case content.Paragraph:
			s.paragraph(b)
		case content.List:
			s.list(b.Items)
		case content.Facts:
			s.facts(b.Facts)
		case *content.Table:
			s.table(b)
		case content.Figure:
			s.figure(&b)
		case content.ShownCapture:
			s.capture(&b)
		case content.Photos:
			s.photos(b.Photos)
		}
	}
}

// heading sets the title of a section, never at the foot of a page, and marks
// it in the outline.
func (s *sheet) heading(sec *content.Section) {
	s.gap(5)
	need := 28.0
	if len(sec.Blocks) > 0 {
		switch sec.Blocks[0].(type) {
		case content.Figure:
			need = 100
		case content.Photos:
			need = 85
		case content.Paragraph:
			need = s.before(sec.Blocks)
		}
		if _, ok := sec.Blocks[len(sec.Blocks)-1].(content.ShownCapture); ok {
			need = 100 // with the lines that explain them
		}
	}
	s.need(need)
	f := face{size: 12, weight: chart.Bold}
	b := &block{}
	y := b.as(s.part.add("H2")).text(0, 0, s.w, f, sec.Title)
	b.fill(0, y+0.6, s.w, 0.4, black)
	b.h = y + 2.6
	title := clean(sec.Title)
	b.as(nil).add(0, 0, s.w, 0, func(c *canvas) { s.pdf.Bookmark(title, 0, (c.pageH-c.y)*ptmm) })
	s.place(b)
}

// before is the height of a heading with the short paragraphs that lead to a
// table and the first rows of that; of a heading and a few lines where they lead
// to none.
func (s *sheet) before(blocks []content.Block) float64 {
	const heading, line = 12.0, 4.2
	h := heading
	for _, b := range blocks {
		switch b := b.(type) {
		case content.Paragraph:
			h += line * float64(1+len(face{size: 9}.wrap(b.Text, s.w)))
		case *content.Table:
			return math.Min(h+24, s.usable/2)
		default:
			return 28
		}
	}
	return 28
}

func (s *sheet) paragraph(p content.Paragraph) {
	f, role := face{size: 9}, "P"
	switch {
	case p.Heading:
		role = "H3"
		s.gap(1.5)
		s.need(16)
		f = face{size: 9.5, weight: chart.Bold}
	case p.Small:
		f = face{size: 7.5, color: darkGrey}
	}
	b := (&block{}).as(s.part.add(role))
	b.text(0, 0, s.w, f, p.Text)
	b.h += 1.2
	s.place(b)
}

func (s *sheet) list(items []string) {
	all := s.part.add("L")
	for _, it := range items {
		b := &block{}
		s.bullet(b, all, 0, it)
		b.h += 0.8
		s.place(b)
	}
	s.gap(1)
}

// bullet sets an item of a list with its top at y and returns the y below it.
func (s *sheet) bullet(b *block, list *element, y float64, text string) float64 {
	f := face{size: 9}
	label, body := list.item()
	b.as(label).line(1, y+f.rise(), f, "–")
	return b.as(body).text(4.5, y, s.w-4.5, f, text)
}

func (s *sheet) facts(facts []content.Fact) {
	name := face{size: 8.5, weight: chart.Bold}
	text := face{size: 8.5}
	const col = 46.0
	all := s.part.add("L")
	for i, f := range facts {
		b := &block{}
		if i > 0 {
			b.fill(0, 0, s.w, 0.1, midGrey)
		}
		what, says := all.item()
		b.as(what).text(0, 0.7, col-2, name, f.Name)
		b.as(says).text(col, 0.7, s.w-col, text, f.Text)
		b.h += 0.7
		s.place(b)
	}
	s.gap(3)
}

// end closes the document.
func (s *sheet) end(text string) {
	s.gap(6)
	f := face{size: 8.5, weight: chart.Bold}
	b := (&block{}).as(s.tags.root.add("P"))
	for _, l := range f.wrap(text, s.w-30) {
		y := b.h
		w := f.width(l)
		b.center(0, s.w, y+f.rise(), f, l)
		b.fill((s.w-w)/2-14, y+f.rise()-1.1, 10, 0.3, black)
		b.fill((s.w+w)/2+4, y+f.rise()-1.1, 10, 0.3, black)
		b.h = y + f.lead()
	}
	s.place(b)
}
