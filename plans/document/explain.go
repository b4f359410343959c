package document

import (
	"bytes"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/BurntSushi/toml"
)

// This file says to people what is not TOML. The library says at which offset it
// gave up; what was probably meant is found by a look at the text around it.

// unreadable finds the first byte that is not text.
func unreadable(src string) (Fault, bool) {
	if strings.HasPrefix(src, "\xff\xfe") || strings.HasPrefix(src, "\xfe\xff") {
		return Fault{At: Span{Pos{1, 1}, 1}, What: "this is UTF-16 text", Fix: "save the file as UTF-8"}, true
	}
	line, start := 1, 0
	for i, r := range src {
		var what, fix string
		switch {
		case r == '\n':
			line, start = line+1, i+1
			continue
		case r == utf8.RuneError && !strings.HasPrefix(src[i:], "\ufffd"):
			what, fix = "not UTF-8 text: byte 0x"+strconv.FormatUint(uint64(src[i]), 16), "save the file as UTF-8"
		case r == '\r' && !strings.HasPrefix(src[i+1:], "\n"):
			what, fix = "a carriage return without a line feed", "end lines with LF or CR LF"
		case r == 0:
			what, fix = "control character '\\x00'", "this looks like a binary file; give a TOML text"
		case r < ' ' && r != '\t' && r != '\r' || r == 0x7f:
			what, fix = "control character "+strconv.QuoteRune(r), "remove it"
		default:
			continue
		}
		at := Pos{line, utf8.RuneCountInString(src[start:i]) + 1}
		return Fault{At: Span{at, 1}, What: what, Fix: fix}, true
	}
	return Fault{}, false
}

func (w *walk) faultAt(from, to int, what, fix string) Fault {
	return Fault{At: w.places.span(from, max(from+1, to)), What: what, Fix: fix}
}

// explain says what is wrong with the statement that begins at an offset, and
// that the library gave up at another. It returns the offset to go on from.
func (w *walk) explain(begin, at int) (Fault, int) {
	next := w.lineEnd(at)
	if w.text[begin] == '[' {
		return w.explainHeader(begin, at), next
	}
	name, equals, found := w.scanKey(begin)
	if !found || at <= equals {
		return w.explainKey(begin), next
	}
	value := w.skipBlanks(equals + 1)
	if strings.IndexByte("\r\n#", w.text[value]) >= 0 {
		f := w.faultAt(value, value, "the value is missing", `write `+name+` = "…"`)
		f.Key = name
		return f, next
	}
	c := w.contextAt(value, at)
	if c.key == "" {
		c.key = name
	}
	f := w.explainValue(c, at)
	if f.Key == "" {
		f.Key = c.key
	}
	if c.quote >= 0 && len(c.mark) == 3 {
		next = len(w.text) // nothing behind it can be told apart from the text
	}
	return f, next
}

func (w *walk) skipBlanks(at int) int {
	for w.text[at] == ' ' || w.text[at] == '\t' {
		at++
	}
	return at
}

// restOfLine is what stands at an offset, to the end of the line or a comment.
func (w *walk) restOfLine(at int) string {
	rest := w.text[at:]
	if i := bytes.IndexAny(rest, "\r\n#"); i >= 0 {
		rest = rest[:i]
	}
	return strings.TrimRight(string(rest), " \t")
}

func isBare(c byte) bool {
	return c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '_' || c == '-'
}

// scanKey goes over a key, dotted or not. It returns its last part, where it
// ends, blanks behind it included, and whether "=" stands there.
func (w *walk) scanKey(at int) (name string, end int, found bool) {
	for {
		at = w.skipBlanks(at)
		from := at
		if c := w.text[at]; c == '"' || c == '\'' {
			if i := bytes.IndexAny(w.text[at+1:], string(c)+"\n"); w.text[at+1+i] == c {
				at += i + 2
			}
		} else {
			for isBare(w.text[at]) {
				at++
			}
		}
		name = shortened(strings.Trim(string(w.text[from:at]), `"'`), 40)
		end = w.skipBlanks(at)
		if at == from || w.text[end] != '.' {
			return name, end, at > from && w.text[end] == '='
		}
		at = end + 1
	}
}

// explainKey says what is wrong with the key that begins at an offset.
func (w *walk) explainKey(begin int) Fault {
	name, at, found := w.scanKey(begin)
	r, size := utf8.DecodeRune(w.text[at:])
	found = found || name != ""
	here := func(what, fix string) Fault {
		f := w.faultAt(at, at+size, what, fix)
		f.Key = name
		return f
	}
	switch {
	case !found && (r == '"' || r == '\''):
		return w.unclosed(at, string(r))
	case r == '=':
		return here(`a key is missing before "="`, "")
	case r >= utf8.RuneSelf && (unicode.IsLetter(r) || found):
		return here("a key with "+Quoted(string(r))+" goes in quotes", "")
	case !found && (r == '\n' || r == '\r'):
		return here("a key is missing", "")
	case !found:
		return here("expected a key, found "+Quoted(string(r)), `keys are letters, digits, "_" and "-"; comments begin with "#"`)
	case r == ':':
		return here(`expected "=" after the key, found ":"`, `write `+name+` = …`)
	case r == '\n' || r == '\r' || r == '#':
		f := here("a key without a value", `write `+name+` = "…"`)
		f.At = w.places.span(begin, begin+len(strings.TrimRight(string(w.text[begin:at]), " \t")))
		return f
	}
	return here(`expected "=" after the key`, `write `+name+` = …; a key with blanks goes in quotes`)
}

