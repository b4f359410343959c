package document

import (
	"strings"
	"unicode"
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
func (w *Writer) Line(indent int, text string) {
	for i, line := range Wrap(Fit(printable(text), w.width-indent-2), w.width-indent, w.width-indent-2) {
		if i == 1 {
			indent += 2
		}
		w.b.WriteString(strings.Repeat(" ", indent) + line + "\n")
	}
}

// Row writes cells side by side, each in a column of its width with two blanks
// behind it. What does not fit goes on below, in its column.
func (w *Writer) Row(widths []int, cells ...string) {
	var columns [][]string
	height := 0
	for i, cell := range cells {
		columns = append(columns, Wrap(Fit(printable(cell), widths[i]), widths[i], widths[i]))
		height = max(height, len(columns[i]))
	}
	for n := range height {
		line := ""
		for i, column := range columns {
			cell := ""
			if n < len(column) {
				cell = column[n]
			}
			line += cell + strings.Repeat(" ", widths[i]-utf8.RuneCountInString(cell)+2)
		}
		w.b.WriteString(strings.TrimRight(line, " ") + "\n")
	}
}

// Wrap breaks a text at blanks into lines of at most so many characters, the
// first of its own width. What may not be parted stays whole: a blank that does
// not break, and a word that is longer than a line.
func Wrap(text string, first, rest int) []string {
	var lines []string
	line, room := "", first
	for _, word := range strings.FieldsFunc(text, breaks) {
		if line != "" && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > room {
			lines = append(lines, line)
			line, room = "", rest
		}
		if line != "" {
			line += " "
		}
		line += word
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}

// Fit puts blanks into the words of a text that are longer than a line, for
// columns and screens that nothing may stick out of.
func Fit(text string, width int) string {
	var b strings.Builder
	run := 0
	for _, r := range text {
		switch {
		case breaks(r):
			run = -1
		case run == width:
			b.WriteByte(' ')
			run = 0
		}
		run++
		b.WriteRune(r)
	}
	return b.String()
}

// breaks reports whether a line may end at a character.
func breaks(r rune) bool { return unicode.IsSpace(r) && r != '\u00a0' }
