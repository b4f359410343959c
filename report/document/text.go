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

// wrap breaks text into lines at most width mm wide: at line ends, at spaces, and
// inside words that are wider than a line. A line that ends between two words
// keeps the space that parts them where lines are read as one.
func (f face) wrap(text string, width float64) []string {
	var lines []string
	for _, para := range strings.Split(clean(text), "\n") {
		lines = append(lines, f.wrapLine(para, width/ptmm)...)
		lines[len(lines)-1] += " "
	}
	for len(lines) > 1 && lines[len(lines)-1] == " " {
		lines = lines[:len(lines)-1]
	}
	lines[len(lines)-1] = strings.TrimRight(lines[len(lines)-1], " ")
	return lines
}

func (f face) wrapLine(para string, limit float64) []string {
	points := func(s string) float64 { return chart.Width(f.weight, f.size, s) }
	fits := func(s string) bool { return points(s) <= limit }
	var lines []string
	line := ""
	used := 0.0
	space := points(" ")
	for _, word := range bound(strings.Split(para, " "), fits) {
		if word == "" {
			continue
		}
		n := points(word)
		if line != "" && used+space+n <= limit {
			line, used = line+" "+word, used+space+n
			continue
		}
		if line != "" {
			lines = append(lines, line+" ")
		}
		for n > limit {
			head, tail := f.breakWord(word, limit)
			if tail == "" {
				break
			}
			lines = append(lines, head)
			word, n = tail, points(tail)
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
func (f face) breakWord(word string, limit float64) (head, tail string) {
	cut, nice, used := 0, 0, 0.0
	for i, r := range word {
		n := chart.Width(f.weight, f.size, string(r))
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
