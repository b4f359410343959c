package document

import (
	"strings"
	"unicode/utf8"
)

// A Writer breaks lines at blanks.
type Writer struct {
	b     strings.Builder
	width int
}

// NewWriter returns a writer of lines of a width, 40 at least.
func NewWriter(width int) *Writer { return &Writer{width: max(40, width)} }

// String returns what was written.
func (w *Writer) String() string { return w.b.String() }

// Blank writes an empty line.
func (w *Writer) Blank() { w.b.WriteByte('\n') }

// Facts writes facts below a title, when there are any.
func (w *Writer) Facts(title string, facts []Fact) {
	if len(facts) == 0 {
		return
	}
	w.Line(0, title+":")
	for _, f := range facts {
		w.Line(2, f.Name+": "+f.Text)
	}
}

// Line writes text at an indent; what does not fit goes on two further in.
// A word that is longer than a line is broken.
func (w *Writer) Line(indent int, text string) {
	if text == "" {
		return
	}
	column, in := 0, indent
	for _, word := range strings.Fields(printable(text)) {
		for {
			n := utf8.RuneCountInString(word)
			switch {
			case column == 0:
				w.b.WriteString(strings.Repeat(" ", in))
				column, in = in, indent+2
			case column+1+n <= w.width:
				w.b.WriteByte(' ')
				column++
			default:
				w.b.WriteByte('\n')
				column = 0
				continue
			}
			if r := []rune(word); column+n > w.width {
				cut := w.width - column
				w.b.WriteString(string(r[:cut]))
				w.b.WriteByte('\n')
				column, word = 0, string(r[cut:])
				continue
			}
			w.b.WriteString(word)
			column += n
			break
		}
	}
	w.b.WriteByte('\n')
}
