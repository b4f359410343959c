package document

import (
	"bytes"
	"unicode/utf8"
)

// A ruler turns offsets into lines and columns. It is asked for one offset after
// the other, mostly from the front to the back, and goes on from the last one,
// so that a line of a million characters costs no more than many short ones.
type ruler struct {
	text   []byte
	at     int // offset of what is known
	line   int // its line
	start  int // offset where that line begins
	column int // characters of the line before it
	walked int // bytes looked at, which tests hold against the length of the text
}

func (r *ruler) pos(offset int) Pos {
	for offset < r.start { // back to the beginning of an earlier line
		r.line--
		r.start = bytes.LastIndexByte(r.text[:r.start-1], '\n') + 1
		r.at, r.column = r.start, 0
		r.walked += r.start
	}
	if offset < r.at {
		r.at, r.column = r.start, 0
	}
	r.walked += offset - r.at
	for {
		i := bytes.IndexByte(r.text[r.at:offset], '\n')
		if i < 0 {
			break
		}
		r.at += i + 1
		r.line, r.start, r.column = r.line+1, r.at, 0
	}
	r.column += utf8.RuneCount(r.text[r.at:offset])
	r.at = offset
	return Pos{r.line, r.column + 1}
}

// span is the piece between two offsets.
func (r *ruler) span(from, to int) Span { return Span{r.pos(from), width(r.text[from:to])} }

// width counts the characters of a piece up to the end of its first line.
func width(piece []byte) int {
	if i := bytes.IndexByte(piece, '\n'); i >= 0 {
		piece = bytes.TrimSuffix(piece[:i], []byte("\r"))
	}
	return max(1, utf8.RuneCount(piece))
}
