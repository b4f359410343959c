package logs

import (
	"reflect"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"proveout/plans/document"
)

// Every key of a log map is declared, and what is read by the declarations is
// what was written.
func TestMapKeys(t *testing.T) {
	declared := map[string]string{}
	for _, table := range MapKeys() {
		for _, k := range table.Keys {
			declared[table.Table] += " " + k.Key
		}
	}
	for table, of := range map[string]any{"": Map{}, "[[column]]": Column{}, "[split]": Split{}} {
		var tags []string
		for _, field := range reflect.VisibleFields(reflect.TypeOf(of)) {
			tags = append(tags, field.Tag.Get("toml"))
		}
		for _, tag := range tags {
			if !strings.Contains(declared[table]+" ", " "+tag+" ") {
				t.Errorf("key %s of %s is not declared", tag, table)
			}
		}
		if n := len(strings.Fields(declared[table])); n != len(tags) {
			t.Errorf("%d keys of %s are declared, %d are read", n, table, len(tags))
		}
	}
	want := Map{
		Format: Delimited, Encoding: CodePage850, Delimiter: "\t", Decimal: ",",
		Header: 3, Skip: 1, Comment: "# ", Pattern: `(?P<t>\d+) x`, MaxBad: 2.5,
		Columns: []Column{
			{Header: " t", Quantity: "time", Time: TimeClock},
			{Header: "T", Quantity: "temperature", Unit: "°F", Place: "die"},
		},
		Split: Split{By: SplitMarker, Column: "run", Marker: " begin"},
	}
	var b strings.Builder
	if err := want.Write(&b); err != nil {
		t.Fatal(err)
	}
	got := usualMap()
	if problems := document.Read("m.toml", []byte(b.String()), "", got.keys(), nil); len(problems) > 0 {
		t.Fatal(document.AsError(problems))
	}
	if d := cmp.Diff(want, *got); d != "" {
		t.Error(d)
	}
}
