package plans

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/BurntSushi/toml"

	"proveout/plans/document"
	"proveout/plans/quantity"
)

// MaxFile is the largest file, in bytes, that is read.
const MaxFile = 1 << 20

// readDocument parses a file and records what is not TOML.
func readDocument(name string, data []byte, example string) (*collector, *document.Table) {
	if len(data) > MaxFile {
		c := newCollector(name, nil)
		c.add(document.Span{}, fmt.Sprintf("the file has %d bytes; 1 MiB is the most that is read", len(data)), "give the right file")
		return c, nil
	}
	c := newCollector(name, data)
	root, faults := document.Parse(data)
	for _, f := range faults {
		what := f.What
		if f.Key != "" {
			what = f.Key + ": " + what
		}
		c.add(f.At, what, f.Fix)
		c.partial = true
	}
	if len(faults) > 0 {
		return c, root
	}
	if len(root.Entries) == 0 {
		c.add(document.Span{Pos: document.Pos{Line: 1, Column: 1}, Width: 1}, "the file is empty", example)
		return c, nil
	}
	secondOpinion(c, data)
	return c, root
}

// secondOpinion asks an established reader of TOML too, so that a file which is
// accepted here is TOML everywhere.
func secondOpinion(c *collector, data []byte) {
	var any map[string]any
	_, err := toml.Decode(string(data), &any)
	if err == nil {
		return
	}
	var pe toml.ParseError
	if errors.As(err, &pe) {
		at := document.Span{Pos: document.Pos{Line: pe.Position.Line, Column: max(1, pe.Position.Col)}, Width: max(1, pe.Position.Len)}
		c.add(at, pe.Message, "")
	} else {
		c.add(document.Span{Pos: document.Pos{Line: 1, Column: 1}, Width: 1}, err.Error(), "")
	}
	c.partial = true
}

// section reads the keys of one table. Each read asks for the key by name and
// for a type, and records a problem when the file says something else.
type section struct {
	c     *collector
	t     *document.Table
	path  string // "step", "thermal": what messages call it
	keys  []Key  // the keys that may stand here
	local int    // problems recorded before this section began
}

func newSection(c *collector, t *document.Table, path string, keys []Key) *section {
	s := &section{c: c, t: t, path: path, keys: keys, local: len(c.problems)}
	s.unknown()
	return s
}

// sound reports whether nothing was wrong in this section so far.
func (s *section) sound() bool { return len(s.c.problems) == s.local && !s.c.partial }

func (s *section) name(key string) string {
	if s.path == "" {
		return key
	}
	return s.path + "." + key
}

// unknown complains of keys that may not stand here.
func (s *section) unknown() {
	names := keyNames(s.keys)
	for _, e := range s.t.Entries {
		if slices.Contains(names, e.Key) {
			continue
		}
		if s.c.full() {
			s.c.many = true
			return
		}
		what := s.name(e.Key) + ": unknown key"
		fix := "remove it"
		if i := slices.IndexFunc(names, func(n string) bool { return strings.EqualFold(n, e.Key) }); i >= 0 {
			what, fix = s.name(e.Key)+": keys are written in small letters", `write "`+names[i]+`"`
		} else if n := nearest(e.Key, names); n != "" {
			fix = `did you mean "` + n + `"?`
		} else if len(names) > 0 {
			fix = "remove it; the keys here are " + list(names)
		}
		s.c.add(e.At, shortKey(what), fix)
	}
}

func shortKey(s string) string {
	if r := []rune(s); len(r) > 120 {
		return string(r[:120]) + "…"
	}
	return printable(s)
}

// problem records a problem at the value of a key, or at the table when the
// key is absent.
func (s *section) problem(key, what, fix string) {
	at := s.t.At
	if e := s.t.Get(key); e != nil {
		at = e.Value.At
	}
	s.c.add(at, s.name(key)+": "+what, fix)
}

func (s *section) has(key string) bool { return s.t.Get(key) != nil }

// missing records that a key must be there. When something could not be read
// it may well be there, so nothing is said.
func (s *section) missing(key, example string) {
	if !s.c.partial && !s.has(key) {
		s.c.add(s.t.At, s.name(key)+": missing", "add "+key+" = "+example)
	}
}

