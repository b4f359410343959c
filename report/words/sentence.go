package words

import (
	"slices"
	"strconv"
	"strings"
	"sync"
	"unicode"
	"unicode/utf8"
)

// Judgements are made and recorded in English, one sentence each, so that a
// record does not hang on a language. Documents translate them when they are
// drawn: the part [sentences] of a language's file has the English sentence
// with its places as the key.
//
//	"It ran {n}; at least {n2} was asked for." = "Dauer: {n}; gefordert waren mindestens {n2}."
//
// The name of a place says what may stand there:
//
//	{n}, {n2}, {n…}   a number, with or without unit and uncertainty
//	{list…}           several of what follows, joined by commas, "and", "or"
//	{sentence…}       a sentence of the program, translated by itself
//	{word}, {word2}   something without a space
//	{anything else}   words of the shop, names, codes; translated when known
//
// Numbers get the language's form, and stay on one line with their units.
type sentences struct {
	byWord map[string][]*pattern // by the first word of the key
	open   []*pattern            // keys that begin with a place
	exact  map[string]string     // keys without places
}

// A pattern is a key with places, taken apart.
type pattern struct {
	text   []string // before, between and after the places
	places []string
	needle string // the longest text
	out    string
	weight int // letters of its own
}

// What a file from strangers may ask for is bounded: how deep sentences are
// looked for inside sentences, how long a text may be, and how many bytes are
// gone through for it. The longest honest ones take a tenth of that.
const (
	most     = 6
	mostText = 8 << 10
	mostWork = 8 << 20
)

// Say translates a sentence or a phrase of the program. What the catalogue does
// not know stays as it is, but for the form of its numbers.
func (c *Catalogue) Say(english string) string {
	text, _ := c.Sentence(english)
	return text
}

// Sentence is Say with the parts that stayed English, as they stand in the text.
func (c *Catalogue) Sentence(english string) (text string, left []string) {
	s := c.sentences()
	if s == nil || strings.TrimSpace(english) == "" {
		return english, nil
	}
	if len(english) > mostText {
		return english, []string{english}
	}
	t := &translation{c: c, s: s}
	text, _ = t.whole(english, 0)
	return text, t.left
}

// Known reports whether the catalogue knows every part of an English text that
// is the program's own.
func (c *Catalogue) Known(english string) bool {
	s := c.sentences()
	if s == nil || strings.TrimSpace(english) == "" {
		return true
	}
	t := &translation{c: c, s: s}
	_, ok := t.whole(english, 0)
	return ok && len(t.left) == 0
}

// sentences are the language's, read when they are first asked for; nil for
// a language that has none, which is English.
func (c *Catalogue) sentences() *sentences {
	c.once.Do(func() {
		if c.part == "" {
			return
		}
		s := &sentences{byWord: map[string][]*pattern{}, exact: map[string]string{}}
		for line := range strings.Lines(c.part) {
			if key, text, ok := pair(line); ok {
				s.add(key, c.typeset(text))
			}
		}
		s.order()
		c.said = s
	})
	return c.said
}

// pair reads a line "key" = "text"; both are written as TOML basic strings,
// whose escapes are those of Go for what the files hold.
func pair(line string) (key, text string, ok bool) {
	line = strings.TrimSpace(line)
	quoted, err := strconv.QuotedPrefix(line)
	if err != nil {
		return "", "", false
	}
	value, found := strings.CutPrefix(strings.TrimSpace(line[len(quoted):]), "=")
	if !found {
		return "", "", false
	}
	key, err1 := strconv.Unquote(quoted)
	text, err2 := strconv.Unquote(strings.TrimSpace(value))
	return key, text, err1 == nil && err2 == nil
}

// typeset keeps signs on the line of their word: in French there is a space
// before some of them.
func (c *Catalogue) typeset(text string) string {
	if c.Language != "fr" {
		return text
	}
	return strings.NewReplacer(" :", "\u00a0:", " ;", "\u00a0;", " ?", "\u00a0?", " !", "\u00a0!", "« ", "«\u00a0", " »", "\u00a0»").Replace(text)
}

