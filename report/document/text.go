package document

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"proveout/report/chart"
)

// clean makes text fit for the PDF writer: line ends become \n, tabs spaces,
// control and direction characters go, and a character the fonts cannot draw
// becomes its code point in brackets, "[U+1F527]", never a box. (Characters
// above U+FFFF would stop the writer.)
func clean(s string) string {
	plain := true
	for i := 0; i < len(s); i++ {
		if s[i] < ' ' || s[i] > '~' {
			plain = false
			break
		}
	}
	if plain {
		return s
	}
	var b strings.Builder
	s = strings.ReplaceAll(s, "\r\n", "\n")
	for _, r := range s {
		switch {
		case r == '\n' || r == '\r' || r == '\u2028' || r == '\u2029' || r == '\v' || r == '\f':
			b.WriteByte('\n')
		case r == '\t':
			b.WriteByte(' ')
		case silent(r):
		case Drawable(r):
			b.WriteRune(r)
		default:
			fmt.Fprintf(&b, "[U+%04X]", r)
		}
	}
	return b.String()
}

// silent reports characters that have no ink of their own: controls, byte
// order and direction marks, joiners and variation selectors.
func silent(r rune) bool {
	return unicode.IsControl(r) || unicode.Is(unicode.Cf, r) || r >= 0xFE00 && r <= 0xFE0F || r >= 0xE0100 && r <= 0xE01EF
}

// Drawable reports whether the documents can print r. Scripts written from
// right to left cannot: they would come out in the wrong order.
func Drawable(r rune) bool {
	if r >= ' ' && r <= '~' { // both fonts have all of ASCII
		return true
	}
	if r == '\n' || r == '\r' || r == '\t' || silent(r) {
		return true
	}
	if r >= 0x0590 && unicode.In(r, unicode.Hebrew, unicode.Arabic, unicode.Syriac, unicode.Thaana, unicode.Nko) {
		return false
	}
	return r <= 0xFFFF && r != unicode.ReplacementChar && chart.Has(chart.Regular, r) && chart.Has(chart.Bold, r)
}

// mm per point.
const ptmm = 25.4 / 72

// wrap breaks text into lines at most width mm wide when set at size pt: at
// line ends, at spaces, and inside words that are wider than a line.
func wrap(text string, w chart.Weight, size, width float64) []string {
	limit := width / ptmm
	var lines []string
	for _, para := range strings.Split(clean(text), "\n") {
		lines = append(lines, wrapLine(para, w, size, limit)...)
	}
	for len(lines) > 1 && lines[len(lines)-1] == "" {
		lines = lines[:len(lines)-1]
	}
	return lines
}

// apart gives the lines of a text that end between two words the space that
// keeps these apart where lines are read as one.
func apart(text string, lines []string) []string {
	rest := []rune(clean(text))
	for i := range lines[:len(lines)-1] {
		left := 0 // ink of the line that is still to come in the text
		for _, r := range lines[i] {
			if r != ' ' {
				left++
			}
		}
		for len(rest) > 0 && left > 0 {
			if rest[0] != ' ' && rest[0] != '\n' {
				left--
			}
			rest = rest[1:]
		}
		if len(rest) > 0 && (rest[0] == ' ' || rest[0] == '\n') {
			lines[i] += " "
		}
	}
	return lines
}

func wrapLine(para string, w chart.Weight, size, limit float64) []string {
	var lines []string
	line := ""
	used := 0.0
	space := chart.Width(w, size, " ")
	for _, word := range bound(strings.Split(para, " "), func(s string) bool { return chart.Width(w, size, s) <= limit }) {
		if word == "" {
			continue
		}
		n := chart.Width(w, size, word)
		if line != "" && used+space+n <= limit {
			line, used = line+" "+word, used+space+n
			continue
		}
		if line != "" {
			lines = append(lines, line)
		}
		for n > limit {
			head, tail := breakWord(word, w, size, limit)
			if tail == "" {
				break
			}
			lines = append(lines, head)
			word, n = tail, chart.Width(w, size, tail)
		}
		line, used = word, n
	}
	if line != "" || len(lines) == 0 {
		lines = append(lines, line)
	}
	return lines
}

// bound puts words together that no line may part: a number with its sign of
// unit, and what stands on both sides of a plus-minus sign, where they fit on one.
func bound(words []string, fits func(string) bool) []string {
	out := words[:0:0]
	for _, w := range words {
		if n := len(out); n > 0 && out[n-1] != "" && w != "" {
			first, _ := utf8.DecodeRuneInString(w)
			if (strings.ContainsRune("%±°Ω‰", first) || strings.HasSuffix(out[n-1], "±")) && fits(out[n-1]+" "+w) {
				out[n-1] += " " + w
				continue
			}
		}
		out = append(out, w)
	}
	return out
}

// breakWord cuts a word at the last place that fits, after punctuation where
// that leaves at least half a line.
func breakWord(word string, w chart.Weight, size, limit float64) (head, tail string) {
	cut, nice, used := 0, 0, 0.0
	for i, r := range word {
		n := chart.Width(w, size, string(r))
		if used+n > limit && i > 0 {
			break
		}
		used += n
		cut = i + len(string(r))
		if strings.ContainsRune("-/_.,;:=+&?\u00a0", r) && used > limit/2 {
			nice = cut
		}
	}
	if nice > 0 && cut < len(word) {
		cut = nice
	}
	return word[:cut], word[cut:]
}
