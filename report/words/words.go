// Package words is the catalogue of everything that the program says: one file
// for each language, keys to texts.
//
// A language's code comes in; texts, facts, dates and numbers in that language's
// form go out. Adding a language is adding its file, and nothing else: the tests
// name what it lacks. The package knows nothing of cards or verdicts.
package words

import (
	"embed"
	"fmt"
	"io/fs"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/BurntSushi/toml"
	"golang.org/x/text/language"
)

//go:embed *.toml
var files embed.FS

// A Catalogue holds the texts of one language.
type Catalogue struct {
	Language string // "en"
	tag      language.Tag
	texts    map[string]string // by key; of a key with plural forms, "other"
	plurals  map[string]forms
	phrases  map[string]string // texts of the library's plans, families and shop, by the English
}

var loaded sync.Map // language → *Catalogue

// Languages returns the codes of all languages, sorted.
func Languages() []string { return languagesIn(files) }

func languagesIn(files fs.FS) []string {
	names, err := fs.Glob(files, "*.toml")
	if err != nil {
		return nil
	}
	for i, n := range names {
		names[i] = strings.TrimSuffix(n, ".toml")
	}
	slices.Sort(names)
	return names
}

// In returns the catalogue of a language; empty means English. A language
// without a file is an error that names those that have one.
func In(language string) (*Catalogue, error) {
	if language == "" {
		language = "en"
	}
	if c, ok := loaded.Load(language); ok {
		return c.(*Catalogue), nil
	}
	if known := Languages(); !slices.Contains(known, language) {
		return nil, fmt.Errorf("no texts in language %q; there are %s", language, strings.Join(known, ", "))
	}
	c, err := read(files, language)
	if err != nil {
		return nil, err
	}
	got, _ := loaded.LoadOrStore(language, c)
	return got.(*Catalogue), nil
}

// read reads the file of a language. A table gives its name as the first part of
// its keys; one that has only plural forms is a text; [phrases] are by
// themselves:
//
//	[load]
//	froze = "The picture froze after {after}."
//	freezes = { one = "{n} freeze.", other = "{n} freezes." }
func read(files fs.FS, code string) (*Catalogue, error) {
	name := code + ".toml"
	text, err := fs.ReadFile(files, name)
	if err != nil {
		return nil, err
	}
	c := &Catalogue{
		Language: code,
		texts:    map[string]string{},
		plurals:  map[string]forms{},
		phrases:  map[string]string{},
	}
	if c.tag, err = language.Parse(code); err != nil {
		return nil, fmt.Errorf("%s: the file's name is the code of no language: %w", name, err)
	}
	var top map[string]any
	if _, err := toml.Decode(string(text), &top); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	phrases, _ := top["phrases"].(map[string]any)
	delete(top, "phrases")
	for english, text := range phrases {
		if c.phrases[english], _ = text.(string); c.phrases[english] == "" {
			return nil, fmt.Errorf("%s: the phrase %q has no text", name, english)
		}
	}
	if err := c.take("", top); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	c.typeset()
	return c, nil
}

// take puts the texts of a table among those of the catalogue.
func (c *Catalogue) take(prefix string, table map[string]any) error {
	for name, v := range table {
		key := prefix + name
		switch v := v.(type) {
		case string:
			c.texts[key] = v
		case map[string]any:
			if f, ok := asForms(v); ok {
				c.plurals[key], c.texts[key] = f, f["other"]
				continue
			}
			if err := c.take(key+".", v); err != nil {
				return err
			}
		default:
			return fmt.Errorf("%s is a %T, not a text", key, v)
		}
	}
	return nil
}

// typeset keeps signs on the line of their word, where a language puts a blank
// between them.
func (c *Catalogue) typeset() {
	var pairs []string
	for _, sign := range strings.Fields(c.texts["language.blank-before"]) {
		pairs = append(pairs, " "+sign, gap+sign)
	}
	for _, sign := range strings.Fields(c.texts["language.blank-behind"]) {
		pairs = append(pairs, sign+" ", sign+gap)
	}
	if len(pairs) == 0 {
		return
	}
	bind := strings.NewReplacer(pairs...)
	all := []map[string]string{c.texts, c.phrases}
	for _, f := range c.plurals {
		all = append(all, f)
	}
	for _, texts := range all {
		for key, text := range texts {
			texts[key] = bind.Replace(text)
		}
	}
}

// Part returns the texts whose keys begin with a prefix, by the rest of the key.
func (c *Catalogue) Part(prefix string) map[string]string {
	out := map[string]string{}
	for key, text := range c.texts {
		if rest, ok := strings.CutPrefix(key, prefix); ok {
			out[rest] = text
		}
	}
	return out
}