// explainHeader says what is wrong with the header that begins at an offset.
func (w *walk) explainHeader(begin, at int) Fault {
	inner := begin + len(w.restOfLine(begin)) - len(strings.TrimLeft(w.restOfLine(begin), "["))
	name, end, _ := w.scanKey(inner)
	brackets := min(inner-begin, 2)
	closing := strings.Repeat("]", brackets)
	switch {
	case name == "" && strings.IndexByte("]\r\n#", w.text[end]) >= 0:
		return w.faultAt(end, end, "a key is missing", "")
	case name == "" || w.text[end] >= utf8.RuneSelf:
		return w.explainKey(inner)
	case !bytes.HasPrefix(w.text[end:], []byte(closing)):
		for w.text[end] == ']' {
			end++
		}
		return w.faultAt(end, end, "the header is not closed", `end it with "`+closing+`"`)
	}
	return w.unexpected(at)
}

// unexpected complains of what stands behind a statement that is complete.
func (w *walk) unexpected(at int) Fault {
	rest := w.restOfLine(at)
	fix := "begin a new line, or put text in quotes"
	switch {
	case strings.HasPrefix(rest, "]"):
		fix = "remove the bracket"
	case len(rest) > 1 && rest[0] == ',' && isDigit(rest[1]) && isDigit(w.text[at-1]):
		return w.faultAt(at, at+len(rest), "decimal comma", "write it with a point")
	}
	return w.faultAt(at, at+len(rest), "unexpected "+Quoted(rest), fix)
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

// A context is what stands around an offset inside a value.
type context struct {
	quote int    // offset of the quote of the text that is open there; -1 when none is
	mark  string // how that text has to end
	open  []int  // offsets of the brackets that are open there
	item  int    // offset of the value, or the key of an inline table, that was read last
	isKey bool   // item is a key
	key   string // of an inline table, the last one
}

// contextAt looks at a value from its beginning to the offset where it broke.
func (w *walk) contextAt(value, at int) context {
	c := context{quote: -1, item: value}
	inTable := func() bool { return len(c.open) > 0 && w.text[c.open[len(c.open)-1]] == '{' }
	for i := value; i < at; {
		switch b := w.text[i]; b {
		case '"', '\'':
			end := w.textEnd(i, &c)
			if end < 0 || end > at {
				c.quote = i
				return c
			}
			i = end
			continue
		case '#':
			i = w.lineEnd(i)
			continue
		case '[', '{':
			c.open = append(c.open, i)
			c.item, c.isKey = w.skipLines(i+1), b == '{'
		case ']', '}':
			if len(c.open) > 0 {
				c.item, c.isKey = c.open[len(c.open)-1], false
				c.open = c.open[:len(c.open)-1]
			}
		case ',':
			c.item, c.isKey = w.skipLines(i+1), inTable()
		case '=':
			if inTable() {
				c.key = shortened(strings.Trim(string(w.text[c.item:i]), " \t\"'"), 40)
				c.item, c.isKey = w.skipBlanks(i+1), false
			}
		}
		i++
	}
	return c
}

// textEnd returns the offset behind the text that begins with a quote, -1 when
// it is not closed, and notes its closing mark.
func (w *walk) textEnd(at int, c *context) int {
	mark := w.text[at : at+1]
	if three := bytes.Repeat(mark, 3); bytes.HasPrefix(w.text[at:], three) {
		mark = three
	}
	c.mark = string(mark)
	for i := at + len(mark); i < len(w.text); i++ {
		switch {
		case w.text[i] == '\\' && mark[0] == '"':
			i++
		case w.text[i] == '\n' && len(mark) == 1:
			return -1
		case bytes.HasPrefix(w.text[i:], mark):
			for i += len(mark); len(mark) == 3 && w.text[i] == mark[0]; { // up to two more belong to the text
				i++
			}
			return i
		}
	}
	return -1
}

// explainValue says what is wrong with a value.
func (w *walk) explainValue(c context, at int) Fault {
	if c.quote >= 0 {
		return w.explainText(c, at)
	}
	if len(c.open) > maxDepth {
		return w.faultAt(at, at, "nested too deeply", "")
	}
	if w.skipLines(at) == len(w.text) && len(c.open) > 0 {
		last := c.open[len(c.open)-1]
		if w.text[last] == '[' {
			return w.faultAt(last, last, "the list is not closed", `end it with "]"`)
		}
		return w.faultAt(last, last, "the table is not closed", `end it with "}"`)
	}
	if c.isKey {
		return w.explainKey(c.item)
	}
	item := c.item
	if item >= at && strings.IndexByte(",]}\r\n#", w.text[at]) >= 0 {
		what := "a value is missing"
		if w.text[at] == ',' {
			what += " before the comma"
		}
		return w.faultAt(at, at, what, "")
	}
	if strings.IndexByte("\"'[{", w.text[item]) < 0 {
		if f, ok := w.explainWord(item, at); ok {
			return f
		}
	}
	if len(c.open) > 0 && w.text[c.open[len(c.open)-1]] == '{' {
		return w.faultAt(at, at, "a comma is missing between the keys of a table", "")
	}
	if len(c.open) > 0 {
		return w.faultAt(at, at, "a comma is missing between the values of a list", "")
	}
	return w.unexpected(at)
}

// explainText says what is wrong with a text in quotes.
func (w *walk) explainText(c context, at int) Fault {
	if strings.IndexByte("\r\n", w.text[at]) < 0 && c.mark[0] == '"' {
		begin := bytes.LastIndexByte(w.text[:at+1], '\\')
		if begin > c.quote {
			if strings.IndexByte("xuU", w.text[begin+1]) >= 0 {
				return w.faultAt(begin, begin+2, "not the number of a character", "")
			}
			_, size := utf8.DecodeRune(w.text[begin+1:])
			return w.faultAt(begin, begin+1+size, "no such escape in a text",
				`write \\ for a backslash, or use single quotes: 'C:\shop'`)
		}
	}
	return w.unclosed(c.quote, c.mark)
}

// unclosed complains of a text that does not end.
func (w *walk) unclosed(at int, mark string) Fault {
	if len(mark) == 3 {
		return w.faultAt(at, at+3, "the text is not closed before the end of the file", "end it with "+mark)
	}
	end := at + bytes.IndexByte(w.text[at:], '\n')
	return w.faultAt(at, end-len(w.text[at:end])+len(bytes.TrimRight(w.text[at:end], "\r")), "the text is not closed",
		"end it with "+mark+"; text over several lines begins and ends with three of them")
}

// explainWord says what is wrong with a value without quotes that begins at one
// offset and broke at another. It reports false when the value itself is sound.
func (w *walk) explainWord(item, at int) (Fault, bool) {
	end := item + bytes.IndexAny(w.text[item:], " \t\r\n,]}#=")
	word := string(w.text[item:end])
	follows, _ := utf8.DecodeRune(w.text[w.skipBlanks(end):])
	blank := w.skipBlanks(end) > end
	textFollows := blank && (unicode.IsLetter(follows) || strings.ContainsRune("%°±+", follows))
	switch strings.ToLower(word) {
	case "true", "false":
		if word != strings.ToLower(word) {
			return w.faultAt(item, end, Quoted(word)+" is not a value", "write "+strings.ToLower(word)+" in small letters"), true
		}
	case "yes", "no", "on", "off":
		return w.faultAt(item, end, Quoted(word)+" is not a value", "write true or false"), true
	}
	if what, fix := badNumber(word); what != "" && !textFollows {
		return w.faultAt(item, end, what, fix), true
	}
	if strings.ContainsAny(word, "\u201c\u201d\u201e\u2018\u2019\u00ab\u00bb") {
		return w.faultAt(item, end, "typographic quotes", `write the straight ones: "…"`), true
	}
	if sound := at >= end && w.restOfLine(at) != ""; sound && !textFollows {
		return Fault{}, false
	}
	whole := w.restOfLine(item)
	if i := strings.IndexAny(whole, ",]}"); i >= 0 {
		whole = strings.TrimRight(whole[:i], " \t")
	}
	return w.faultAt(item, item+len(whole), "text without quotes: "+Quoted(whole), "write "+Quoted(strings.Trim(whole, `"'`))), true
}

// badNumber explains what looks like a number and is none.
func badNumber(word string) (what, fix string) {
	digits := strings.TrimLeft(word, "+-")
	if digits == "" || strings.Trim(digits, "0123456789.") != "" {
		return "", ""
	}
	whole, _, _ := strings.Cut(digits, ".")
	switch points := strings.Count(digits, "."); {
	case points > 1:
		return "not a number", "put text in quotes"
	case digits[0] == '.':
		return "a number begins with a digit", "write 0" + digits
	case strings.HasSuffix(digits, "."):
		return "a number ends with a digit", "write " + digits + "0"
	case len(whole) > 1 && whole[0] == '0':
		last := len(whole) - 1
		return "a number does not begin with zeros", "write " + strings.TrimLeft(digits[:last], "0") + digits[last:]
	}
	return "", ""
}

// refusal says in our words why the decoder refused a value.
func (w *walk) refusal(refused toml.ParseError) Fault {
	begin := min(refused.Position.Start, len(w.text)-1)
	end := min(begin+max(1, refused.Position.Len), len(w.text))
	what := refused.Message
	switch {
	case strings.Contains(what, "out of range"):
		what = "number out of range"
	case strings.Contains(what, "datetime"):
		what = Quoted(strings.TrimSpace(string(w.text[begin:end]))) + " is no date or time"
	}
	key := refused.LastKey[strings.LastIndexByte(refused.LastKey, '.')+1:]
	return Fault{At: w.places.span(begin, end), Key: key, What: what}
}
