package document

import (
	"regexp"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/BurntSushi/toml"
)

// This file says to people what is not TOML. The library says at which offset it
// gave up; what was probably meant is found by a look at the text around it.

// unreadable complains of the first byte that is not text, if there is one.
func (c *Collector) unreadable() bool {
	src := c.text
	if strings.HasPrefix(src, "\xff\xfe") || strings.HasPrefix(src, "\xfe\xff") {
		c.Add(Span{}, "this is UTF-16 text", "save the file as UTF-8")
		return true
	}
	for i, r := range src {
		var what, fix string
		switch {
		case r == utf8.RuneError && !strings.HasPrefix(src[i:], "\ufffd"):
			what, fix = "not UTF-8 text: byte 0x"+strconv.FormatUint(uint64(src[i]), 16), "save the file as UTF-8"
		case r == '\r' && !strings.HasPrefix(src[i+1:], "\n"):
			what, fix = "a carriage return without a line feed", "end lines with LF or CR LF"
		case r == 0:
			what, fix = "control character '\\x00'", "this looks like a binary file; give a TOML text"
		case r < ' ' && !strings.ContainsRune("\t\r\n", r) || r == 0x7f:
			what, fix = "control character "+strconv.QuoteRune(r), "remove it"
		default:
			continue
		}
		c.Add(Span{i, i + 1}, what, fix)
		return true
	}
	return false
}

// refused says in our words why the decoder refused a value.
func (w *walk) refused(refused toml.ParseError) {
	begin := refused.Position.Start
	end := begin + refused.Position.Len
	what := refused.Message
	switch {
	case strings.Contains(what, "out of range"):
		what = "number out of range"
	case strings.Contains(what, "datetime"):
		what = Quoted(strings.TrimSpace(string(w.text[begin:end]))) + " is no date or time"
	}
	w.fault(Span{begin, end}, refused.LastKey[strings.LastIndexByte(refused.LastKey, '.')+1:], what, "")
}

// A broken statement is one that the library could not read.
type broken struct {
	w     *walk
	begin int    // its offset
	at    int    // where the library gave up, from begin
	end   int    // of the line where it did
	text  string // the statement, to the end of that line
	plain string // the same with a filler in place of each text, and blanks for comments
	key   string // that the fault belongs to
}

// filler stands in plain for each byte of a text in quotes, which is complete.
const filler = '\x01'

var textsAndComments = regexp.MustCompile(`"""(?s:.*?)"""+|'''(?s:.*?)'''+|"(?:\\.|[^"\\\n])*"|'[^'\n]*'|#[^\n]*`)

// explain records what is wrong with the statement that begins at an offset, and
// that the library gave up at another. It returns the offset to go on from.
func (w *walk) explain(begin, at int) int {
	b := &broken{w: w, begin: begin, at: at - begin, end: w.lineEnd(at)}
	b.text = string(w.text[begin:b.end])
	b.plain = textsAndComments.ReplaceAllStringFunc(b.text, func(piece string) string {
		if piece[0] == '#' {
			return strings.Repeat(" ", len(piece))
		}
		return strings.Repeat(string(filler), len(piece))
	})
	if b.text[0] == '[' {
		b.explainHeader()
		return b.end
	}
	name, _, equals := b.scanKey(0)
	b.key = name
	if equals < 0 || b.at <= equals {
		b.explainKey(0)
	} else {
		b.explainValue(equals + 1)
	}
	return b.end
}

// fault records a fault from one offset of the statement to another.
func (b *broken) fault(from, to int, what, fix string) {
	b.w.fault(Span{b.begin + from, b.begin + max(from+1, to)}, b.key, what, fix)
}

// rest is what stands at an offset, to the end of its line or a comment.
func (b *broken) rest(at int) string {
	line, _, _ := strings.Cut(b.plain[at:], "\n")
	return b.text[at : at+len(strings.TrimRight(line, " \t\r"))]
}

func (b *broken) skipBlanks(at int) int {
	return at + len(b.plain[at:]) - len(strings.TrimLeft(b.plain[at:], " \t"))
}

var keyPattern = regexp.MustCompile(`^[ \t]*(?:(?:[A-Za-z0-9_-]+|\x01+)[ \t]*\.[ \t]*)*([A-Za-z0-9_-]+|\x01+)?[ \t]*`)

// scanKey goes over a key, dotted or not. It returns its last part, where it
// ends, blanks behind it included, and where "=" stands, -1 if it does not.
func (b *broken) scanKey(at int) (name string, end, equals int) {
	found := keyPattern.FindStringSubmatchIndex(b.plain[at:])
	end, equals = at+found[1], -1
	if found[2] >= 0 {
		name = shortened(strings.Trim(b.text[at+found[2]:at+found[3]], `"'`), 40)
	}
	if name != "" && b.plain[end] == '=' {
		equals = end
	}
	return name, end, equals
}

