package words

import (
	"errors"
	"math"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/feature/plural"

	"proveout/plans/fact"
	"proveout/plans/quantity"
)

// forms are the texts of one key by the names that CLDR gives plural forms:
// "one", "few", "other" and so on. The argument {n} chooses.
type forms map[string]string

var formNames = map[plural.Form]string{
	plural.Zero: "zero", plural.One: "one", plural.Two: "two",
	plural.Few: "few", plural.Many: "many", plural.Other: "other",
}

// asForms takes a table for the plural forms of one text.
func asForms(table map[string]any) (forms, bool) {
	if _, ok := table["other"].(string); !ok {
		return nil, false
	}
	f := forms{}
	for _, name := range formNames {
		if text, ok := table[name].(string); ok {
			f[name] = text
		}
	}
	return f, len(f) == len(table)
}

// untold stands for what a catalogue has no text for, such as what only an
// earlier version said. Its brackets are on no page.
func untold(key string) string { return "⟦" + key + "⟧" }

// Tell puts a fact into the language's words. A key that the language lacks comes
// back as it is, in brackets.
func (c *Catalogue) Tell(f fact.Fact) string {
	if f.IsZero() {
		return ""
	}
	text, ok := c.texts[f.Key]
	if !ok {
		return untold(f.Key)
	}
	if all, ok := c.plurals[f.Key]; ok {
		text = c.form(all, f.Args["n"])
	}
	return c.fill(text, f.Args)
}

// TellAll puts facts into words, each by itself.
func (c *Catalogue) TellAll(facts []fact.Fact) []string {
	out := make([]string, len(facts))
	for i, f := range facts {
		out[i] = c.Tell(f)
	}
	return out
}

// form chooses the plural form for a count.
func (c *Catalogue) form(all forms, n fact.Arg) string {
	count, ok := n.(fact.Count)
	if !ok {
		return all["other"]
	}
	if count < 0 {
		count = -count
	}
	// Only the last digits of a whole number matter to any rule of CLDR.
	if count >= 10_000_000 {
		count = count%10_000_000 + 10_000_000
	}
	if text, ok := all[formNames[plural.Cardinal.MatchPlural(c.tag, int(count), 0, 0, 0, 0)]]; ok {
		return text
	}
	return all["other"]
}

// fill puts arguments into the places of a text: {name}, or {^name} where it
// begins a sentence.
func (c *Catalogue) fill(text string, args fact.Args) string {
	if !strings.Contains(text, "{") {
		return text
	}
	var b strings.Builder
	for {
		before, rest, found := strings.Cut(text, "{")
		b.WriteString(before)
		if !found {
			return b.String()
		}
		place, after, closed := strings.Cut(rest, "}")
		if !closed {
			b.WriteString("{" + rest)
			return b.String()
		}
		name, first := strings.CutPrefix(place, "^")
		said := c.Arg(args[name])
		if first {
			said = upperFirst(said)
		}
		b.WriteString(said)
		text = after
	}
}

func upperFirst(s string) string {
	r, size := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(r)) + s[size:]
}

// Arg puts one argument into the language's form. What is missing is a dash.
func (c *Catalogue) Arg(a fact.Arg) string {
	switch a := a.(type) {
	case fact.Amount:
		return c.Amount(a)
	case fact.Count:
		return c.Count(int64(a))
	case fact.Name:
		return string(a)
	case fact.Phrase:
		return c.Phrase(string(a))
	case fact.AsWritten:
		return c.AsWritten(string(a))
	case fact.Date:
		return c.Date(time.Time(a))
	case fact.Moment:
		return c.Time(time.Time(a))
	case fact.List:
		return c.list(a)
	case fact.Fact:
		return c.Tell(a)
	}
	return "–"
}

func (c *Catalogue) list(l fact.List) string {
	items := make([]string, len(l.Items))
	for i, item := range l.Items {
		items[i] = c.Arg(item)
	}
	switch l.Join {
	case fact.Sentence:
		return strings.Join(items, " ")
	case fact.Semicolon:
		return strings.Join(items, c.T("list.parts"))
	case fact.And, fact.Or:
		if n := len(items); n > 1 {
			return strings.Join(items[:n-1], c.T("list.comma")) + c.T("list."+string(l.Join)) + items[n-1]
		}
	}
	return strings.Join(items, c.T("list.comma"))
}

// Amount writes a number with its unit, and with its uncertainty where one is
// known: "(167.60 ± 0.10) MHz". Number and unit stay on one line.
func (c *Catalogue) Amount(a fact.Amount) string {
	if math.IsNaN(a.Value) || math.IsInf(a.Value, 0) {
		return "–"
	}
	number := c.Decimal(c.number(a))
	if a.Signed && a.Value >= 0 {
		number = "+" + number
	}
	if hasU(a) {
		_, u := quantity.Rounded(a.Value, a.U)
		number += gap + "±" + gap + c.Decimal(u)
		if a.Unit != "" {
			number = "(" + number + ")"
		}
	}
	if a.Unit == "" {
		return number
	}
	return number + gap + a.Unit
}

// gap stands between a number and its unit, so that they stay on one line.
const gap = "\u00a0"

// Plain is the catalogue for terminals and machines: a blank stands where
// documents keep a line together.
func (c *Catalogue) Plain() *Plain { return &Plain{c} }

// Plain says what a catalogue says with plain blanks.
type Plain struct{ c *Catalogue }

var unbound = strings.NewReplacer(gap, " ", "\u202f", " ")

// Tell is [Catalogue.Tell] with plain blanks.
func (p *Plain) Tell(f fact.Fact) string { return unbound.Replace(p.c.Tell(f)) }

// Bound is [Catalogue.Tell] with the blanks that keep words on one line, for a
// text that is still to be broken into lines; [Unbound] makes them plain.
func (p *Plain) Bound(f fact.Fact) string { return p.c.Tell(f) }

// Unbound puts plain blanks where words were kept on one line.
func Unbound(text string) string { return unbound.Replace(text) }

// TellAll is [Catalogue.TellAll] with plain blanks.
func (p *Plain) TellAll(facts []fact.Fact) []string {
	out := make([]string, len(facts))
	for i, f := range facts {
		out[i] = p.Tell(f)
	}
	return out
}

// Explain is the text of an error, in which a fact is told in words.
func (p *Plain) Explain(err error) string {
	var e fact.Error
	if errors.As(err, &e) {
		return strings.Replace(err.Error(), e.Error(), p.Tell(e.Fact), 1)
	}
	return err.Error()
}

// Amount is [Catalogue.Amount] with plain blanks.
func (p *Plain) Amount(a fact.Amount) string { return unbound.Replace(p.c.Amount(a)) }

// Spoken is the JSON of v with every fact in it put into words: a string stands
// where records have the fact. Fields keep their order.
func (p *Plain) Spoken(v any) ([]byte, error) {
	return spoken(v, p.Tell)
}

func hasU(a fact.Amount) bool { return a.U > 0 && !math.IsInf(a.U, 0) }

// number writes the value of an amount with the digits that it deserves.
func (c *Catalogue) number(a fact.Amount) string {
	switch {
	case hasU(a):
		value, _ := quantity.Rounded(a.Value, a.U)
		return value
	case a.Step > 0:
		return quantity.Stepped(a.Value, a.Step)
	case a.Exact:
		return quantity.Shortest(a.Value)
	}
	return quantity.Significant(a.Value, 4)
}