// missingTable records that a table must be there.
func (s *section) missingTable(key, header string) {
	if !s.c.partial && !s.has(key) {
		s.c.add(s.t.At, s.name(key)+": missing", "add "+header+" and the keys below it")
	}
}

// of returns the value of a key if it has the wanted type.
func (s *section) of(key string, want document.Type) *document.Value {
	e := s.t.Get(key)
	if e == nil {
		return nil
	}
	if e.Value.Type == want || want == document.Float && e.Value.Type == document.Integer {
		return e.Value
	}
	s.wrongType(key, e.Value, want)
	return nil
}

func (s *section) wrongType(key string, v *document.Value, want document.Type) {
	fix := ""
	switch {
	case want == document.String && v.Raw != "":
		fix = `put it in quotes: "` + strings.Trim(v.Raw, `"'`) + `"`
	case want == document.Boolean && (v.Text == "true" || v.Text == "false"):
		fix = "write " + v.Text + " without quotes"
	case want == document.Boolean:
		fix = "write true or false"
	case want == document.Array && v.Type != document.Group:
		fix = "write [" + v.Raw + "]"
	case want == document.Float || want == document.Integer:
		if _, err := strconv.ParseFloat(v.Text, 64); err == nil {
			fix = "write " + v.Text + " without quotes"
		}
	case want == document.Group:
		fix = "write [" + s.name(key) + "] and the keys below it"
	}
	s.c.add(v.At, s.name(key)+": expected "+want.String()+", found "+v.Type.String(), fix)
}

// text reads a text; "" when absent. An empty text is a problem.
func (s *section) text(key string) string {
	v := s.of(key, document.String)
	if v == nil {
		return ""
	}
	t := strings.TrimSpace(v.Text)
	if t == "" {
		s.c.add(v.At, s.name(key)+": empty", "write something, or remove the key")
	}
	return t
}

// need reads a text that must be there.
func (s *section) need(key, example string) string {
	s.missing(key, example)
	return s.text(key)
}

// word reads one of a few words.
func (s *section) word(key, otherwise string, words ...string) string {
	v := s.of(key, document.String)
	if v == nil {
		return otherwise
	}
	if !slices.Contains(words, v.Text) {
		s.c.add(v.At, s.name(key)+": "+quoted(v.Text)+" is not known here", didYouMean(v.Text, words))
		return otherwise
	}
	return v.Text
}

// ident reads an identifier that must be there.
func (s *section) ident(key string) string {
	id := s.need(key, `"…"`)
	if v := s.of(key, document.String); v != nil && id != "" && !IsID(id) {
		s.c.add(v.At, s.name(key)+": "+quoted(id)+" is not an id", "use small letters, digits and hyphens, 40 at most; ids are used in file names")
	}
	return id
}

// IsID reports whether s may be the id of a plan, family, step, bench,
// instrument or technician: small letters, digits and inner hyphens, at most 40.
func IsID(s string) bool {
	if s == "" || len(s) > 40 || s[0] == '-' || s[len(s)-1] == '-' {
		return false
	}
	for i := range len(s) {
		if c := s[i]; (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-' {
			return false
		}
	}
	return true
}

// label reads a name that readings are typed with: no blanks, no "=".
func (s *section) label(key string) string {
	n := s.need(key, `"…"`)
	if v := s.of(key, document.String); v != nil && n != "" && !isLabel(n) {
		s.c.add(v.At, s.name(key)+": "+quoted(n)+" cannot be typed as a name", `use letters, digits and "+", "-", "_", "."`)
	}
	return n
}

func isLabel(s string) bool {
	for i := range len(s) {
		if c := s[i]; (c < 'a' || c > 'z') && (c < 'A' || c > 'Z') && (c < '0' || c > '9') && !strings.ContainsRune("+-_.", rune(c)) {
			return false
		}
	}
	return s != "" && len(s) <= 40
}

func (s *section) boolean(key string, otherwise bool) bool {
	if v := s.of(key, document.Boolean); v != nil {
		return v.Bool
	}
	return otherwise
}