// explainKey says what is wrong with the key that begins at an offset.
func (b *broken) explainKey(begin int) {
	name, at, _ := b.scanKey(begin)
	b.key = name
	r, size := utf8.DecodeRuneInString(b.text[at:])
	what, fix := `expected "=" after the key`, "write "+name+" = …; a key with blanks goes in quotes"
	switch {
	case name == "" && (r == '"' || r == '\''):
		b.unclosed(at)
		return
	case r == '=':
		what, fix = `a key is missing before "="`, ""
	case r >= utf8.RuneSelf && (unicode.IsLetter(r) || name != ""):
		what, fix = "a key with "+Quoted(string(r))+" goes in quotes", ""
	case name == "" && unicode.IsSpace(r):
		what, fix = "a key is missing", ""
	case name == "":
		what = "expected a key, found " + Quoted(string(r))
		fix = `keys are letters, digits, "_" and "-"; comments begin with "#"`
	case r == ':':
		what, fix = what+`, found ":"`, "write "+name+" = …"
	case r == '\n' || r == '\r' || r == '#':
		begin = b.skipBlanks(begin)
		b.fault(begin, begin+len(b.rest(begin)), "a key without a value", "write "+name+` = "…"`)
		return
	}
	b.fault(at, at+size, what, fix)
}

// explainHeader says what is wrong with a header.
func (b *broken) explainHeader() {
	closing := "]"
	if strings.HasPrefix(b.text, "[[") {
		closing = "]]"
	}
	name, end, _ := b.scanKey(len(closing))
	switch {
	case name == "" && strings.IndexByte("]\r\n#", b.text[end]) >= 0:
		b.fault(end, end, "a key is missing", "")
	case name == "" || b.text[end] >= utf8.RuneSelf:
		b.explainKey(len(closing))
	case !strings.HasPrefix(b.text[end:], closing):
		end += len(b.text[end:]) - len(strings.TrimLeft(b.text[end:], "]"))
		b.fault(end, end, "the header is not closed", `end it with "`+closing+`"`)
	default:
		b.unexpected()
	}
	b.key = ""
}

