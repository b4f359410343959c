package logs

import (
	"fmt"
	"strings"

	"proveout/plans/document"
)

// A Problem says where a log or a log map cannot be understood, what is wrong,
// and how to put it right.
type Problem = document.Problem

// A BadRow is a row that was set aside, with the reason.
type BadRow struct {
	Line   int    // line in the file, from 1
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
