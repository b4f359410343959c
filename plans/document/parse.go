package document

import (
	"bytes"
	"cmp"
	"errors"
	"maps"
	"slices"
	"strconv"
	"time"

	"github.com/BurntSushi/toml"
	"github.com/pelletier/go-toml/v2/unstable"
)

// Bounds that keep the work on a hostile file small.
const (
	maxDepth  = 24
	maxFaults = 50
)

// Parse reads the text as TOML and records what is not. It goes on after a fault
// with the next line, so that several are found at once; those that only follow
// from another may be missing. A text with faults has no table.
//
// The values come from [toml.Decode], so that a file which is accepted here is
// TOML everywhere; where they stand comes from a walk over the statements of the
// text.
func (c *Collector) Parse() *Table {
	if c.unreadable() {
		return nil
	}
	root := &place{at: Span{0, 1}}
	text := []byte(c.text + "\n") // the last line has an end like the others
	w := &walk{c: c, text: text, root: root, current: root}
	w.statements()
	values := w.decode()
	if len(c.problems) > 0 {
		return nil
	}
	return w.table(values, root)
}

// A place is where a key stands, and its value, and what is inside that.
type place struct {
	made   making
	key    Span
	at     Span              // of the value, or of the header of a table
	inside map[string]*place // of a table
	items  []*place          // of a list
}

// making is how something came to be, which decides what may be added to it.
type making int

const (
	passed   making = iota // by a header that went through it: a header of its own may follow
	opened                 // by its header, or by a dotted key
	repeated               // by [[headers]]
	given                  // by a value: complete
)

// String says what such a thing is already.
func (m making) String() string {
	return map[making]string{passed: "a table", opened: "a table", repeated: "a list", given: "a value"}[m]
}

func (p *place) add(k part, made making, at Span) *place {
	inner := &place{made: made, key: k.at, at: at}
	if p.inside == nil {
		p.inside = map[string]*place{}
	}
	p.inside[k.name] = inner
	return inner
}

// A walk goes over the statements of a text: headers, and keys with values.
type walk struct {
	c       *Collector
	text    []byte
	base    int // offset of the text that the library reads at present
	root    *place
	current *place // of the last header; a place of its own after a broken one
}

// fault records what is not TOML, and the key it belongs to, where one is known.
func (w *walk) fault(at Span, key, what, fix string) {
	if key != "" {
		what = key + ": " + what
	}
	if len(w.c.problems) < maxFaults {
		w.c.Add(at, what, fix)
	}
}

// statements reads the whole text. The library stops at the first fault; the
// walk then hands it the rest, from the next line on.
func (w *walk) statements() {
	for end := 0; end < len(w.text) && len(w.c.problems) < maxFaults; {
		var p unstable.Parser
		w.base = end
		p.Reset(w.text[end:])
		for p.NextExpression() {
			end = w.lineEnd(w.statement(p.Expression(), w.skip(end, false)))
		}
		var broken *unstable.ParserError
		if !errors.As(p.Error(), &broken) {
			return
		}
		begin := w.skip(end, false)
		at := max(begin, w.base+int(p.Range(broken.Highlight).Offset))
		end = w.explain(begin, at)
		if w.text[begin] == '[' {
			w.current = &place{}
		}
	}
}

// statement takes one statement in and returns the offset behind its last part.
func (w *walk) statement(n *unstable.Node, begin int) int {
	path := w.keys(n.Key())
	if n.Kind == unstable.KeyValue {
		w.keyValue(n, path, w.current, 0)
		return w.base + int(n.Raw.Offset+n.Raw.Length)
	}
	w.header(path, begin, n.Kind == unstable.ArrayTable)
	return path[len(path)-1].at.End
}

// lineEnd returns the offset of the next line.
func (w *walk) lineEnd(at int) int {
	if i := bytes.IndexByte(w.text[at:], '\n'); i >= 0 {
		return at + i + 1
	}
	return len(w.text)
}

// skip goes over blanks, line breaks and comments, and over commas if wanted.
func (w *walk) skip(at int, commas bool) int {
	for at < len(w.text) {
		switch c := w.text[at]; {
		case c == '#':
			at = w.lineEnd(at)
		case c == ' ' || c == '\t' || c == '\r' || c == '\n' || c == ',' && commas:
			at++
		default:
			return at
		}
	}
	return at
}

// A part is one part of a dotted key.
type part struct {
	name string
	at   Span
}

func (w *walk) keys(parts unstable.Iterator) []part {
	var path []part
	for parts.Next() {
		n := parts.Node()
		begin := w.base + int(n.Raw.Offset)
		path = append(path, part{string(n.Data), Span{begin, begin + int(n.Raw.Length)}})
	}
	return path
}

// header opens the table of [a.b] or [[a.b]].
func (w *walk) header(path []part, begin int, list bool) {
	last := path[len(path)-1]
	at := Span{begin, last.at.End + bytes.IndexByte(w.text[last.at.End:], ']') + 1}
	if list {
		at.End++
	}
	in := w.inner(w.root, path, false)
	w.current = &place{}
	if in == nil {
		return
	}
	p := in.inside[last.name]
	switch {
	case list && p == nil:
		p = in.add(last, repeated, at)
	case list && p.made != repeated:
		w.already(at, last.name, p)
		return
	case p == nil:
		p = in.add(last, opened, at)
	case !list && p.made == passed:
		p.made, p.at = opened, at
	case !list:
		fix := "merge the two, or give one another name"
		if p.made == repeated {
			fix = "write [[" + last.name + "]] for one more of them"
		}
		w.fault(at, "", w.twice(last.name, p), fix)
		return
	}
	if list {
		p.items = append(p.items, &place{made: opened, at: at})
		p = p.items[len(p.items)-1]
	}
	w.current = p
}