func (s *sentences) add(key, out string) {
	p := parse(key)
	p.out = out
	if len(p.places) == 0 {
		s.exact[key] = out
		return
	}
	if word, _, whole := strings.Cut(p.text[0], " "); whole {
		s.byWord[word] = append(s.byWord[word], p)
	} else {
		s.open = append(s.open, p)
	}
}

// order puts the keys with most words of their own first.
func (s *sentences) order() {
	heavier := func(a, b *pattern) int { return b.weight - a.weight }
	slices.SortStableFunc(s.open, heavier)
	for _, list := range s.byWord {
		slices.SortStableFunc(list, heavier)
	}
}

// parse takes a key apart at its places.
func parse(key string) *pattern {
	p := &pattern{}
	for {
		before, rest, ok := strings.Cut(key, "{")
		name, after, closed := strings.Cut(rest, "}")
		if !ok || !closed {
			p.text = append(p.text, key)
			break
		}
		p.text, p.places, key = append(p.text, before), append(p.places, name), after
	}
	for _, t := range p.text {
		if len(t) > len(p.needle) {
			p.needle = t
		}
		for _, r := range t {
			if unicode.IsLetter(r) {
				p.weight += 4
			} else if r != ' ' {
				p.weight++
			}
		}
	}
	return p
}

// A translation is one sentence in the making.
type translation struct {
	c    *Catalogue
	s    *sentences
	left []string
	work int // bytes gone through
}

// whole translates a text of one or more sentences. It is false when nothing of
// it is known.
func (t *translation) whole(s string, depth int) (string, bool) {
	if depth > most {
		return s, false
	}
	if q, ok := t.c.quantity(s); ok {
		return q, true
	}
	if day, ok := t.c.moment(s); ok {
		return day, true
	}
	if out, ok := t.one(s, depth, single); ok {
		return out, true
	}
	pieces := split(s)
	if len(pieces) == 1 {
		return t.rest(s, depth)
	}
	before := len(t.left)
	joined, known := t.pieces(pieces, " ", depth)
	if len(t.left) == before {
		return joined, true
	}
	// Sentences inside sentences, such as words of the shop in several.
	found := t.left
	t.left = found[:before:before]
	if out, ok := t.one(s, depth, several); ok {
		return out, true
	}
	t.left = found
	return joined, known
}

// pieces translates part by part, the longest known run of them first. It is
// false when no part is known.
func (t *translation) pieces(pieces []string, sep string, depth int) (string, bool) {
	var out []string
	known := false
	for i := 0; i < len(pieces); {
		next := i
		for end := min(len(pieces), i+4); end > i; end-- {
			if end-i == len(pieces) {
				continue // tried already
			}
			if text, ok := t.one(strings.Join(pieces[i:end], sep), depth+1, single); ok {
				out, next, known = append(out, text), end, true
				break
			}
		}
		if next == i {
			text, ok := t.rest(pieces[i], depth+1)
			out, next, known = append(out, text), i+1, known || ok
		}
		i = next
	}
	if t.c.Language == "fr" && sep == "; " {
		sep = "\u00a0; "
	}
	return strings.Join(out, sep), known
}

// rest translates a part that no key matches.
func (t *translation) rest(s string, depth int) (string, bool) {
	if q, ok := t.c.quantity(s); ok {
		return q, true
	}
	if out, ok := t.compound(s, depth); ok {
		return out, true
	}
	t.left = append(t.left, s)
	return s, false
}

// split cuts a text behind each full stop that ends a sentence.
func split(s string) []string {
	var out []string
	start := 0
	for i := 0; i+2 < len(s); i++ {
		if (s[i] == '.' || s[i] == '?' || s[i] == '!') && s[i+1] == ' ' && boundary(s[:i], s[i+2:]) {
			out = append(out, s[start:i+1])
			start = i + 2
		}
	}
	return append(out, s[start:])
}

