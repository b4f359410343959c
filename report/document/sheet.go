package document

import (
	"bytes"
	"strings"

	"github.com/johnfercher/maroto/v2"
	"github.com/johnfercher/maroto/v2/pkg/components/col"
	"github.com/johnfercher/maroto/v2/pkg/components/page"
	"github.com/johnfercher/maroto/v2/pkg/components/row"
	"github.com/johnfercher/maroto/v2/pkg/config"
	"github.com/johnfercher/maroto/v2/pkg/consts/fontstyle"
	"github.com/johnfercher/maroto/v2/pkg/core"
	"github.com/johnfercher/maroto/v2/pkg/props"
	"github.com/johnfercher/maroto/v2/pkg/repository"
	"github.com/phpdave11/gofpdf"

	"proveout/report/chart"
	"proveout/report/content"
)

// Margins of a page, mm.
const (
	marginX      = 18.0
	marginTop    = 12.0
	marginBottom = 14.0
)

// A sheet is a document in the making: blocks go in, pages come out.
type sheet struct {
	m      core.Maroto
	pdf    *gofpdf.Fpdf
	tags   *tags
	part   *element     // of the structure that blocks go to
	w      float64      // width of the text, mm
	usable float64      // height of a page under its header, mm
	y      float64      // used of the current page
	fresh  bool         // nothing stands on the page yet, or the next block begins one
	pages  int          // so far
	turn   bool         // the next block begins a new page
	decim  string       // decimal mark of figures
	widths map[int]bool // pixel widths of photos and captures
	errs   []error
}

// newSheet begins a document.
func newSheet(d *content.Document, c *content.Content, paper Paper) (*sheet, error) {
	w, h := paper.size()
	fonts, err := repository.New().
		AddUTF8FontFromBytes(family, fontstyle.Normal, bytes.Clone(chart.TTF(chart.Regular))).
		AddUTF8FontFromBytes(family, fontstyle.Bold, bytes.Clone(chart.TTF(chart.Bold))).Load()
	if err != nil {
		return nil, err
	}
	pageNumber := props.PageNumber{
		Pattern: c.PageOf, Place: props.RightBottom,
		Size: 7, Family: family, Style: fontstyle.Normal,
		Color: &props.Color{Red: int(darkGrey.R), Green: int(darkGrey.G), Blue: int(darkGrey.B)},
	}
	cfg := config.NewBuilder().WithDimensions(w, h).
		WithLeftMargin(marginX).WithRightMargin(marginX).WithTopMargin(marginTop).WithBottomMargin(marginBottom).
		WithCustomFonts(fonts).WithDefaultFont(&props.Font{Family: family, Size: 9, Color: &props.BlackColor}).
		WithCompression(true).
		WithPageNumber(pageNumber).
		WithTitle(clean(c.FullTitle), true).WithAuthor(clean(c.Author), true).WithSubject(clean(c.Subject), true).
		WithCreator(clean(c.Tool), true).WithCreationDate(d.IssuedAt).Build()

	s := &sheet{w: w - 2*marginX, fresh: true, pages: 1, widths: map[int]bool{}}
	for _, p := range d.Pictures() {
		s.widths[p.Width] = true
	}
	s.m = maroto.New(cfg)
	head := s.header(c)
	if err := s.m.RegisterHeader(row.New().Add(col.New().Add(head))); err != nil {
		return nil, err
	}
	if s.pdf, err = native(head.provider); err != nil {
		return nil, err
	}
	s.pdf.SetCatalogSort(true)
	s.pdf.SetModificationDate(d.IssuedAt)
	s.tags = newTags(s.pdf)
	head.tags = s.tags
	foot := s.footer(c)
	foot.tags, foot.last = s.tags, true // the number of the page follows
	if err := s.m.RegisterFooter(row.New().Add(col.New().Add(foot))); err != nil {
		return nil, err
	}
	s.usable = h - marginTop - marginBottom - head.h - footerHeight - 2 // white over the foot
	return s, nil
}

func (s *sheet) left() float64 { return s.usable - s.y }

