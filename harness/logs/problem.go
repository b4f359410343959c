package logs

import (
	"fmt"
	"strings"
)

// A Problem says where a log or a log map cannot be understood, what stands
// there, and how to put it right.
type Problem struct {
	File   string
	Line   int64 // from 1; 0 when the problem is the whole file
	Column int   // character of the line, from 1; 0 when it is the whole line
	What   string
	Fix    string
}

// Error returns the problem as "file:line:column: what", with the fix on a line
// of its own.
func (p *Problem) Error() string {
	var b strings.Builder
	b.WriteString(p.File)
	if p.Line > 0 {
		fmt.Fprintf(&b, ":%d", p.Line)
		if p.Column > 0 {
			fmt.Fprintf(&b, ":%d", p.Column)
		}
	}
	b.WriteString(": ")
	b.WriteString(p.What)
	if p.Fix != "" {
		b.WriteString("\n  fix: ")
		b.WriteString(p.Fix)
	}
	return b.String()
}

// A BadRow is a row that was set aside, with the reason.
type BadRow struct {
	Line   int64  // line in the file, from 1
	Column int    // character of the line, from 1
	Header string // column as the file calls it; empty when it is the whole row
	What   string
	Fix    string
}

func (b BadRow) problem(file string) *Problem {
	what := b.What
	if b.Header != "" {
		what = fmt.Sprintf("column %q: %s", b.Header, b.What)
	}
	return &Problem{File: file, Line: b.Line, Column: b.Column, What: what, Fix: b.Fix}
}

// shown shortens text for a message and takes control characters out of it.
func shown(s string) string {
	const most = 60
	clean := strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r == 0xfffd {
			return '·'
		}
		return r
	}, s)
	if r := []rune(clean); len(r) > most {
		clean = string(r[:most]) + "…"
	}
	return `"` + clean + `"`
}
