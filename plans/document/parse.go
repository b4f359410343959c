package document

import (
	"bytes"
	"errors"
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
	root := &Table{At: Span{0, 1}}
	text := []byte(c.text + "\n") // the last line has an end like the others
	w := &walk{c: c, text: text, root: root, current: root}
	w.statements()
	values := w.decode()
	if len(c.problems) > 0 {
		return nil
	}
	w.fill(root, values)
	return root
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

// put adds a key with a table, or with what else it is found to be.
func (t *Table) put(k part, made making, at Span) *Value {
	v := &Value{made: made, At: at, Table: &Table{At: at}}
	t.add(&Entry{Key: k.name, At: k.at, Value: v})
	return v
}

// A walk goes over the statements of a text: headers, and keys with values.
type walk struct {
	c       *Collector
	text    []byte
	base    int // offset of the text that the library reads at present
	root    *Table
	current *Table // of the last header; one of its own after a broken header
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
			w.current = &Table{}
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
	w.current = &Table{}
	if in == nil {
		return
	}
	e := in.Get(last.name)
	switch {
	case list && e == nil:
		in.put(last, repeated, at)
	case list && e.Value.made != repeated:
		w.already(at, e)
		return
	case e == nil:
		in.put(last, opened, at)
	case !list && e.Value.made == passed:
		e.Value.made, e.Value.At, e.Value.Table.At = opened, at, at
	case !list:
		fix := "merge the two, or give one another name"
		if e.Value.made == repeated {
			fix = "write [[" + last.name + "]] for one more of them"
		}
		w.fault(at, "", w.twice(e), fix)
		return
	}
	v := in.Get(last.name).Value
	if list {
		v.Items = append(v.Items, &Value{made: opened, At: at, Table: &Table{At: at}})
		v = v.Items[len(v.Items)-1]
	}
	w.current = v.Table
}

// inner goes through the tables that a header or a key names before its last
// part; dotted says that it is a key, which opens them.
func (w *walk) inner(in *Table, path []part, dotted bool) *Table {
	if len(path) > maxDepth {
		w.fault(path[maxDepth].at, path[0].name, "nested too deeply", "")
		return nil
	}
	for _, k := range path[:len(path)-1] {
		e := in.Get(k.name)
		switch {
		case e == nil && dotted:
			in = in.put(k, opened, k.at).Table
		case e == nil:
			in = in.put(k, passed, k.at).Table
		case e.Value.made == given || e.Value.made == repeated && dotted:
			w.already(k.at, e)
			return nil
		case e.Value.made == repeated:
			in = e.Value.Items[len(e.Value.Items)-1].Table
		default:
			in = e.Value.Table
		}
	}
	return in
}

// already complains of a key that is something else by now.
func (w *walk) already(at Span, e *Entry) {
	line := strconv.Itoa(w.c.Line(e.At.Begin))
	w.fault(at, e.Key, Quoted(e.Key)+" is "+e.Value.made.String()+" already, on line "+line, "")
}

func (w *walk) twice(first *Entry) string {
	return Quoted(first.Key) + " stands twice; first on line " + strconv.Itoa(w.c.Line(first.At.Begin))
}

// keyValue takes key = value into a table and returns the offset behind it.
func (w *walk) keyValue(n *unstable.Node, path []part, in *Table, depth int) int {
	last := path[len(path)-1]
	if in = w.inner(in, path, true); in == nil {
		in = &Table{}
	}
	if old := in.Get(last.name); old != nil {
		w.fault(last.at, last.name, w.twice(old), "remove one of them")
		in = &Table{}
	}
	equals := last.at.End + bytes.IndexByte(w.text[last.at.End:], '=')
	return w.find(n.Value(), in.put(last, given, Span{}), w.skip(equals+1, false), depth)
}

// find notes where a value stands and returns the offset behind it. The library gives no
// place for lists and tables, so that where they begin is handed in.
func (w *walk) find(n *unstable.Node, v *Value, begin, depth int) int {
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
				end = w.keyValue(child, w.keys(child.Key()), v.Table, depth+1)
			} else {
				item := &Value{made: given, Table: &Table{}}
				v.Items = append(v.Items, item)
				end = w.find(child, item, end, depth+1)
			}
		}
		end = min(w.skip(end, true)+1, len(w.text)) // the closing bracket
	}
	v.At = Span{begin, end}
	v.Table.At = v.At
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

// fill puts decoded values where they stand.
func (w *walk) fill(t *Table, values map[string]any) {
	for _, e := range t.Entries {
		w.fillValue(e.Value, values[e.Key])
	}
}

func (w *walk) fillValue(v *Value, decoded any) {
	table := v.Table
	v.Table, v.Raw = nil, string(w.text[v.At.Begin:v.At.End])
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
		v.Type, v.Text = Date, v.Raw
	case map[string]any:
		v.Type, v.Table, v.Raw = Group, table, ""
		w.fill(table, d)
	case []map[string]any:
		v.Type, v.Raw = Array, ""
		for i, item := range v.Items[:min(len(v.Items), len(d))] {
			w.fillValue(item, d[i])
		}
	case []any:
		v.Type, v.Raw = Array, ""
		for i, item := range v.Items[:min(len(v.Items), len(d))] {
			w.fillValue(item, d[i])
		}
	}
}
