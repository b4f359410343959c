package document

import (
	"cmp"
	"errors"
	"slices"
	"strconv"
	"strings"
	"unicode"

	eastasian "golang.org/x/text/width"
)

// A Problem is something wrong in a file: where, what, and what to write
// instead.
type Problem struct {
	File   string `json:"file"`
	Line   int    `json:"line"`   // from 1; 0 when the file as a whole is meant
	Column int    `json:"column"` // in characters, from 1; 0 when the line or the file as a whole is meant
	Width  int    `json:"width"`  // characters at fault
	What   string `json:"what"`   // lower case, no full stop: "step.duration: unit missing"
	Text   string `json:"text"`   // the line at fault
	Fix    string `json:"fix"`    // what to write instead; empty if unknown
}

// Headline returns file:line:column and what is wrong, on one line.
func (p Problem) Headline() string {
	s := p.File
	if p.Line > 0 {
		s += ":" + strconv.Itoa(p.Line)
		if p.Column > 0 {
			s += ":" + strconv.Itoa(p.Column)
		}
	}
	return s + ": " + p.What
}

// String prints the problem with its line, carets under what is at fault, and
// the fix.
func (p Problem) String() string {
	var b strings.Builder
	b.WriteString(p.Headline())
	if p.Line > 0 && p.Text != "" {
		line, column := shorten(printable(p.Text), p.Column-1)
		number := strconv.Itoa(p.Line)
		b.WriteString("\n    " + number + " | " + line)
		b.WriteString("\n    " + strings.Repeat(" ", len(number)) + " | ")
		runes := []rune(line)
		column = min(column, len(runes))
		for _, r := range runes[:column] {
			if r == '\t' {
				b.WriteByte('\t')
			} else {
				b.WriteString(strings.Repeat(" ", cells(r)))
			}
		}
		carets := 0
		for _, r := range runes[column:min(column+max(1, p.Width), len(runes))] {
			carets += cells(r)
		}
		b.WriteString(strings.Repeat("^", max(1, carets)))
	}
	if p.Fix != "" {
		b.WriteString("\n  fix: " + p.Fix)
	}
	return b.String()
}

// Error makes a problem that ends the reading of a file an error.
func (p *Problem) Error() string { return p.String() }

// printable takes out of a line what a terminal would act on.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if r != '\t' && unicode.IsControl(r) {
			return '\ufffd'
		}
		return r
	}, s)
}

// shorten cuts a long line around a column (from 0) and returns where the
// column is in the cut.
func shorten(line string, column int) (string, int) {
	const widest, before = 100, 40
	r := []rune(line)
	if len(r) <= widest {
		return line, max(0, column)
	}
	from := max(0, min(column-before, len(r)-widest))
	cut := string(r[from:min(len(r), from+widest)])
	if from > 0 {
		cut, column = "…"+cut, column+1
	}
	if from+widest < len(r) {
		cut += "…"
	}
	return cut, column - from
}

// cells returns how many columns of a terminal a character takes.
func cells(r rune) int {
	if unicode.In(r, unicode.Mn, unicode.Me, unicode.Cf) {
		return 0
	}
	switch eastasian.LookupRune(r).Kind() {
	case eastasian.EastAsianWide, eastasian.EastAsianFullwidth:
		return 2
	}
	return 1
}

// Problems is what is wrong with a file, as one error.
type Problems []Problem

// Error prints all problems, one after the other.
func (ps Problems) Error() string {
	var b strings.Builder
	for i, p := range ps {
		if i > 0 {
			b.WriteByte('\n')
		}
		b.WriteString(p.String())
	}
	return b.String()
}

// AsError returns the problems as one error, nil when there are none.
func AsError(ps []Problem) error {
	if len(ps) == 0 {
		return nil
	}
	return Problems(ps)
}

// ProblemsOf returns the problems inside an error.
func ProblemsOf(err error) ([]Problem, bool) {
	var ps Problems
	var one *Problem
	switch {
	case errors.As(err, &ps):
		return ps, true
	case errors.As(err, &one):
		return []Problem{*one}, true
	}
	return nil, false
}

// MaxProblems bounds what is reported of one file.
const MaxProblems = 50

// A Collector gathers the problems of one file.
type Collector struct {
	*source
	file     string
	problems []Problem
	found    int  // how often something was wrong, the same problem counted each time
	partial  bool // only part is read: say nothing about what is missing
	many     bool // there were more than the bound
}

// NewCollector returns a collector without problems for a file with this text.
func NewCollector(file string, text []byte) *Collector {
	return &Collector{source: newSource(text), file: file}
}

// full reports whether enough problems are known.
func (c *Collector) full() bool { return len(c.problems) >= 4*MaxProblems }

// Add records a problem, once.
func (c *Collector) Add(at Span, what, fix string) {
	c.found++
	if c.full() {
		c.many = true
		return
	}
	p := c.problem(at)
	p.File, p.What, p.Fix = c.file, what, fix
	if !slices.Contains(c.problems, p) {
		c.problems = append(c.problems, p)
	}
}

// Sorted returns the problems in the order of the file.
func (c *Collector) Sorted() []Problem {
	slices.SortStableFunc(c.problems, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
	if len(c.problems) > MaxProblems {
		c.problems = c.problems[:MaxProblems]
		c.many = true
	}
	if c.many {
		what := "there are more problems than these " + strconv.Itoa(MaxProblems)
		c.problems = append(c.problems, Problem{File: c.file, What: what})
	}
	return c.problems
}