// boundary reports whether a sentence begins here. Some begin with a file name
// or another word in small letters; then what stands before must be no
// abbreviation.
func boundary(before, rest string) bool {
	r, _ := utf8.DecodeRuneInString(rest)
	if unicode.IsUpper(r) || unicode.IsDigit(r) || r == '"' || r == '(' || r == '/' {
		return true
	}
	word := before[strings.LastIndexByte(before, ' ')+1:]
	return unicode.IsLower(r) && len(word) > 2
}

// compound translates a text whose parts are known: "a; b" and "name: a".
func (t *translation) compound(s string, depth int) (string, bool) {
	if depth > most {
		return s, false
	}
	before := t.left
	name, rest, named := strings.Cut(s, ": ")
	named = named && len(split(name)) == 1
	colon := ": "
	if t.c.Language == "fr" {
		colon = "\u00a0: "
	}
	if named {
		if out, ok := t.one(rest, depth+1, single); ok {
			return t.words(name, depth+1) + colon + out, true
		}
	}
	if parts := strings.Split(s, "; "); len(parts) > 1 {
		if out, ok := t.pieces(parts, "; ", depth); ok {
			return out, true
		}
		t.left = before
	}
	if named {
		if out, ok := t.whole(rest, depth+1); ok {
			return t.words(name, depth+1) + colon + out, true
		}
		t.left = before
	}
	return s, false
}

// extent says whether a place may hold several sentences.
type extent int

const (
	single  extent = iota // no
	several               // yes
)

// one translates a text that a single key matches, with or without its full
// stop and its capital letter.
func (t *translation) one(s string, depth int, e extent) (string, bool) {
	if out, ok := t.match(s, depth, e); ok {
		return out, true
	}
	if bare, ok := strings.CutSuffix(s, "."); ok {
		if out, ok := t.match(bare, depth, e); ok {
			return stopped(out), true
		}
	} else if out, ok := t.match(s+".", depth, e); ok {
		return strings.TrimSuffix(out, "."), true
	}
	return s, false
}

func stopped(s string) string {
	if strings.HasSuffix(s, ".") || strings.HasSuffix(s, "?") {
		return s
	}
	return s + "."
}

// match tries the text as it stands, then with a small first letter.
func (t *translation) match(s string, depth int, e extent) (string, bool) {
	if out, ok := t.s.exact[s]; ok {
		return out, true
	}
	r, size := utf8.DecodeRuneInString(s)
	small := string(unicode.ToLower(r)) + s[size:]
	out, ok := t.s.exact[small]
	if !ok {
		if out, ok = t.find(s, depth, e); ok {
			return out, true
		}
		if !unicode.IsUpper(r) {
			return s, false
		}
		if out, ok = t.find(small, depth, e); !ok {
			return s, false
		}
	}
	first, size := utf8.DecodeRuneInString(out)
	return string(unicode.ToUpper(first)) + out[size:], true
}

func (t *translation) find(s string, depth int, e extent) (string, bool) {
	word, _, _ := strings.Cut(s, " ")
	named, open := t.s.byWord[word], t.s.open
	for len(named) > 0 || len(open) > 0 {
		var p *pattern
		if len(open) == 0 || len(named) > 0 && named[0].weight >= open[0].weight {
			p, named = named[0], named[1:]
		} else {
			p, open = open[0], open[1:]
		}
		if !strings.Contains(s, p.needle) {
			continue
		}
		values := make([]string, len(p.places))
		if t.fits(p, 0, s, values, e) {
			return t.fill(p, values, depth), true
		}
	}
	return s, false
}

