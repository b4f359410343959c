package document

import (
	"bytes"
	"errors"
	"sort"
	"strconv"
	"time"
	"unicode/utf8"

	"github.com/BurntSushi/toml"
	"github.com/pelletier/go-toml/v2/unstable"
)

// Bounds that keep the work on a hostile file small.
const (
	maxDepth  = 24
	maxFaults = 50
)

// Parse reads a text. The table holds what could be understood even when there
// are faults: Parse goes on after a fault with the next line, so that several
// are found at once. Faults that only follow from another may be missing.
//
// The structure and the places come from a walk over the statements of the
// text, the values from [toml.Decode], so that a file which is accepted here is
// TOML everywhere.
func Parse(text []byte) (*Table, []Fault) {
	text = bytes.TrimPrefix(text, []byte("\ufeff")) // a byte order mark before UTF-8 is harmless
	root := &Table{At: Span{Pos{1, 1}, 1}}
	if f, bad := unreadable(string(text)); bad {
		return root, []Fault{f}
	}
	w := newWalk(text, root)
	w.statements()
	w.values()
	return w.root, w.faults
}

func newWalk(text []byte, root *Table) *walk {
	text = append(bytes.Clone(text), '\n') // the last line has an end like the others
	return &walk{text: text, sound: bytes.Clone(text), root: root, current: root, places: places{text: text, line: 1}}
}

// A walk goes over the statements of a text: headers, and keys with values.
type walk struct {
	text    []byte
	sound   []byte // the text with blanks in place of the statements that are at fault
	base    int    // offset of the text that the library reads at present
	places  places
	root    *Table
	current *Table // that of the last header; nil after a broken one: what follows belongs to nobody
	begins  []int  // offsets of the statements that could be read
	faults  []Fault
	wrong   bool // the present statement is at fault
}

func (w *walk) fault(f Fault) {
	w.wrong = true
	if len(w.faults) < maxFaults {
		w.faults = append(w.faults, f)
	}
}

// statements reads the whole text. The library stops at the first fault; the
// walk then hands it the rest, from the next line on.
func (w *walk) statements() {
	for end := 0; end < len(w.text) && len(w.faults) < maxFaults; {
		var p unstable.Parser
		w.base = end
		p.Reset(w.text[end:])
		for p.NextExpression() {
			begin := w.skipLines(end)
			end = w.statement(p.Expression(), begin)
		}
		var broken *unstable.ParserError
		if !errors.As(p.Error(), &broken) {
			return
		}
		begin := w.skipLines(end)
		at := max(begin, w.base+int(p.Range(broken.Highlight).Offset))
		var f Fault
		f, end = w.explain(begin, at)
		w.fault(f)
		if w.text[begin] == '[' {
			w.current = nil
		}
		w.blank(begin, end)
	}
}

// statement takes one statement in and returns the offset of the next line.
func (w *walk) statement(n *unstable.Node, begin int) int {
	w.wrong = false
	w.begins = append(w.begins, begin)
	end := 0
	if n.Kind == unstable.KeyValue {
		end = w.base + int(n.Raw.Offset+n.Raw.Length)
		if w.current == nil {
			w.wrong = true
		} else {
			w.keyValue(n, w.current, 0)
		}
	} else {
		path := w.keys(n.Key())
		end = path[len(path)-1].end
		w.header(path, begin, n.Kind == unstable.ArrayTable)
	}
	end = w.lineEnd(end)
	if w.wrong {
		w.blank(begin, end)
	}
	return end
}

// blank takes a statement out of the text that values are read from.
func (w *walk) blank(from, to int) {
	for i := from; i < to; i++ {
		if w.sound[i] != '\n' {
			w.sound[i] = ' '
		}
	}
}

// lineEnd returns the offset of the next line.
func (w *walk) lineEnd(at int) int {
	if i := bytes.IndexByte(w.text[at:], '\n'); i >= 0 {
		return at + i + 1
	}
	return len(w.text)
}