// unexpected complains of what stands behind a statement that is complete.
func (b *broken) unexpected() {
	rest := b.rest(b.at)
	end := b.at + len(rest)
	switch {
	case strings.HasPrefix(rest, "]"):
		b.fault(b.at, end, "unexpected "+Quoted(rest), "remove the bracket")
	case len(rest) > 1 && rest[0] == ',' && isDigit(rest[1]) && isDigit(b.text[b.at-1]):
		b.fault(b.at, end, "decimal comma", "write it with a point")
	default:
		b.fault(b.at, end, "unexpected "+Quoted(rest), "begin a new line, or put text in quotes")
	}
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

// explainValue says what is wrong with the value behind "=".
func (b *broken) explainValue(value int) {
	if b.rest(value) == "" {
		value = b.skipBlanks(value)
		b.fault(value, value, "the value is missing", `write `+b.key+` = "…"`)
		return
	}
	if b.badEscape() {
		return
	}
	if quote := strings.IndexAny(b.plain[value:], `"'`); quote >= 0 && value+quote <= b.at {
		b.unclosed(value + quote)
		return
	}
	open, item := b.around(value)
	last := len(open) - 1
	if len(open) > maxDepth {
		b.fault(open[maxDepth], open[maxDepth], "nested too deeply", "")
		return
	}
	if ended := b.w.skip(b.begin+b.at, false) == len(b.w.text); ended && last >= 0 {
		what := map[byte]string{'[': `list`, '{': `table`}[b.plain[open[last]]]
		bracket := map[byte]string{'[': `]`, '{': `}`}[b.plain[open[last]]]
		b.fault(open[last], open[last], "the "+what+" is not closed", `end it with "`+bracket+`"`)
		return
	}
	inTable := last >= 0 && b.plain[open[last]] == '{'
	if inTable {
		name, _, equals := b.scanKey(item)
		if equals < 0 || b.at <= equals {
			b.explainKey(item)
			return
		}
		b.key, item = name, b.skipBlanks(equals+1)
	}
	switch {
	case item >= b.at && strings.IndexByte(",]}\r\n#", b.text[b.at]) >= 0:
		what := "a value is missing"
		if b.text[b.at] == ',' {
			what += " before the comma"
		}
		b.fault(b.at, b.at, what, "")
	case strings.IndexByte("[{"+string(filler), b.plain[item]) < 0 && b.explainWord(item):
	case inTable:
		b.fault(b.at, b.at, "a comma is missing between the keys of a table", "")
	case last >= 0:
		b.fault(b.at, b.at, "a comma is missing between the values of a list", "")
	default:
		b.unexpected()
	}
}

// around returns the brackets that are open where the library gave up, and where
// the present value, or key and value of an inline table, begins.
func (b *broken) around(value int) (open []int, item int) {
	item = value
	var outer []int // the items that the open brackets belong to
	for i := value; i < b.at; i++ {
		switch b.plain[i] {
		case '[', '{':
			open, outer = append(open, i), append(outer, item)
			item = i + 1
		case ',':
			item = i + 1
		case ']', '}':
			if last := len(open) - 1; last >= 0 {
				item = outer[last]
				open, outer = open[:last], outer[:last]
			}
		}
	}
	return open, item + len(b.plain[item:]) - len(strings.TrimLeft(b.plain[item:], " \t\r\n"))
}

var cutEscape = regexp.MustCompile(`^\\(x[0-9A-Fa-f]?|u[0-9A-Fa-f]{0,3}|U[0-9A-Fa-f]{0,7})?$`)

// badEscape complains of a \ sequence inside a text, if it is that.
func (b *broken) badEscape() bool {
	begin := strings.LastIndexByte(b.text[:b.at+1], '\\')
	if begin < 0 || b.plain[begin] != filler || !cutEscape.MatchString(b.text[begin:max(b.at, begin+1)]) {
		return false
	}
	_, size := utf8.DecodeRuneInString(b.text[begin+1:])
	if strings.IndexByte("xuU", b.text[begin+1]) >= 0 {
		b.fault(begin, begin+2, "not the number of a character", "")
	} else {
		b.fault(begin, begin+1+size, "no such escape in a text", `write \\ for a backslash, or use single quotes: 'C:\shop'`)
	}
	return true
}

// unclosed complains of a text that begins at an offset and does not end.
func (b *broken) unclosed(at int) {
	mark := b.text[at : at+1]
	three := strings.Repeat(mark, 3)
	if at >= 2 && b.text[at-2:at+1] == three {
		at -= 2
	}
	if strings.HasPrefix(b.text[at:], three) {
		b.fault(at, at+3, "the text is not closed before the end of the file", "end it with "+three)
		b.end = len(b.w.text) // nothing behind it can be told apart from the text
		return
	}
	line, _, _ := strings.Cut(b.text[at:], "\n")
	b.fault(at, at+len(strings.TrimRight(line, "\r")), "the text is not closed",
		"end it with "+mark+"; text over several lines begins and ends with three of them")
}

// explainWord says what is wrong with the value without quotes that begins at an
// offset. It reports false when the value itself is sound.
func (b *broken) explainWord(item int) bool {
	word := b.text[item : item+strings.IndexAny(b.plain[item:], " \t\r\n,]}#=")]
	end := item + len(word)
	next := b.skipBlanks(end)
	r, _ := utf8.DecodeRuneInString(b.text[next:])
	goesOn := next > end && (unicode.IsLetter(r) || strings.ContainsRune("%°±+", r)) // as in 166 MHz
	small := strings.ToLower(word)
	what, fix := badNumber(word)
	switch {
	case small == "true" || small == "false":
		if word == small {
			return false
		}
		what, fix = Quoted(word)+" is not a value", "write "+small+" in small letters"
	case small == "yes" || small == "no" || small == "on" || small == "off":
		what, fix = Quoted(word)+" is not a value", "write true or false"
	case what != "" && !goesOn:
	case strings.ContainsAny(word, "\u201c\u201d\u201e\u2018\u2019\u00ab\u00bb"):
		what, fix = "typographic quotes", `write the straight ones: "…"`
	case b.at >= end && b.rest(b.at) != "" && !goesOn:
		return false
	default:
		whole := b.rest(item)
		if i := strings.IndexAny(whole, ",]}"); i >= 0 {
			whole = strings.TrimRight(whole[:i], " \t")
		}
		end = item + len(whole)
		what, fix = "text without quotes: "+Quoted(whole), "write "+Quoted(strings.Trim(whole, `"'`))
	}
	b.fault(item, end, what, fix)
	return true
}

// badNumber explains what looks like a number and is none.
func badNumber(word string) (what, fix string) {
	digits := strings.TrimLeft(word, "+-")
	if digits == "" || strings.Trim(digits, "0123456789.") != "" {
		return "", ""
	}
	whole, _, _ := strings.Cut(digits, ".")
	switch {
	case strings.Count(digits, ".") > 1:
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
