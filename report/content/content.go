// Package content lays out what a document says, once for both its forms: the
// printed pages and the interactive page.
//
// A [Document] comes in; sections of paragraphs, tables, figures and
// photos go out, in the document's language. The package recomputes no verdict
// and compares no measurements; it chooses words, digits and order. How the
// blocks look is left to the renderers.
package content

import (
	"image"

	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
)

// Content is a whole document in words.
type Content struct {
	Language  string
	Kind      Kind
	Title     string // "Acceptance certificate"
	Number    string
	FullTitle string // of the file: "Acceptance certificate PO-2026-0042"
	Banner    string // of a test report, on every page; empty on a certificate
	Watermark string
	Foot      string
	PageOf    string // "page {current} of {total}"
	End       string
	Front     Front
	Sections  []Section
	Subject   string
	Author    string
	Tool      string
	Record    string // SHA-256 of the attached record, hex; empty when there is none
}

// Front is the first page: what a buyer needs in one look.
type Front struct {
	ShopName  string
	ShopLines []string
	Logo      image.Image
	Card      string // title of the card
	CardLine  string // family and variant
	Identity  []Fact
	Verdict   conformity.Verdict
	Accepted  bool
	Headline  string // the verdict in words
	Reason    string
	TestedHd  string
	Tested    []Tested
	Facts     []Fact
	WayHd     string
	Way       []string
	IsNotHd   string
	IsNot     []string
	Check     Check
}

// Check says how the document is checked; its heading is empty where there is
// nothing to check.
type Check struct {
	Hd          string
	Lines       []string
	Ask         string
	Fingerprint []string // groups of five digits; empty when not signed
	QR          string   // text of the code: number and fingerprint
	QRAlt       string
}

// Tested is one step on the front page.
type Tested struct {
	Title   string
	Note    string // "2 attempts", "not required"
	Verdict conformity.Verdict
	Word    string // the verdict in the document's language
}

// A Fact is a named statement.
type Fact struct{ Name, Text string }

// A Section is one part of the document with a heading.
type Section struct {
	ID     string
	Title  string
	Blocks []Block
}

// A Block is one piece of a section: [Paragraph], [List], [Facts], [*Table],
// [Figure], [Photos] or [ShownCapture].
type Block interface{ block() }

// A Paragraph is running text; Heading makes it a heading inside the section.
type Paragraph struct {
	Text    string
	Heading bool
	Small   bool
}

// A List is a list of sentences.
type List struct{ Items []string }

// Facts is a list of named statements.
type Facts struct{ Facts []Fact }

// A Figure is a chart with its number and caption.
type Figure struct {
	ID      string // unique in the document
	Label   string // "Figure 1"
	Caption string // title and step
	Source  string // file and number of samples
	Figure  outcome.FigureIn[string]
}

// Photos are pictures of the card, in order.
type Photos struct{ Photos []ShownPhoto }

// A Picture is a JPEG of so many pixels.
type Picture struct {
	JPEG          []byte
	Width, Height int
}

// A ShownPhoto is one picture with what stands beneath it.
type ShownPhoto struct {
	Picture
	Label   string // "Photograph 1"
	Caption string
	Hash    string
}

// A ShownCapture is a compared picture of the screen: its panels stand side by side.
type ShownCapture struct {
	Label   string // "Capture 1"
	Title   string // "random-1 at 640x480x16"
	Caption string // what was found
	Verdict conformity.Verdict
	Word    string // the verdict in the document's language
	Source  string // file and its hash
	Panels  []Panel
}

// A Panel is one picture of a capture.
type Panel struct {
	Picture
	Label string // "Pattern", "Capture", "Difference"
	Scale string // what the scale under a difference means
}

// A Table has a head that is repeated on every page.
type Table struct {
	ID      string
	Caption string
	Columns []Column
	Rows    []Row
}

// A Column of a table. Share is its part of the width.
type Column struct {
	Title string
	Share float64
	Right bool // numbers, set flush right
}

// A Row of a table. A Group row is a heading over the rows that follow and is
// not parted from the next row; Group's cells fill the columns from the left,
// the last cell the last column.
type Row struct {
	Group bool
	Cells []Cell
	Notes []string // small print under the row, over its whole width
}

// textRow is a row of plain texts.
func textRow(texts ...string) Row {
	r := Row{Cells: make([]Cell, len(texts))}
	for i, t := range texts {
		r.Cells[i].Text = t
	}
	return r
}

// A Cell of a table.
type Cell struct {
	Text    string
	Strong  bool
	Code    bool                // a hash, to be read character by character
	Number  bool                // an amount alone: the same in all languages, but for its form
	Verdict *conformity.Verdict // set when the cell is a verdict
}

func (Paragraph) block()    {}
func (List) block()         {}
func (Facts) block()        {}
func (*Table) block()       {}
func (Figure) block()       {}
func (Photos) block()       {}
func (ShownCapture) block() {}
