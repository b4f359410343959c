package document

import (
	"fmt"
	"math"

	"github.com/phpdave11/gofpdf"
)

// An element is a node of the logical structure of the document (ISO 32000-1,
// 14.7.2): what a program that reads aloud goes by.
type element struct {
	role  string // standard structure type (14.8.4)
	alt   string // says in words what a figure shows
	attr  string // attributes of the table and list owners, as PDF source
	box   *box   // of a figure
	above *element
	kids  []kid
	tree  *tags
	num   int // of its object
}

// A kid is a child element, or a piece of the content of a page.
type kid struct {
	element *element
	page    int // from 1
	mcid    int
}

// A box is a rectangle on a page, pt from the lower left corner.
type box struct {
	page           int
	x0, y0, x1, y1 float64
}

// mostElements keeps the file within what a reader of it will take on.
const mostElements = 12000

// tags is the structure of a document in the making, and the marks around the
// content that belongs to it.
type tags struct {
	pdf   *gofpdf.Fpdf
	root  *element
	all   []*element
	pages [][]*element // by page from 0 and MCID: what the content belongs to
	open  bool
	now   *element // whose content is open; nil: an artifact
}

func newTags(pdf *gofpdf.Fpdf) *tags {
	t := &tags{pdf: pdf}
	t.root = &element{role: "Document", tree: t}
	t.all = []*element{t.root}
	pdf.SetFooterFunc(t.close) // what is open ends with the page
	return t
}

// add adds a child element of a standard type.
func (e *element) add(role string) *element {
	c := &element{role: role, above: e, tree: e.tree}
	e.kids = append(e.kids, kid{element: c})
	e.tree.all = append(e.tree.all, c)
	return c
}

// figure adds a figure with words that stand for it.
func (e *element) figure(alt string) *element {
	f := e.add("Figure")
	f.alt = clean(alt)
	return f
}

// item adds an item of a list, with a label and a body.
func (e *element) item() (label, body *element) {
	li := e.add("LI")
	return li.add("Lbl"), li.add("LBody")
}

// with gives an element attributes.
func (e *element) with(attr string) *element {
	e.attr = attr
	return e
}

// mark makes what is drawn from here on the content of an element, or with nil
// an artifact (14.8.2.2): decoration, and what stands on every page.
func (t *tags) mark(e *element) {
	if t.open && t.now == e {
		return
	}
	t.close()
	t.open, t.now = true, e
	if e == nil {
		t.pdf.RawWriteStr("/Artifact BMC")
		return
	}
	page := t.pdf.PageNo()
	for len(t.pages) < page {
		t.pages = append(t.pages, nil)
	}
	mcid := len(t.pages[page-1])
	t.pages[page-1] = append(t.pages[page-1], e)
	e.kids = append(e.kids, kid{page: page, mcid: mcid})
	t.pdf.RawWriteStr(fmt.Sprintf("/%s <</MCID %d>> BDC", e.role, mcid))
}

// close ends what is open.
func (t *tags) close() {
	if t.open {
		t.pdf.RawWriteStr("EMC")
		t.open, t.now = false, nil
	}
}

// cover tells a figure that it covers a rectangle of the page, in mm from the
// upper left corner of what the margins leave.
func (t *tags) cover(e *element, x, y, w, h float64) {
	if e == nil || e.role != "Figure" {
		return
	}
	_, tall := t.pdf.GetPageSize()
	x0, y1 := (marginX+x)/ptmm, (tall-marginTop-y)/ptmm
	x1, y0 := x0+w/ptmm, y1-h/ptmm
	page := t.pdf.PageNo()
	if e.box == nil {
		e.box = &box{page, x0, y0, x1, y1}
	} else if b := e.box; b.page == page {
		b.x0, b.y0 = math.Min(b.x0, x0), math.Min(b.y0, y0)
		b.x1, b.y1 = math.Max(b.x1, x1), math.Max(b.y1, y1)
	}
}
