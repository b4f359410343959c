package document

import (
	"sort"
	"strings"
	"unicode/utf8"
)

// A source is a text whose offsets can be turned into lines and columns.
type source struct {
	text  string
	lines []int // offsets where its lines begin
}

// newSource takes a text, without the byte order mark that it may begin with.
func newSource(text []byte) *source {
	s := &source{text: strings.TrimPrefix(string(text), "\ufeff"), lines: []int{0}}
	for i := range len(s.text) {
		if s.text[i] == '\n' {
			s.lines = append(s.lines, i+1)
		}
	}
	return s
}

// Line returns the line of an offset, from 1.
func (s *source) Line(offset int) int { return sort.SearchInts(s.lines, offset+1) }

// problem describes a piece of the text: its line, and where it stands there in
// characters. What runs over several lines ends with its first.
func (s *source) problem(at Span) Problem {
	p := Problem{Line: s.Line(at.Begin)}
	begin := s.lines[p.Line-1]
	line, _, _ := strings.Cut(s.text[begin:], "\n")
	p.Text = strings.TrimSuffix(line, "\r")
	from := min(at.Begin-begin, len(p.Text))
	to := max(from, min(at.End-begin, len(p.Text)))
	p.Column = utf8.RuneCountInString(p.Text[:from]) + 1
	p.Width = max(1, utf8.RuneCountInString(p.Text[from:to]))
	return p
}