// inner goes through the tables that a header or a key names before its last
// part; dotted says that it is a key, which opens them.
func (w *walk) inner(in *place, path []part, dotted bool) *place {
	if len(path) > maxDepth {
		w.fault(path[maxDepth].at, path[0].name, "nested too deeply", "")
		return nil
	}
	for _, k := range path[:len(path)-1] {
		p := in.inside[k.name]
		switch {
		case p == nil && dotted:
			in = in.add(k, opened, k.at)
		case p == nil:
			in = in.add(k, passed, k.at)
		case p.made == given || p.made == repeated && dotted:
			w.already(k.at, k.name, p)
			return nil
		case p.made == repeated:
			in = p.items[len(p.items)-1]
		default:
			in = p
		}
	}
	return in
}

// already complains of a key that is something else by now.
func (w *walk) already(at Span, name string, p *place) {
	line := strconv.Itoa(w.c.Line(p.key.Begin))
	w.fault(at, name, Quoted(name)+" is "+p.made.String()+" already, on line "+line, "")
}

func (w *walk) twice(name string, first *place) string {
	return Quoted(name) + " stands twice; first on line " + strconv.Itoa(w.c.Line(first.key.Begin))
}

// keyValue takes key = value into a table and returns the offset behind it.
func (w *walk) keyValue(n *unstable.Node, path []part, in *place, depth int) int {
	last := path[len(path)-1]
	if in = w.inner(in, path, true); in == nil {
		in = &place{}
	}
	if old := in.inside[last.name]; old != nil {
		w.fault(last.at, last.name, w.twice(last.name, old), "remove one of them")
		in = &place{}
	}
	equals := last.at.End + bytes.IndexByte(w.text[last.at.End:], '=')
	return w.find(n.Value(), in.add(last, given, Span{}), w.skip(equals+1, false), depth)
}

// find notes where a value stands and returns the offset behind it. The library gives no
// place for lists and tables, so that where they begin is handed in.
func (w *walk) find(n *unstable.Node, p *place, begin, depth int) int {
	p.made = given
	end := begin + int(n.Raw.Length)
	if n.Kind == unstable.Array || n.Kind == unstable.InlineTable {
		end = begin + 1
		if depth == maxDepth {
			w.fault(Span{begin, end}, "", "nested too deeply", "")
			return end
		}
		for children := n.Children(); children.Next(); {
			end = w.skip(end, true)
			if child := children.Node(); n.Kind == unstable.InlineTable {
				end = w.keyValue(child, w.keys(child.Key()), p, depth+1)
			} else {
				p.items = append(p.items, &place{})
				end = w.find(child, p.items[len(p.items)-1], end, depth+1)
			}
		}
		end = min(w.skip(end, true)+1, len(w.text)) // the closing bracket
	}
	p.at = Span{begin, end}
	return end
}

// decode reads the values of a text without faults. The decoder may refuse what
// the walk took, such as a 30th of February.
func (w *walk) decode() (values map[string]any) {
	if len(w.c.problems) > 0 {
		return nil
	}
	_, err := toml.Decode(string(w.text), &values)
	var refused toml.ParseError
	switch {
	case errors.As(err, &refused):
		w.refused(refused)
	case err != nil:
		w.fault(Span{}, "", err.Error(), "")
	}
	return values
}

// table puts decoded values and their places together, in the order of the text.
func (w *walk) table(values map[string]any, p *place) *Table {
	t := &Table{At: p.at}
	names := slices.SortedFunc(maps.Keys(p.inside), func(a, b string) int {
		return cmp.Compare(p.inside[a].key.Begin, p.inside[b].key.Begin)
	})
	for _, name := range names {
		if decoded, ok := values[name]; ok {
			inner := p.inside[name]
			t.add(&Entry{Key: name, At: inner.key, Value: w.value(decoded, inner)})
		}
	}
	return t
}

// value makes a value of what was decoded and where it stands.
func (w *walk) value(decoded any, p *place) *Value {
	v := &Value{At: p.at}
	switch d := decoded.(type) {
	case string:
		v.Type, v.Text = String, d
	case int64:
		v.Type, v.Int, v.Float = Integer, d, float64(d)
	case float64:
		v.Type, v.Float = Float, d
	case bool:
		v.Type, v.Bool = Boolean, d
	case time.Time:
		v.Type, v.Text = Date, string(w.text[p.at.Begin:p.at.End])
	case map[string]any:
		v.Type, v.Table = Group, w.table(d, p)
	case []map[string]any:
		v.Type, v.Items = Array, list(w, d, p)
	case []any:
		v.Type, v.Items = Array, list(w, d, p)
	}
	if v.Type != Group && v.Type != Array {
		v.Raw = string(w.text[p.at.Begin:p.at.End])
	}
	return v
}

func list[T any](w *walk, decoded []T, p *place) []*Value {
	var out []*Value
	for i := range min(len(decoded), len(p.items)) {
		out = append(out, w.value(decoded[i], p.items[i]))
	}
	return out
}