// skipLines skips blanks, comments and line breaks.
func (w *walk) skipLines(at int) int {
	for at < len(w.text) {
		switch w.text[at] {
		case ' ', '\t', '\r', '\n':
			at++
		case '#':
			at = w.lineEnd(at)
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
	end  int // offset behind it
}

func (w *walk) keys(parts unstable.Iterator) []part {
	var path []part
	for parts.Next() {
		n := parts.Node()
		begin := w.base + int(n.Raw.Offset)
		end := begin + int(n.Raw.Length)
		path = append(path, part{string(n.Data), w.places.span(begin, end), end})
	}
	return path
}

// header opens the table of [a.b] or [[a.b]].
func (w *walk) header(path []part, begin int, list bool) {
	last := path[len(path)-1]
	end := last.end + bytes.IndexByte(w.text[last.end:], ']') + 1
	if list {
		end++
	}
	at := w.places.span(begin, end)
	w.current = nil
	if len(path) > maxDepth {
		w.fault(Fault{At: at, What: "nested too deeply"})
		return
	}
	t := w.root
	for _, k := range path[:len(path)-1] {
		if t = w.descend(t, k); t == nil {
			return
		}
	}
	if list {
		w.current = w.appendTable(t, last, at)
	} else {
		w.current = w.openTable(t, last, at)
	}
}

// already complains of a key that is something else by now.
func (w *walk) already(at Span, name string, e *Entry) {
	w.fault(Fault{At: at, Key: name,
		What: Quoted(name) + " is " + e.Value.Type.String() + " already, on line " + strconv.Itoa(e.At.Line)})
}

// descend finds or makes the table that a header goes through.
func (w *walk) descend(t *Table, k part) *Table {
	e := t.Get(k.name)
	switch {
	case e == nil:
		return t.addTable(k, k.at)
	case e.Value.Type == Group && !e.Value.Table.closed:
		return e.Value.Table
	case e.Value.Type == Array && e.Value.tables:
		return e.Value.Items[len(e.Value.Items)-1].Table
	}
	w.already(k.at, k.name, e)
	return nil
}

func (t *Table) addTable(k part, at Span) *Table {
	inner := &Table{At: at}
	t.add(&Entry{Key: k.name, At: k.at, Value: &Value{Type: Group, At: at, Table: inner}})
	return inner
}

func (w *walk) openTable(t *Table, k part, at Span) *Table {
	e := t.Get(k.name)
	if e == nil {
		inner := t.addTable(k, at)
		inner.defined = true
		return inner
	}
	if inner := e.Value.Table; inner != nil && !inner.defined && !inner.closed {
		inner.defined, inner.At = true, at
		return inner
	}
	fix := "merge the two, or give one another name"
	if e.Value.Type == Array {
		fix = "write [[" + k.name + "]] for one more of them"
	}
	w.fault(Fault{At: at, What: Quoted(k.name) + " stands twice; first on line " + strconv.Itoa(e.At.Line), Fix: fix})
	return nil
}

func (w *walk) appendTable(t *Table, k part, at Span) *Table {
	inner := &Table{At: at, defined: true}
	item := &Value{Type: Group, At: at, Table: inner}
	e := t.Get(k.name)
	switch {
	case e == nil:
		t.add(&Entry{Key: k.name, At: k.at, Value: &Value{Type: Array, At: at, Items: []*Value{item}, tables: true}})
	case e.Value.tables:
		e.Value.Items = append(e.Value.Items, item)
	default:
		w.already(at, k.name, e)
		return nil
	}
	return inner
}

// keyValue puts key = value into a table and returns the offset behind it.
func (w *walk) keyValue(n *unstable.Node, into *Table, depth int) int {
	path := w.keys(n.Key())
	last := path[len(path)-1]
	if len(path) > maxDepth {
		w.fault(Fault{At: path[maxDepth].at, Key: last.name, What: "nested too deeply"})
		return last.end
	}
	for _, k := range path[:len(path)-1] {
		e := into.Get(k.name)
		switch {
		case e == nil:
			into = into.addTable(k, k.at)
			into.defined = true
		case e.Value.Type != Group || e.Value.Table.closed:
			w.already(k.at, k.name, e)
			return last.end
		default:
			into = e.Value.Table
		}
	}
	old := into.Get(last.name)
	if old != nil {
		w.fault(Fault{At: last.at, Key: last.name, Fix: "remove one of them",
			What: Quoted(last.name) + " stands twice; first on line " + strconv.Itoa(old.At.Line)})
		return last.end
	}
	equals := last.end + bytes.IndexByte(w.text[last.end:], '=')
	value, end := w.value(n.Value(), w.skipLines(equals+1), depth)
	into.add(&Entry{Key: last.name, At: last.at, Value: value})
	return end
}

// value takes a value in and returns the offset behind it. The library gives no
// place for lists and tables, so that where they begin is handed in.
func (w *walk) value(n *unstable.Node, begin, depth int) (*Value, int) {
	v := &Value{}
	end := begin + int(n.Raw.Length)
	v.At.Pos = w.places.pos(begin)
	switch n.Kind {
	case unstable.Array, unstable.InlineTable:
		if depth == maxDepth {
			w.fault(Fault{At: Span{v.At.Pos, 1}, What: "nested too deeply"})
			return v, end
		}
		end = w.items(n, v, begin+1, depth+1)
	case unstable.String:
		v.Type = String
	case unstable.Integer:
		v.Type = Integer
	case unstable.Float:
		v.Type = Float
	case unstable.Bool:
		v.Type = Boolean
	default:
		v.Type = Date
	}
	v.At.Width, v.Begin, v.End = width(w.text[begin:end]), begin, end
	if v.Table != nil {
		v.Table.At = v.At
	}
	if v.Type != Array && v.Type != Group {
		v.Raw = string(w.text[begin:end])
	}
	return v, end
}

// items takes in what a list or an inline table holds, from behind its opening
// bracket, and returns the offset behind the closing one.
func (w *walk) items(n *unstable.Node, v *Value, at, depth int) int {
	v.Type, v.Items = Array, []*Value{}
	if n.Kind == unstable.InlineTable {
		v.Type, v.Items, v.Table = Group, nil, &Table{}
	}
	for children := n.Children(); children.Next() && !w.wrong; {
		at = w.skipComma(at)
		if v.Type == Group {
			at = w.keyValue(children.Node(), v.Table, depth)
			continue
		}
		var item *Value
		item, at = w.value(children.Node(), at, depth)
		v.Items = append(v.Items, item)
	}
	if v.Table != nil {
		v.Table.close()
	}
	return min(w.skipComma(at)+1, len(w.text))
}

func (w *walk) skipComma(at int) int {
	at = w.skipLines(at)
	if at < len(w.text) && w.text[at] == ',' {
		at = w.skipLines(at + 1)
	}
	return at
}

// close forbids anything to be added to an inline table.
func (t *Table) close() {
	t.closed = true
	for _, e := range t.Entries {
		if e.Value.Type == Group && !e.Value.Table.closed {
			e.Value.Table.close()
		}
	}
}

// values decodes what the walk found sound and puts the values into the tree.
// What only the decoder refuses, such as a 30th of February, is taken out, and
// the rest is decoded again, a few times at the most.
func (w *walk) values() {
	var values map[string]any
	for range 10 {
		values = nil
		_, err := toml.Decode(string(w.sound), &values)
		if err == nil {
			break
		}
		var refused toml.ParseError
		if !errors.As(err, &refused) {
			refused.Message = err.Error()
		}
		w.fault(w.refusal(refused))
		next := sort.SearchInts(w.begins, refused.Position.Start+1)
		begins := append(append([]int{0}, w.begins...), len(w.text))
		w.blank(begins[next], begins[next+1])
	}
	w.root.fill(values)
}

// fill puts the decoded values into a table and drops what has none.
func (t *Table) fill(values map[string]any) {
	kept := t.Entries[:0]
	for _, e := range t.Entries {
		if decoded, ok := values[e.Key]; ok && e.Value.fill(decoded) {
			kept = append(kept, e)
		} else {
			delete(t.byKey, e.Key)
		}
	}
	t.Entries = kept
}

// fill reports whether the decoded value is of the type that the walk found.
func (v *Value) fill(decoded any) bool {
	switch d := decoded.(type) {
	case string:
		v.Text = d
		return v.Type == String
	case int64:
		v.Int, v.Float = d, float64(d)
		return v.Type == Integer
	case float64:
		v.Float = d
		return v.Type == Float
	case bool:
		v.Bool = d
		return v.Type == Boolean
	case time.Time:
		v.Time, v.Text = d, v.Raw
		return v.Type == Date
	case map[string]any:
		if v.Type == Group {
			v.Table.fill(d)
		}
		return v.Type == Group
	case []map[string]any:
		return fillItems(v, d)
	case []any:
		return fillItems(v, d)
	}
	return false
}

func fillItems[T any](v *Value, decoded []T) bool {
	if v.Type != Array || len(v.Items) != len(decoded) {
		return false
	}
	for i, item := range v.Items {
		if !item.fill(decoded[i]) {
			return false
		}
	}
	return true
}

// places turns offsets into lines and columns. It is asked for one offset after
// the other, mostly from the front to the back, and goes on from the last one,
// so that a line of a million characters costs no more than many short ones.
type places struct {
	text   []byte
	at     int // offset of what is known
	line   int // its line
	start  int // offset where that line begins
	column int // characters of the line before it
	walked int // bytes looked at, which tests hold against the length of the text
}

func (p *places) pos(offset int) Pos {
	for offset < p.start { // back to the beginning of an earlier line
		p.line--
		p.start = bytes.LastIndexByte(p.text[:p.start-1], '\n') + 1
		p.at, p.column = p.start, 0
		p.walked += p.start
	}
	if offset < p.at {
		p.at, p.column = p.start, 0
	}
	p.walked += offset - p.at
	for {
		i := bytes.IndexByte(p.text[p.at:offset], '\n')
		if i < 0 {
			break
		}
		p.at += i + 1
		p.line, p.start, p.column = p.line+1, p.at, 0
	}
	p.column += utf8.RuneCount(p.text[p.at:offset])
	p.at = offset
	return Pos{p.line, p.column + 1}
}

// span is the piece between two offsets.
func (p *places) span(from, to int) Span { return Span{p.pos(from), width(p.text[from:to])} }

// width counts the characters of a piece up to the end of its first line.
func width(piece []byte) int {
	if i := bytes.IndexByte(piece, '\n'); i >= 0 {
		piece = bytes.TrimSuffix(piece[:i], []byte("\r"))
	}
	return max(1, utf8.RuneCount(piece))
}
