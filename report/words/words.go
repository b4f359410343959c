// Package words is the catalogue of the documents' texts: one file per
// language, keys to sentences.
//
// A language code comes in; texts, dates and numbers in that language's form
// go out. Adding a language is adding a file: texts by key, and below
// [sentences] the program's English sentences by themselves. The package knows
// nothing of cards or verdicts.
package words

import (
	"embed"
	"fmt"
	"io/fs"
	"math"
	"sort"
	"strconv"
	"strings"
	"sync"
	"time"
)

//go:embed *.toml
var files embed.FS

// A Catalogue holds the texts of one language.
type Catalogue struct {
	Language string            // "en"
	texts    map[string]string // by key; of a key with plural forms, "other"
	plurals  map[string]forms
	fallback *Catalogue
	unread
}

var loaded sync.Map // language → *Catalogue

// Languages returns the codes of all languages, sorted.
func Languages() []string {
	names, err := fs.Glob(files, "*.toml")
	if err != nil {
		return nil
	}
	var out []string
	for _, n := range names {
		if n = strings.TrimSuffix(n, ".toml"); !strings.Contains(n, ".") {
			out = append(out, n)
		}
	}
	sort.Strings(out)
	return out
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
	text, err := files.ReadFile(language + ".toml")
	if err != nil {
		return nil, fmt.Errorf("no texts in language %q; there are %s", language, strings.Join(Languages(), ", "))
	}
	c := &Catalogue{Language: language, texts: map[string]string{}, plurals: map[string]forms{}}
	keyed, sentences, _ := strings.Cut(string(text), "\n[sentences]\n")
	c.part = sentences
	if err := c.read(keyed); err != nil {
		return nil, fmt.Errorf("texts of language %q: %w", language, err)
	}
	rooms, err := fs.Glob(files, "*."+language+".toml")
	if err != nil {
		return nil, err
	}
	for _, room := range rooms {
		text, err := files.ReadFile(room)
		if err == nil {
			err = c.read(string(text))
		}
		if err != nil {
			return nil, fmt.Errorf("%s: %w", room, err)
		}
	}
	if language != "en" {
		if c.fallback, err = In("en"); err != nil {
			return nil, err
		}
	}
	got, _ := loaded.LoadOrStore(language, c)
	return got.(*Catalogue), nil
}

// Part returns the texts whose keys begin with a prefix, by the rest of the key.
func (c *Catalogue) Part(prefix string) map[string]string {
	out := map[string]string{}
	if c.fallback != nil {
		out = c.fallback.Part(prefix)
	}
	for key, text := range c.texts {
		if rest, ok := strings.CutPrefix(key, prefix); ok {
			out[rest] = text
		}
	}
	return out
}

// T returns the text of key with its {name} places filled from pairs of name
// and value. A key the language lacks comes in English; one that no language
// has comes back as it is, in brackets.
func (c *Catalogue) T(key string, pairs ...string) string {
	text, ok := c.texts[key]
	if !ok {
		if c.fallback != nil {
			return c.fallback.T(key, pairs...)
		}
		return "[" + key + "]"
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
	return c.T("date.day", "d", strconv.Itoa(t.Day()), "month", c.T("month."+strconv.Itoa(int(t.Month()))), "y", strconv.Itoa(t.Year()))
}

// Time writes a day and time with the offset from UTC.
func (c *Catalogue) Time(t time.Time) string {
	zone := "UTC" + t.Format("-07:00")
	if _, off := t.Zone(); off == 0 {
		zone = "UTC"
	}
	return c.T("date.time", "date", c.Date(t), "time", t.Format("15:04"), "zone", zone)
}

// Stamp writes a day and time with the offset from UTC, short for tables.
func (c *Catalogue) Stamp(t time.Time) string {
	return c.T("date.stamp", "y", t.Format("2006"), "m", t.Format("01"), "d", t.Format("02"), "time", t.Format("15:04"), "zone", t.Format("-07:00"))
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
