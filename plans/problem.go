package plans

import (
	"cmp"
	"errors"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"proveout/plans/document"
)

// A Problem is something wrong in a file: where, what, and what to write
// instead.
type Problem struct {
	File   string `json:"file"`
	Line   int    `json:"line"`   // from 1; 0 when the file as a whole is meant
	Column int    `json:"column"` // in characters, from 1; 0 when the file as a whole is meant
	Width  int    `json:"width"`  // characters at fault
	What   string `json:"what"`   // lower case, no full stop: "step.duration: unit missing"
	Text   string `json:"text"`   // the line at fault
	Fix    string `json:"fix"`    // what to write instead; empty if unknown
}

// Headline returns file:line:column and what is wrong, on one line.
func (p Problem) Headline() string {
	s := p.File
	if p.Line > 0 {
		s += ":" + strconv.Itoa(p.Line) + ":" + strconv.Itoa(p.Column)
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
	switch {
	case unicode.In(r, unicode.Mn, unicode.Me, unicode.Cf):
		return 0
	case r >= 0x1100 && (r <= 0x115f || r >= 0x2e80 && r <= 0xa4cf || r >= 0xac00 && r <= 0xd7a3 || r >= 0xf900 && r <= 0xfaff ||
		r >= 0xfe30 && r <= 0xfe6f || r >= 0xff00 && r <= 0xff60 || r >= 0xffe0 && r <= 0xffe6 || r >= 0x1f300 && r <= 0x1faff || r >= 0x20000):
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
	ok := errors.As(err, &ps)
	return ps, ok
}

// maxProblems bounds what is reported of one file.
const maxProblems = 50

// collector gathers the problems of one file.
type collector struct {
	file     string
	lines    []string
	problems []Problem
	partial  bool // something could not be read: say nothing about what is missing
	many     bool // there were more than the bound
}

func newCollector(file string, data []byte) *collector {
	return &collector{file: file, lines: strings.Split(strings.TrimPrefix(string(data), "\ufeff"), "\n")}
}

// full reports whether enough problems are known.
func (c *collector) full() bool { return len(c.problems) >= 4*maxProblems }

// add records a problem, once.
func (c *collector) add(at document.Span, what, fix string) {
	if c.full() {
		c.many = true
		return
	}
	p := Problem{File: c.file, Line: at.Line, Column: at.Column, Width: at.Width, What: what, Fix: fix}
	if at.Line > 0 && at.Line <= len(c.lines) {
		p.Text = strings.TrimSuffix(c.lines[at.Line-1], "\r")
	}
	if !slices.Contains(c.problems, p) {
		c.problems = append(c.problems, p)
	}
}

// sorted returns the problems in the order of the file.
func (c *collector) sorted() []Problem {
	slices.SortStableFunc(c.problems, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
	if len(c.problems) > maxProblems {
		c.problems = c.problems[:maxProblems]
		c.many = true
	}
	if c.many {
		c.problems = append(c.problems, Problem{File: c.file, What: "there are more problems than these " + strconv.Itoa(maxProblems)})
	}
	return c.problems
}