// fits matches from text number i of the pattern on, and notes what stands in
// the places.
func (t *translation) fits(p *pattern, i int, s string, values []string, e extent) bool {
	rest, ok := strings.CutPrefix(s, p.text[i])
	if t.work += len(rest); !ok || t.work > mostWork {
		return false
	}
	if i == len(p.places) {
		return rest == ""
	}
	next := p.text[i+1]
	if i+1 == len(p.places) {
		value, ok := strings.CutSuffix(rest, next)
		values[i] = value
		return ok && t.allowed(p.places[i], value, e)
	}
	if next == "" {
		return false
	}
	for at := 1; at < len(rest); at++ {
		k := strings.Index(rest[at:], next)
		if k < 0 {
			return false
		}
		at += k
		if t.work += at; t.work > mostWork {
			return false
		}
		if values[i] = rest[:at]; t.allowed(p.places[i], values[i], e) && t.fits(p, i+1, rest[at:], values, e) {
			return true
		}
	}
	return false
}

// allowed says whether a value may stand in a place.
func (t *translation) allowed(place, value string, e extent) bool {
	switch {
	case value == "":
		return false
	case number(place):
		_, ok := t.c.quantity(value)
		return ok
	case strings.HasPrefix(place, "word") && !strings.HasPrefix(place, "words") && strings.Contains(value, " "):
		return false
	case !balanced(value):
		return false
	case e == several:
		return true
	}
	return len(split(value)) == 1
}

// balanced reports whether brackets close in a value as they open in it.
func balanced(value string) bool {
	open := 0
	for _, r := range value {
		switch r {
		case '(':
			open++
		case ')':
			if open--; open < 0 {
				return false
			}
		}
	}
	return open == 0
}

// number says whether a place is one of a number: n, n2, nfirst.
func number(place string) bool {
	return strings.HasPrefix(place, "n") && !strings.HasPrefix(place, "name")
}

// fill puts the values, translated, into the pattern's translation.
func (t *translation) fill(p *pattern, values []string, depth int) string {
	out := p.out
	var pairs []string
	for i, place := range p.places {
		value := values[i]
		switch {
		case number(place):
			value, _ = t.c.quantity(value)
		case strings.HasPrefix(place, "list"):
			value = t.list(value, depth+1)
		case strings.HasPrefix(place, "sentence"):
			value, _ = t.whole(value, depth+1)
		default:
			value = t.words(value, depth+1)
		}
		hole := "{" + place + "}"
		if number(place) {
			out = keepUnit(out, hole)
		}
		pairs = append(pairs, hole, value)
	}
	return strings.NewReplacer(pairs...).Replace(out)
}

// keepUnit makes the space between a number's place and a unit one that does
// not break.
func keepUnit(out, hole string) string {
	before, after, ok := strings.Cut(out, hole+" ")
	if !ok {
		return out
	}
	sign := after
	if i := strings.IndexAny(after, " ,;.)(:\u00a0"); i >= 0 {
		sign = after[:i]
	}
	if !unit(sign) {
		return out
	}
	return before + hole + "\u00a0" + after
}

// words translates what stands in an open place, when it is known. It is never
// marked as English: a name or the shop's own words may stand there.
func (t *translation) words(s string, depth int) string {
	before := t.left
	out, ok := t.whole(s, depth)
	t.left = before
	if !ok {
		return s
	}
	return out
}

// list translates the parts of an enumeration.
func (t *translation) list(s string, depth int) string {
	for _, sep := range []string{"; ", ", ", " and ", " or "} {
		if !strings.Contains(s, sep) {
			continue
		}
		parts := strings.Split(s, sep)
		for i := range parts {
			parts[i] = t.list(parts[i], depth+1)
		}
		if out, ok := t.s.exact[strings.TrimSpace(sep)]; ok {
			sep = " " + out + " "
		}
		return strings.Join(parts, sep)
	}
	return t.words(s, depth)
}

// unread are a catalogue's sentences before they are first asked for.
type unread struct {
	once sync.Once
	part string // of the file
	said *sentences
}