// whole reads a whole number between low and high.
func (s *section) whole(key string, low, high int64) (int, bool) {
	v := s.of(key, document.Integer)
	if v == nil {
		return 0, false
	}
	if v.Int < low || v.Int > high {
		s.c.add(v.At, fmt.Sprintf("%s: %d is out of range", s.name(key), v.Int), fmt.Sprintf("write a whole number from %d to %d", low, high))
		return 0, false
	}
	return int(v.Int), true
}

// number reads a plain number that is finite and above zero.
func (s *section) number(key string) (float64, bool) {
	v := s.of(key, document.Float)
	if v == nil {
		return 0, false
	}
	if math.IsNaN(v.Float) || math.IsInf(v.Float, 0) || v.Float <= 0 {
		s.c.add(v.At, s.name(key)+": "+v.Raw+" is not a number above zero", "")
		return 0, false
	}
	return v.Float, true
}

// maxItems bounds the lists of a file, so that a hostile one costs little.
const maxItems = 1000

// items returns the items of a list, [maxItems] at most.
func (s *section) items(key string, v *document.Value) []*document.Value {
	if len(v.Items) <= maxItems {
		return v.Items
	}
	s.c.add(v.Items[maxItems].At, fmt.Sprintf("%s: more than %d items", s.name(key), maxItems), "")
	return v.Items[:maxItems]
}

// texts reads a list of texts without repetitions.
func (s *section) texts(key string) []string {
	v := s.of(key, document.Array)
	if v == nil {
		return nil
	}
	out := []string{}
	for _, item := range s.items(key, v) {
		t := strings.TrimSpace(item.Text)
		switch {
		case item.Type != document.String:
			s.wrongType(key, item, document.String)
		case t == "":
			s.c.add(item.At, s.name(key)+": empty text", "remove it")
		case slices.Contains(out, t):
			s.c.add(item.At, s.name(key)+": "+quoted(t)+" stands twice", "remove one of them")
		default:
			out = append(out, t)
		}
	}
	return out
}

// words reads a list whose items are some of a few words.
func (s *section) words(key string, words ...string) []string {
	out := s.texts(key)
	if v := s.t.Get(key); v != nil {
		for _, item := range s.items(key, v.Value) {
			if t := strings.TrimSpace(item.Text); item.Type == document.String && t != "" && !s.c.full() && !slices.Contains(words, t) {
				s.c.add(item.At, s.name(key)+": "+quoted(t)+" is not known here", didYouMean(t, words))
			}
		}
	}
	return out
}

// nonEmpty complains of an empty list.
func (s *section) nonEmpty(key, fix string) {
	if e := s.t.Get(key); e != nil && e.Value.Type == document.Array && len(e.Value.Items) == 0 {
		s.c.add(e.Value.At, s.name(key)+": the list is empty", fix)
	}
}

// bound says what a quantity may be.
type bound int

const (
	anything  bound = iota
	aboveZero       // value > 0, and so is the lower limit
	notBelow        // value ≥ 0
)

// fromFamily is written where the family states the limit.
const fromFamily = "from family"

// quantity reads a quantity; nil when absent or "from family".
func (s *section) quantity(key string, dim quantity.Dimension, b bound) *quantity.Quantity {
	e := s.t.Get(key)
	if e == nil {
		return nil
	}
	if e.Value.Type != document.String {
		s.c.add(e.Value.At, s.name(key)+": expected a "+string(dim)+" in quotes, found "+e.Value.Type.String(),
			`write it with its unit, such as "`+dim.Example()+`"`)
		return nil
	}
	return s.parse(s.name(key), e.Value, dim, b)
}

// parse reads the quantity that a value holds.
func (s *section) parse(name string, v *document.Value, dim quantity.Dimension, b bound) *quantity.Quantity {
	q, err := quantity.Parse(v.Text, dim)
	if err != nil {
		s.notAQuantity(name, v, err)
		return nil
	}
	switch {
	case b != anything && q.Value < 0:
		s.c.add(v.At, name+": "+quoted(v.Text)+" is negative", "")
		return nil
	case b == aboveZero && q.Value == 0:
		s.c.add(v.At, name+": "+quoted(v.Text)+" is zero", "write a value above zero")
		return nil
	case b == aboveZero && q.Tolerated && q.Minus >= q.Value:
		s.c.add(v.At, name+": the tolerance of "+quoted(v.Text)+" reaches down to zero", "write a smaller tolerance")
		return nil
	}
	return &q
}

