package document

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/BurntSushi/toml"
)

const sample = `# a comment
id = "x"   # another
"quoted key" = 'literal'
a.b.c = 1
list = [
  "one", # first
  "twö", "three",
]
[table]
text = """
two
lines"""
point = { x = 1, y.z = 2.5 }
	tabbed = true
[[step]]
id = "first"
[step.sub]
when = 2026-03-01
[[step]]
id = "second"
`

// Every key and value stands where an editor would show it.
func TestPlaces(t *testing.T) {
	for _, ending := range []string{"\n", "\r\n"} {
		for _, mark := range []string{"", "\ufeff"} {
			root, faults := Parse([]byte(mark + strings.ReplaceAll(sample, "\n", ending)))
			if len(faults) > 0 {
				t.Fatal(faults)
			}
			got := map[string]string{}
			listPlaces(root, "", got)
			want := map[string]string{
				"id": "2:1+2 2:6+3", "quoted key": "3:1+12 3:16+9", "a.b.c": "4:5+1 4:9+1",
				"list": "5:1+4 5:8+1", "list.1": "7:3+5", "list.2": "7:10+7",
				"table.text": "10:1+4 10:8+3", "table.point": "13:1+5 13:9+20", "table.point.y.z": "13:20+1 13:24+3",
				"table.tabbed": "14:2+6 14:11+4",
				"step.0.id":    "16:1+2 16:6+7", "step.0.sub.when": "18:1+4 18:8+10", "step.1.id": "20:1+2 20:6+8",
			}
			for k, w := range want {
				if got[k] != w {
					t.Errorf("%s stands at %s, want %s", k, got[k], w)
				}
			}
		}
	}
}

func listPlaces(t *Table, path string, got map[string]string) {
	for _, e := range t.Entries {
		k := path + e.Key
		got[k] = fmt.Sprintf("%d:%d+%d %d:%d+%d", e.At.Line, e.At.Column, e.At.Width, e.Value.At.Line, e.Value.At.Column, e.Value.At.Width)
		if e.Value.Table != nil {
			listPlaces(e.Value.Table, k+".", got)
		}
		for i, v := range e.Value.Items {
			if v.Table != nil {
				listPlaces(v.Table, fmt.Sprintf("%s.%d.", k, i), got)
			} else {
				got[fmt.Sprintf("%s.%d", k, i)] = fmt.Sprintf("%d:%d+%d", v.At.Line, v.At.Column, v.At.Width)
			}
		}
	}
}

// Several faults of one text are found in one reading.
func TestFaults(t *testing.T) {
	_, faults := Parse([]byte("a = 166 MHz\nb = \"ok\"\nb = \"again\"\n[x\nc = 1\n[y]\nd = Yes\ne = \"open\nf : 1\n= 2\ng = [1 2]\nh = \"a\\qb\"\n"))
	want := []string{
		`1:5+7 text without quotes: "166 MHz"`,
		`3:1+1 "b" stands twice; first on line 2`,
		`4:3+1 the header is not closed`,
		`7:5+3 "Yes" is not a value`,
		`8:5+5 the text is not closed`,
		`9:3+1 expected "=" after the key, found ":"`,
		`10:1+1 a key is missing before "="`,
		`11:8+1 a comma is missing between the values of a list`,
		`12:7+2 no such escape in a text`,
	}
	for i, f := range faults {
		got := fmt.Sprintf("%d:%d+%d %s", f.At.Line, f.At.Column, f.At.Width, f.What)
		if i >= len(want) || got != want[i] {
			t.Errorf("fault %d: %s", i, got)
		}
	}
	if len(faults) != len(want) {
		t.Errorf("%d faults, want %d", len(faults), len(want))
	}
}

func TestUnreadable(t *testing.T) {
	for text, want := range map[string]string{
		"a = 1\nb = \"\xfc\"": "2:6 not UTF-8 text: byte 0xfc",
		"\xff\xfea\x00":       "1:1 this is UTF-16 text",
		"a = 1\rb = 2":        "1:6 a carriage return without a line feed",
		"\x00\x01":            `1:1 control character '\x00'`,
	} {
		_, faults := Parse([]byte(text))
		if len(faults) != 1 || fmt.Sprintf("%d:%d %s", faults[0].At.Line, faults[0].At.Column, faults[0].What) != want {
			t.Errorf("%q: %v, want %s", text, faults, want)
		}
	}
}

func TestTextAt(t *testing.T) {
	root, _ := Parse([]byte("a = \"3,3 V\"\nb = \"\\u00b5 s\"\n"))
	if at := root.Get("a").Value.TextAt(1, 1); at != (Span{Pos{1, 7}, 1}) {
		t.Errorf("%v", at)
	}
	if at := root.Get("b").Value.TextAt(1, 1); at != root.Get("b").Value.At {
		t.Errorf("%v", at)
	}
}

