package document

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/BurntSushi/toml"
	"github.com/google/go-cmp/cmp"
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
			text := mark + strings.ReplaceAll(sample, "\n", ending)
			c := NewCollector("", []byte(text))
			root := c.Parse()
			if len(c.problems) > 0 {
				t.Fatal(c.problems)
			}
			got := map[string]string{}
			listPlaces(c.source, root, "", got)
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

func listPlaces(src *source, t *Table, path string, got map[string]string) {
	at := func(at Span) string {
		p := src.problem(at)
		return fmt.Sprintf("%d:%d+%d", p.Line, p.Column, p.Width)
	}
	for _, e := range t.Entries {
		k := path + e.Key
		got[k] = at(e.At) + " " + at(e.Value.At)
		if e.Value.Table != nil {
			listPlaces(src, e.Value.Table, k+".", got)
		}
		for i, v := range e.Value.Items {
			if v.Table != nil {
				listPlaces(src, v.Table, fmt.Sprintf("%s.%d.", k, i), got)
			} else {
				got[fmt.Sprintf("%s.%d", k, i)] = at(v.At)
			}
		}
	}
}

// faultsIn lists the faults of a text, each with its place and what it belongs to.
func faultsIn(text string) []string {
	c := NewCollector("", []byte(text))
	c.Parse()
	var out []string
	for _, p := range c.problems {
		out = append(out, fmt.Sprintf("%d:%d+%d %s", p.Line, p.Column, p.Width, p.What))
	}
	return out
}

// Several faults of one text are found in one reading; what only the decoder
// refuses, when nothing else is wrong.
func TestFaults(t *testing.T) {
	several := []string{
		"a = 166 MHz", `b = "ok"`, `b = "again"`, "[x", "c = 1", "c = 1", "[y]", "d = Yes", `e = "open`, "f : 1", "= 2",
		"g = [1 2]", `h = "a\qb"`, "[y]", `d = "a"`, "i = 1", "i.j = 2", "[[y]]", "k = {a = 1, a = 2, b = [[1, 02]]}",
	}
	for text, want := range map[string][]string{
		strings.Join(several, "\n"): {
			`1:5+7 a: text without quotes: "166 MHz"`,
			`3:1+1 b: "b" stands twice; first on line 2`,
			`4:3+1 the header is not closed`,
			`6:1+1 c: "c" stands twice; first on line 5`,
			`8:5+3 d: "Yes" is not a value`,
			`9:5+5 e: the text is not closed`,
			`10:3+1 f: expected "=" after the key, found ":"`,
			`11:1+1 a key is missing before "="`,
			`12:8+1 g: a comma is missing between the values of a list`,
			`13:7+2 h: no such escape in a text`,
			`14:1+3 "y" stands twice; first on line 7`,
			`17:1+1 i: "i" is a value already, on line 16`,
			`18:1+5 y: "y" is a table already, on line 7`,
			`19:29+2 k: a number does not begin with zeros`,
		},
		"a = {b = 1, b = 2}":                       {`1:13+1 b: "b" stands twice; first on line 1`},
		"a = 1\nb = 2026-02-30":                    {`2:5+10 b: "2026-02-30" is no date or time`},
		"c = [1,\n  99999999999999999999,\n]":      {`2:3+20 c: number out of range`},
		"[d]\ne = 12:70:00":                        {`2:5+8 e: "12:70:00" is no date or time`},
		"a = 1\nb = \"\xfc\"":                      {`2:6+1 not UTF-8 text: byte 0xfc`},
		"\xff\xfea\x00":                            {`1:1+1 this is UTF-16 text`},
		"a = 1\rb = 2":                             {`1:6+1 a carriage return without a line feed`},
		"\x00\x01":                                 {`1:1+1 control character '\x00'`},
		"\ufeffa = é":                              {`1:5+1 a: text without quotes: "é"`},
		"a = " + strings.Repeat("[", maxDepth+1):   {`1:29+1 a: nested too deeply`},
		strings.Repeat("a.", maxDepth) + "b = 1":   {`1:49+1 a: nested too deeply`},
		"a = " + strings.Repeat("[", 5000) + "\n[": {`1:29+1 a: nested too deeply`},
	} {
		if d := cmp.Diff(want, faultsIn(text)); d != "" {
			t.Errorf("%.40q: %s", text, d)
		}
	}
}

func TestTextAt(t *testing.T) {
	text := "a = \"é,3 V\"\nb = \"\\u00b5 s\"\n"
	root := NewCollector("", []byte(text)).Parse()
	if at := root.Get("a").Value.TextAt(1, 1); text[at.Begin:at.End] != "," {
		t.Errorf("%v", at)
	}
	if at := root.Get("b").Value.TextAt(1, 1); at != root.Get("b").Value.At {
		t.Errorf("%v", at)
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
func stricter(faults []Problem) bool {
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
		c := NewCollector("", text)
		root, faults := c.Parse(), c.problems
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
