package record

import (
	"bytes"
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"proveout/harness/logs"
	"proveout/harness/reading"
	"proveout/plans"
	"proveout/report/content"
	"proveout/report/seal/check"
	"proveout/scoring"
	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
)

// Every field of what scoring is given has its place in the record. A new one
// has to get one, or judging a record again would miss it.
func TestNothingIsLeftOut(t *testing.T) {
	left := map[string]string{ // fields that have no place, and why
		"Evidence.Print": "of this computer; the pages hold the photo",
		"Photo.Image":    "on the pages", "Photo.JPEG": "on the pages",
		"Shop.Numbering": "of the next document", "Shop.Paper": "the document's own", "Shop.Language": "the document's own",
		"Shop.Logo": "attached", "Shop.TimeStamp": "the signature carries the stamp",
		"Shop.Source": "holds other benches", "Record.Sum": "of the record itself", "Shop.File": "of this computer",
	}
	seen := map[reflect.Type]bool{reflect.TypeFor[outcome.Outcome](): true} // judged again, not given
	var look func(of reflect.Type)
	look = func(of reflect.Type) {
		switch of.Kind() {
		case reflect.Pointer, reflect.Slice, reflect.Map:
			look(of.Elem())
			return
		case reflect.Struct:
		default:
			return
		}
		if seen[of] || !strings.HasPrefix(of.PkgPath(), "proveout/") {
			return
		}
		seen[of] = true
		for f := range of.NumField() {
			f := of.Field(f)
			name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
			if f.IsExported() && !f.Anonymous && (name == "" || name == "-") && left[of.Name()+"."+f.Name] == "" {
				t.Errorf("%s.%s has no place in the record", of, f.Name)
			}
			look(f.Type)
		}
	}
	look(reflect.TypeFor[content.Record]())
	for _, of := range []reflect.Type{reflect.TypeFor[reading.Log](), reflect.TypeFor[reading.SignalAnswer](), reflect.TypeFor[plans.Instrument]()} {
		if !seen[of] {
			t.Errorf("%s was not looked at", of)
		}
	}
	if in := reflect.TypeFor[reading.Input](); in.NumField() != 8 {
		t.Errorf("scoring is given %d things: the record keeps 7, and the files stand beside it", in.NumField())
	}
}

// blank is a record that says as little as one can.
func blank() *content.Record {
	job := &reading.Job{Attempts: map[string][]reading.Attempt{}}
	return &content.Record{Schema: Schema, Kind: content.Certificate, Shop: &plans.Shop{}, Job: job, Outcome: &outcome.Outcome{}}
}

func TestDecodeRefuses(t *testing.T) {
	good, err := check.Canonical(blank())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Decode(good); err != nil {
		t.Fatal(err)
	}
	for what, text := range map[string]string{
		"empty": "", "no object": "[]", "no schema": "{}", "older than the first": `{"schema":0}`, "text": "certificate",
		"newer":          fmt.Sprintf(`{"schema":%d}`, Schema+1),
		"no job":         strings.Replace(string(good), `"job":{`, `"job":null,"jab":{`, 1),
		"a kind of none": strings.Replace(string(good), `"certificate"`, `"diploma"`, 1),
		"something more": strings.Replace(string(good), `{"answers"`, `{"a":1,"answers"`, 1) + " ",
		"too long":       strings.Repeat(" ", check.MaxRecord+1),
	} {
		if _, err := Decode([]byte(text)); err == nil {
			t.Errorf("%s: read without an error", what)
		}
	}
}

// oldText is a record of schema 1 or 2 that says as little as one can, with what
// it called otherwise.
func oldText(schema int) string {
	return fmt.Sprintf(`{"authorised_by":"","built":"","family":"","issued_at":"2025-03-01T10:00:00Z",`+
		`"job":{"attempts":{"load":null,"soak":[{"logs":[{"failures":{"base":16,"pool":"frame"},"name":"list.txt","part":1,`+
		`"pool":"frame","role":"log","run":1,"sha256":"%[2]s","size":9}],"number":1,`+
		`"readings":[{"after_s":60,"name":"temperature","seq":2,"text":"41.5","unit":"°C","value":41.5},`+
		`{"name":"frozen","seq":3,"text":"no","word":"no"}]}]}},"kind":"certificate","language":"","number":"",`+
		`"outcome":{"accepted":false,"reason":"","steps":[{"checks":[{"budget":[{"distribution":"rectangular",`+
		`"half_width":1.5,"name":"probe","standard":0.87}],"limits":{"high":60,"low":null,"text":"at most 60 °C"},`+
		`"name":"peak","value":41.5,"verdict":"pass"}],"figures":[{"x":{"log":true,"name":"Time"}}],"id":"soak",`+
		`"verdict":"pass"}],"verdict":"pass"},"paper":"","plan":"","schema":%[1]d,`+
		`"shop":{"bench":{"id":"left","instruments":[{"id":"probe","measures":["temperature"]}]}},`+
		`"signer":{"fingerprint":"%[3]s","name":"Reedmere Bench"},"technician":"","tool":""}`,
		schema, strings.Repeat("cd", 32), strings.Repeat("ab", 32))
}