// T returns the text of key with its {name} places filled from pairs of name
// and value. A key that the language lacks comes back as it is, in brackets.
func (c *Catalogue) T(key string, pairs ...string) string {
	text, ok := c.texts[key]
	if !ok {
		return untold(key)
	}
	if len(pairs) == 0 {
		return text
	}
	old := make([]string, 0, len(pairs))
	for i := 0; i+1 < len(pairs); i += 2 {
		old = append(old, "{"+pairs[i]+"}", pairs[i+1])
	}
	return strings.NewReplacer(old...).Replace(text)
}

// Phrase is a text of a plan, a family or the shop: in this language where it is
// one of the library's, else as somebody typed it.
func (c *Catalogue) Phrase(text string) string {
	if said, ok := c.phrases[text]; ok {
		return said
	}
	return text
}

// AsWritten is an amount as somebody wrote it, with the language's decimal mark,
// on one line.
func (c *Catalogue) AsWritten(amount string) string {
	var b strings.Builder
	digit := func(i int) bool { return i >= 0 && i < len(amount) && amount[i] >= '0' && amount[i] <= '9' }
	for i, r := range amount {
		switch {
		case r == ' ':
			b.WriteString(gap)
		case r == '.' && digit(i-1) && digit(i+1):
			b.WriteString(c.T("number.mark"))
		default:
			b.WriteRune(r)
		}
	}
	return b.String()
}

// Decimal puts the language's decimal mark into a number written with a point.
func (c *Catalogue) Decimal(number string) string {
	if mark := c.T("number.mark"); mark != "." {
		return strings.Replace(number, ".", mark, 1)
	}
	return number
}

// Count writes a whole number with a thin gap between thousands from five
// digits on (ISO 80000-1:2022, 7.3.2, from memory).
func (c *Catalogue) Count(n int64) string {
	s := strconv.FormatInt(n, 10)
	if len(strings.TrimPrefix(s, "-")) < 5 {
		return s
	}
	var b strings.Builder
	for i, r := range s {
		if i > 0 && (len(s)-i)%3 == 0 && s[i-1] != '-' {
			b.WriteRune('\u00a0')
		}
		b.WriteRune(r)
	}
	return b.String()
}

// Date writes a day: "3 November 2026".
func (c *Catalogue) Date(t time.Time) string {
	month := c.T("month." + strconv.Itoa(int(t.Month())))
	return c.T("date.day", "d", strconv.Itoa(t.Day()), "month", month, "y", strconv.Itoa(t.Year()))
}

// Time writes a day and time with the offset from UTC.
func (c *Catalogue) Time(t time.Time) string {
	zone := "UTC" + t.Format("-07:00")
	if _, off := t.Zone(); off == 0 {
		zone = "UTC"
	}
	return c.T("date.time", "date", c.Date(t), "time", t.Format("15:04"), "zone", zone)
}

// Day writes a day, short for tables.
func (c *Catalogue) Day(t time.Time) string {
	return c.T("date.short", "y", t.Format("2006"), "m", t.Format("01"), "d", t.Format("02"))
}

// Stamp writes a day and time with the offset from UTC, short for tables.
func (c *Catalogue) Stamp(t time.Time) string {
	return c.T("date.stamp", "date", c.Day(t), "time", t.Format("15:04"), "zone", t.Format("-07:00"))
}

// Span writes a length of time in seconds, in the largest fitting unit:
// "40 min", "2 h 05 min", "12 s".
func (c *Catalogue) Span(seconds float64) string {
	if math.IsNaN(seconds) || seconds < 0 {
		return ""
	}
	s := int64(seconds + 0.5)
	switch {
	case s < 120 && s != 60:
		return fmt.Sprintf("%d\u00a0s", s)
	case s < 7200:
		if s%60 == 0 {
			return fmt.Sprintf("%d\u00a0min", s/60)
		}
		return fmt.Sprintf("%d\u00a0min %02d\u00a0s", s/60, s%60)
	}
	if s%3600/60 == 0 {
		return fmt.Sprintf("%d\u00a0h", s/3600)
	}
	return fmt.Sprintf("%d\u00a0h %02d\u00a0min", s/3600, s%3600/60)
}

// Bytes writes the size of a file: "512 B", "14.2 KiB", "3.1 MiB".
func (c *Catalogue) Bytes(n int64) string {
	switch {
	case n < 1024:
		return fmt.Sprintf("%d\u00a0B", n)
	case n < 1<<20:
		return c.Decimal(fmt.Sprintf("%.1f\u00a0KiB", float64(n)/1024))
	}
	return c.Decimal(fmt.Sprintf("%.1f\u00a0MiB", float64(n)/(1<<20)))
}
