package plans

import (
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"proveout/plans/document"
)

// Every key says what it is for, and the reference text fits a narrow terminal.
func TestReference(t *testing.T) {
	names := []string{"plan", "family", "shop"}
	for _, d := range Kinds() {
		names = append(names, string(d.Kind))
	}
	for _, name := range names {
		for _, table := range Reference(name, nil) {
			if strings.HasPrefix(table.Of, "kind") && table.What == "" {
				t.Errorf("%s %s is not described", table.Table, table.Of)
			}
			for _, k := range table.Keys {
				if k.What == "" || k.Type == "" || strings.HasSuffix(k.What, ".") {
					t.Errorf("key %s of %s %s is not described", k.Key, name, table.Table)
				}
			}
			for _, line := range strings.Split(table.Text(), "\n") {
				if utf8.RuneCountInString(line) > 60 {
					t.Errorf("line %q", line)
				}
			}
		}
	}
	if Reference("nothing", nil) != nil {
		t.Error("keys of nothing")
	}
}

// The kinds stand in the order of the bench, each in its own place.
func TestKinds(t *testing.T) {
	var names []string
	seen := map[int]bool{}
	for _, d := range Kinds() {
		names = append(names, string(d.Kind))
		if d.Position == 0 || seen[d.Position] || d.What == "" || (d.Files == Logs) != (d.Columns != nil) {
			t.Errorf("%+v", d)
		}
		seen[d.Position] = true
	}
	last := -1
	for _, name := range strings.Fields("inspection rails detection memory-size memory-scan clock timing image load soak") {
		at := slices.Index(names, name)
		if at <= last {
			t.Errorf("%s is not where it belongs in %v", name, names)
		}
		last = at
	}
}

// A plan's summary shows every key that the plan gives, unless the key is
// declared to stand elsewhere.
func TestSummaryShowsEveryKey(t *testing.T) {
	p, problems := ParsePlan("p", []byte(everyKey))
	if err := AsError(problems); err != nil {
		t.Fatal(err)
	}
	root := document.NewCollector("", []byte(everyKey)).Parse()
	for i, s := range p.Summarise().Steps {
		given := root.Get("step").Value.Items[i].Table
		shown := 0
		for _, k := range p.Steps[i].allKeys(p) {
			if k.Label != "-" && given.Get(k.Name) != nil && !(k.Name == "rule" && p.Steps[i].Rule == p.Rule) {
				shown++
			}
		}
		if len(s.Facts) < shown {
			t.Errorf("step %s: %d keys and %v", s.ID, shown, s.Facts)
		}
	}
}