// What schemas 1 and 2 called otherwise is found where it is now.
func TestOlderRecords(t *testing.T) {
	for schema := 1; schema <= 2; schema++ {
		text := oldText(schema)
		r, err := Decode([]byte(text))
		if err != nil {
			t.Fatal(err)
		}
		a := r.Job.Attempts["soak"][0]
		number, word, log := a.Readings[0], a.Readings[1], a.Logs[0]
		if number.Number() != 41.5 || number.After == nil || *number.After != 60 || word.Value != nil || word.Word != "no" {
			t.Errorf("%+v, %+v", number, word)
		}
		if log.SHA256 != strings.Repeat("cd", 32) || log.Size != 9 || log.Failures.Base != 16 || log.Failures.Pool != "frame" {
			t.Errorf("%+v", log)
		}
		c := r.Outcome.Steps[0].Checks[0]
		line := c.Budget[0]
		if line.Value != 1.5 || line.Standard != 0.87 || line.Distribution != conformity.Rectangular || line.Name.IsZero() {
			t.Errorf("%+v", line)
		}
		if *c.Value != 41.5 || c.Limits.Low != nil || *c.Limits.High != 60 || c.Limits.Text.IsZero() {
			t.Errorf("%+v, %+v", c, c.Limits)
		}
		bench, ok := r.Shop.Bench("left")
		if !ok || len(bench.Instruments) != 1 || r.Kind != content.Certificate || r.Seal.Fingerprint.Hex() != strings.Repeat("ab", 32) {
			t.Errorf("%+v, %+v", bench, r)
		}
		if named := r.Sum != ""; named != (schema == 2) {
			t.Errorf("schema %d: the pages name %q", schema, r.Sum)
		}
		for _, more := range [][2]string{ // what such a record did not hold
			{`"word":"no"`, `"word":"no","worse":"yes"`},
			{`"word":"no"`, `"Word":"yes","word":"no"`},
			{`"reason":""`, `"reason":{"fact":"outcome.accepted"}`},
			{`"half_width":1.5`, `"half_width":1.5,"share":0.5,"value":3`},
			{`"bench":{`, `"benches":[],"bench":{`},
			{`"schema":`, `"schema" :`},
		} {
			if _, err := Decode([]byte(strings.Replace(text, more[0], more[1], 1))); err == nil {
				t.Errorf("schema %d: %s was read", schema, more[1])
			}
		}
	}
}

// No text makes the reader of records stop the program, and what it takes it
// writes again as it was.
func FuzzDecode(f *testing.F) {
	r := blank()
	r.Job.Attempts["a"] = []reading.Attempt{{Number: 1}}
	good, err := check.Canonical(r)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(good)
	f.Add([]byte(oldText(2)))
	f.Add([]byte(`{"schema":3,"job":null}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		r, err := Decode(text)
		if err != nil {
			return
		}
		if again, err := check.Canonical(r); err != nil || r.Schema == Schema && !bytes.Equal(again, text) {
			t.Fatalf("%v\n%s\n%s", err, text, again)
		}
		if _, err := judging.Rescore(r, nil, r.Tool); err == nil && len(r.Outcome.Steps) == 0 {
			t.Log("a record without steps follows from itself")
		}
		Document(r, nil, nil)
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
	others := []any{
		map[string]any{"a": []any{1.0, "x", nil}}, map[string]any{"a": []any{1.0, "y", nil, true}},
		map[string]any{"b": 1.0}, []any{}, nil, "1",
	}
	for _, b := range others {
		if same(a, b) || same(b, a) {
			t.Errorf("%v is said to be the same as %v", a, b)
		}
	}
	if !same(a, map[string]any{"a": []any{1.0, "x", nil, true}}) {
		t.Error("the same differs")
	}
}

var judging = Judging{Score: scoring.Rescore, Files: logs.Files}