func (s *section) notAQuantity(name string, v *document.Value, err error) {
	var qe *quantity.Error
	if !errors.As(err, &qe) {
		s.c.add(v.At, name+": "+err.Error(), "")
		return
	}
	what := name + ": " + qe.What
	if v.Text != "" && !strings.Contains(qe.What, `"`) {
		what = name + ": " + quoted(v.Text) + ": " + qe.What
	}
	s.c.add(v.TextAt(qe.Column, qe.Width), what, qe.Fix)
}

// exact reads a quantity that may carry no tolerance.
func (s *section) exact(key string, dim quantity.Dimension, b bound) *quantity.Quantity {
	q := s.quantity(key, dim, b)
	if q != nil && q.Tolerated {
		s.problem(key, "a tolerance makes no sense here", `write "`+strings.TrimSuffix(q.String(), " "+q.Tolerance())+`"`)
		return nil
	}
	return q
}

// quantities reads a list of quantities.
func (s *section) quantities(key string, dim quantity.Dimension) []quantity.Quantity {
	v := s.of(key, document.Array)
	if v == nil {
		return nil
	}
	var out []quantity.Quantity
	for _, item := range v.Items {
		if item.Type != document.String {
			s.wrongType(key, item, document.String)
			continue
		}
		if q := s.parse(s.name(key), item, dim, aboveZero); q != nil {
			out = append(out, *q)
		}
	}
	return out
}

// isFromFamily reports whether a key says "from family".
func (s *section) isFromFamily(key string) bool {
	e := s.t.Get(key)
	return e != nil && e.Value.Type == document.String && e.Value.Text == fromFamily
}

// date reads a date, as TOML date or as text; "" when absent.
func (s *section) date(key string) string {
	e := s.t.Get(key)
	if e == nil {
		return ""
	}
	v := e.Value
	text := v.Text
	if v.Type != document.Date && v.Type != document.String {
		s.wrongType(key, v, document.Date)
		return ""
	}
	if _, err := time.Parse(time.DateOnly, text); err != nil {
		s.c.add(v.At, s.name(key)+": "+quoted(text)+" is not a date", `write year-month-day, such as 2026-03-01`)
		return ""
	}
	return text
}

// group reads a table; nil when absent.
func (s *section) group(key string, keys []Key) *section {
	v := s.of(key, document.Group)
	if v == nil {
		return nil
	}
	return newSection(s.c, v.Table, s.name(key), keys)
}

// groups reads the tables of a list.
func (s *section) groups(key string, keys []Key) []*section {
	e := s.t.Get(key)
	if e == nil {
		return nil
	}
	if e.Value.Type != document.Array {
		fix := ""
		if e.Value.Type == document.Group {
			fix = "write [[" + s.name(key) + "]] with two brackets"
		}
		s.c.add(e.At, s.name(key)+": expected a list of tables, found "+e.Value.Type.String(), fix)
		return nil
	}
	var out []*section
	for _, item := range s.items(key, e.Value) {
		if item.Type != document.Group {
			s.wrongType(key, item, document.Group)
			continue
		}
		out = append(out, newSection(s.c, item.Table, s.name(key), keys))
	}
	return out
}

// unique complains when two sections have the same name.
func unique(sections []*section, key string) {
	seen := map[string]int{}
	for _, s := range sections {
		e := s.t.Get(key)
		if e == nil || e.Value.Type != document.String {
			continue
		}
		if line := seen[e.Value.Text]; line > 0 {
			s.c.add(e.Value.At, s.name(key)+": "+quoted(e.Value.Text)+" stands twice; first on line "+strconv.Itoa(line), "give each its own "+key)
			continue
		}
		seen[e.Value.Text] = e.Value.At.Line
	}
}