// breakPage makes the next block begin a new page.
func (s *sheet) breakPage() {
	if !s.fresh {
		s.y, s.fresh, s.turn = 0, true, true
	}
}

// need begins a new page unless h mm are left on this one.
func (s *sheet) need(h float64) {
	if s.left() < h && h <= s.usable {
		s.breakPage()
	}
}

// gap leaves h mm free, but not at the top of a page.
func (s *sheet) gap(h float64) {
	if !s.fresh && s.left() > h {
		s.put(&block{h: h})
	}
}

// place puts a block on the page, on the next one if it does not fit, and over
// several if it fits on none.
func (s *sheet) place(b *block) {
	if b.h > s.left() && b.h <= s.usable {
		s.breakPage()
	}
	for b != nil && b.h > s.left() {
		limit := s.left()
		if limit < 30 {
			s.breakPage()
			limit = s.usable
		}
		head, rest := b.split(limit)
		if head.h < 1 { // a drawing taller than a page cannot be parted
			break
		}
		s.put(head)
		s.breakPage()
		b = rest
	}
	if b != nil {
		s.put(b)
	}
}

func (s *sheet) put(b *block) {
	b.tags = s.tags
	r := row.New(b.h).Add(col.New().Add(b))
	if s.turn {
		s.pages++
		s.m.AddPages(page.New().Add(r))
	} else {
		s.m.AddRows(r)
	}
	s.y += b.h
	s.fresh, s.turn = false, false
}

// oneLine is as much of a text as fits on a line, with a sign where it is cut.
func oneLine(text string, f face, width float64) string {
	lines := f.wrap(text, width)
	if len(lines) == 1 {
		return lines[0]
	}
	return strings.TrimRight(f.wrap(text, width-f.width("…"))[0], " ") + "…"
}

const footerHeight = 1.0

// footer stands at the foot of each page, on the line of the page number.
func (s *sheet) footer(c *content.Content) *block {
	b := &block{}
	b.fill(0, 0.4, s.w, 0.15, midGrey)
	f := face{size: 7, color: darkGrey}
	b.line(0, footerHeight+f.size*ptmm, f, clean(c.Foot))
	b.h = footerHeight
	return b
}

// header stands on top of each page: whose document, which one, and on a test
// report a bar that says it is no certificate.
func (s *sheet) header(c *content.Content) *block {
	b := &block{}
	y := 0.0
	if c.Banner != "" {
		b.add(0, 0, s.w, 0, func(*canvas) { s.watermark(clean(c.Watermark)) })
		f := face{size: 12, weight: chart.Bold, color: whiteInk}
		b.fill(0, 0, s.w, 7, black)
		b.center(0, s.w, 5, f, clean(c.Banner))
		y = 8
	}
	f := face{size: 7.5, color: darkGrey}
	bold := face{size: 7.5, weight: chart.Bold}
	title := oneLine(c.FullTitle, bold, s.w*0.6)
	shop := oneLine(c.Front.ShopName, f, s.w*0.38)
	b.line(0, y+f.rise(), f, shop)
	b.right(s.w, y+f.rise(), bold, title)
	b.fill(0, y+4, s.w, 0.25, black)
	b.h = y + 7.5
	return b
}

// watermark writes across the page, pale and under all that follows.
func (s *sheet) watermark(text string) {
	if text == "" {
		return
	}
	w, h := s.pdf.GetPageSize()
	size := 72.0
	if long := chart.Width(chart.Bold, size, text) * ptmm; long > h*0.8 {
		size *= h * 0.8 / long
	}
	half := chart.Width(chart.Bold, size, text) * ptmm / 2
	s.pdf.SetFont(family, "B", size)
	s.pdf.SetTextColor(0xEE, 0xEE, 0xEE)
	s.pdf.TransformBegin()
	s.pdf.TransformRotate(52, w/2, h/2)
	s.pdf.Text(w/2-half, h/2+size*ptmm*0.35, text)
	s.pdf.TransformEnd()
	s.pdf.SetTextColor(0, 0, 0)
}
