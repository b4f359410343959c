package archive

import (
	"bytes"
	"math"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/quantity"
)

// Every field of what scoring is given has its place in the record. A new one
// has to get one, or judging a record again would miss it.
func TestNothingIsLeftOut(t *testing.T) {
	left := map[string]string{ // fields that have no place, and why
		"Evidence.Path": "of this computer", "Evidence.Print": "a store of this computer; the pages hold the photo", "Log.Rows": "made from the file", "Log.Failures": "made from the file; the record's own says how",
		"Capture.Open": "made from the file", "Capture.Recall": "a store of this computer", "Capture.Keep": "a store of this computer",
		"Dump.Bytes": "made from the file", "Reading.Numeric": "the value is there or not",
		"Shop.Numbering": "of the next document", "Shop.Paper": "the document's own", "Shop.Language": "the document's own", "Shop.Logo": "attached", "Shop.TimeStamp": "the signature carries the stamp",
		"Shop.Source": "holds other benches", "Shop.File": "of this computer", "Shop.Benches": "the job's own: Bench",
	}
	for _, pair := range [][2]any{
		{reading.Job{}, Job{}}, {reading.Card{}, Card{}}, {reading.Attempt{}, Attempt{}}, {reading.Reading{}, Reading{}}, {reading.Source{}, Source{}},
		{reading.Evidence{}, Evidence{}}, {reading.Capture{}, Capture{}}, {reading.Dump{}, struct{ Evidence }{}}, {reading.Note{}, Note{}},
		{reading.Log{}, Log{}}, {reading.Column{}, Column{}}, {reading.ControlRun{}, ControlRun{}}, {reading.SignalAnswer{}, SignalAnswer{}},
		{plans.Shop{}, Shop{}}, {plans.Bench{}, Bench{}}, {plans.Slot{}, Slot{}}, {plans.Instrument{}, Instrument{}}, {plans.Technician{}, Technician{}},
		{plans.ReferenceSet{}, ReferenceSet{}}, {plans.ReferenceScore{}, ReferenceScore{}}, {quantity.Quantity{}, Quantity{}},
	} {
		from, to := reflect.TypeOf(pair[0]), reflect.TypeOf(pair[1])
		for i := range from.NumField() {
			f := from.Field(i)
			if _, ok := to.FieldByName(f.Name); !ok && left[from.Name()+"."+f.Name] == "" {
				t.Errorf("%s.%s has no place in the record", from, f.Name)
			}
		}
	}
	in := reflect.TypeOf(reading.Input{})
	if in.NumField() != 7 {
		t.Errorf("scoring is given %d things, and the record keeps 7", in.NumField())
	}
}

func TestDecodeRefuses(t *testing.T) {
	r := &Record{Schema: Schema, Kind: "certificate", Job: Job{Attempts: map[string][]Attempt{}}}
	good, err := r.Encode()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Decode(good); err != nil {
		t.Fatal(err)
	}
	for what, text := range map[string]string{
		"empty": "", "no object": "[]", "no schema": "{}", "newer": `{"schema":3}`, "older than the first": `{"schema":0}`, "text": "certificate",
		"something more": strings.Replace(string(good), `{"answers"`, `{"a":1,"answers"`, 1) + " ",
		"too long":       strings.Repeat(" ", MaxSize+1),
	} {
		if _, err := Decode([]byte(text)); err == nil {
			t.Errorf("%s: read without an error", what)
		}
	}
}

// No text makes the reader of records stop the program, and what it takes it
// writes again as it was.
func FuzzDecode(f *testing.F) {
	r := &Record{Schema: Schema, Kind: "certificate", Job: Job{Attempts: map[string][]Attempt{"a": {{Number: 1}}}}}
	good, err := r.Encode()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(good)
	f.Add([]byte(`{"schema":1}`))
	f.Add([]byte(`{"schema":2}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		r, err := Decode(text)
		if err != nil {
			return
		}
		if again, err := r.Encode(); err != nil || !bytes.Equal(again, text) {
			t.Fatalf("%v\n%s\n%s", err, text, again)
		}
		if _, err := r.Rescore(nil); err == nil && len(r.Outcome.Steps) == 0 {
			t.Log("a record without steps follows from itself")
		}
		r.Document(nil, nil)
	})
}

// Numbers that differ in the last digits are alike; all else is not.
func TestSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.Float64Range(-1e12, 1e12).Draw(t, "x")
		if !same(x, x*(1+1e-13)) || x != 0 && same(x, x*(1+1e-6)+math.Copysign(1e-6, x)) {
			t.Fatal(x)
		}
	})
	a := map[string]any{"a": []any{1.0, "x", nil, true}}
	for _, b := range []any{map[string]any{"a": []any{1.0, "x", nil}}, map[string]any{"a": []any{1.0, "y", nil, true}}, map[string]any{"b": 1.0}, []any{}, nil, "1"} {
		if same(a, b) || same(b, a) {
			t.Errorf("%v is said to be the same as %v", a, b)
		}
	}
	if !same(a, map[string]any{"a": []any{1.0, "x", nil, true}}) {
		t.Error("the same differs")
	}
}