// What only the decoder refuses is a fault with its place, and the rest is read.
func TestRefusedValues(t *testing.T) {
	root, faults := Parse([]byte("a = 1\nb = 2026-02-30\nc = [1,\n  99999999999999999999,\n]\n[d]\ne = 12:70:00\nf = 2\n"))
	want := []string{
		`2:5+10 b: "2026-02-30" is no date or time`,
		`4:3+20 c: number out of range`,
		`7:5+8 e: "12:70:00" is no date or time`,
	}
	for i, f := range faults {
		got := fmt.Sprintf("%d:%d+%d %s: %s", f.At.Line, f.At.Column, f.At.Width, f.Key, f.What)
		if i >= len(want) || got != want[i] {
			t.Errorf("fault %d: %s", i, got)
		}
	}
	if len(faults) != len(want) || root.Get("a").Value.Int != 1 || root.Get("d").Value.Table.Get("f").Value.Int != 2 ||
		root.Get("b") != nil || root.Get("c") != nil {
		t.Errorf("%d faults, %+v", len(faults), root.Entries)
	}
}

// The places of all keys and values are found in one walk over the text, however
// the text is made: the bytes looked at for them stay below a few times its
// length, and do not grow faster than it.
func TestPlacesCostOneWalk(t *testing.T) {
	for name, make := range map[string]func(n int) string{
		"lines":    func(n int) string { return strings.Repeat("[[a]]\nb = {c = [1, [2, 3]], d.e = \"é\"}\n", n) },
		"one line": func(n int) string { return "a = [" + strings.Repeat(`{b = [[1], ["é"]]}, `, n) + "]" },
		"faults":   func(n int) string { return strings.Repeat("a = 1 2 3 4 5 6 7 8 9 0\n", n) },
		"twice":    func(n int) string { return strings.Repeat("a = [[1], [2]]\n", n) },
		"nested":   func(n int) string { return strings.Repeat("a.b.c.d = [[[[[[[[1]]]]]]]]\n", n) },
		"spread":   func(n int) string { return "a = [\n" + strings.Repeat("[1,\n2],\n", n) + "]\n" },
	} {
		for _, n := range []int{100, 10000} {
			text := []byte(make(n))
			w := newWalk(text)
			w.statements()
			if w.ruler.walked > 8*len(text)+8*maxFaults*len(text)/n {
				t.Errorf("%s, %d bytes: %d bytes walked", name, len(text), w.ruler.walked)
			}
		}
	}
}

// plain is the tree as the decoder gives it.
func plain(v *Value) any {
	switch v.Type {
	case String:
		return v.Text
	case Integer:
		return v.Int
	case Float:
		return v.Float
	case Boolean:
		return v.Bool
	case Date:
		return v.Text
	case Array:
		out := []any{}
		for _, i := range v.Items {
			out = append(out, plain(i))
		}
		return out
	}
	return plainTable(v.Table)
}

func plainTable(t *Table) map[string]any {
	out := map[string]any{}
	for _, e := range t.Entries {
		out[e.Key] = plain(e.Value)
	}
	return out
}

func same(a, b any) bool {
	switch a := a.(type) {
	case map[string]any:
		m, ok := b.(map[string]any)
		if !ok || len(m) != len(a) {
			return false
		}
		for k := range a {
			if !same(a[k], m[k]) {
				return false
			}
		}
		return true
	case []any:
		var items []any
		switch b := b.(type) {
		case []any:
			items = b
		case []map[string]any:
			for _, m := range b {
				items = append(items, m)
			}
		}
		if len(items) != len(a) {
			return false
		}
		for i := range a {
			if !same(a[i], items[i]) {
				return false
			}
		}
		return true
	case float64:
		f, ok := b.(float64)
		return ok && (a == f || math.IsNaN(a) && math.IsNaN(f))
	}
	if _, isDate := b.(time.Time); isDate {
		return true
	}
	return a == b
}

// stricter reports faults that TOML forbids and the decoder lets pass: keys that
// stand twice. The depth is bounded, too.
func stricter(faults []Fault) bool {
	for _, f := range faults {
		if !strings.Contains(f.What, "deeply") && !strings.Contains(f.What, "twice") && !strings.Contains(f.What, "already") {
			return false
		}
	}
	return true
}

// The tree holds what the decoder reads from the same text, and what it takes is
// never refused here.
func FuzzParse(f *testing.F) {
	for _, s := range []string{sample, "a = 0x1F\nb = 1_000\nc = -1.5e-3\nd = inf\ne = 1979-05-27T07:32:00Z\nf = 07:32:00.5",
		"a.b = 1\na.c = 2\n[d.e]\n[d]\n", "x = {a = {b = 1}, c = [1,2,],}\n", "a = '''\nit''s'''''\n", "a = \"\"\"x\\\n   y\"\"\"\"\n",
		"[[a]]\n[[a.b]]\n[a.b.c]\n[[a]]\n", "a = 166 MHz\n", "[a]\n[a]\n", "\"\" = 1\n", "a = \"\\x41\\e\"\n"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		if len(text) > 1<<14 {
			return
		}
		root, faults := Parse(text)
		lines := strings.Count(string(text), "\n") + 1
		for _, x := range faults {
			if x.At.Line < 1 || x.At.Line > lines || x.At.Column < 1 || x.At.Width < 1 || x.What == "" {
				t.Fatalf("%q: %+v", text, x)
			}
		}
		var theirs map[string]any
		_, err := toml.Decode(string(text), &theirs)
		if err == nil && len(faults) > 0 && !stricter(faults) {
			t.Fatalf("%q: refused: %+v", text, faults)
		}
		if err == nil && len(faults) == 0 {
			if ours := plainTable(root); !same(ours, theirs) {
				t.Fatalf("%q:\nours   %#v\ntheirs %#v", text, ours, theirs)
			}
		}
	})
}
