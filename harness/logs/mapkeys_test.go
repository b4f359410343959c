package logs

import (
	"reflect"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"proveout/plans/document"
)

// Every field of a log map has its key: what is written by the keys is what is
// read by them.
func TestMapKeys(t *testing.T) {
	want := Map{
		Format: Delimited, Encoding: CodePage850, Delimiter: "\t", Decimal: ",",
		Header: 3, Skip: 1, Comment: "# ", Pattern: `(?P<t>\d+) x`, MaxBad: 2.5,
		Thousands: "'", Every: 0.5,
		Columns: []Column{
			{Header: " t", Quantity: "time", Time: TimeClock},
			{Header: "T", Quantity: "temperature", Unit: "°F", Place: "die"},
		},
		Split: Split{By: SplitMarker, Column: "run", Marker: " begin"},
	}
	for _, of := range []any{want, want.Columns[1], want.Split} {
		for _, f := range reflect.VisibleFields(reflect.TypeOf(of)) {
			if f.Name != "Time" && f.Name != "Found" && // nobody writes what was found out
				reflect.ValueOf(of).FieldByIndex(f.Index).IsZero() {
				t.Errorf("this test says nothing of %T.%s", of, f.Name)
			}
		}
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
