package check

import (
	"bytes"
	"encoding/json"
	"errors"
	"math"
	"runtime"
	"strings"
	"testing"

	"github.com/gowebpki/jcs"

	"proveout/plans/fact"
)

// RFC 8785: the test data that its author publishes with the reference
// implementation (cyberphone/json-canonicalization, testdata: arrays, french,
// structures 3.2.3, unicode, values).
var vectors = []struct{ name, in, out string }{
	{"arrays", "[\n  56,\n  {\n    \"d\": true,\n    \"10\": null,\n    \"1\": [ ]\n  }\n]\n",
		`[56,{"1":[],"10":null,"d":true}]`},
	{"french", `{ "peach": "This sorting order", "péché": "is wrong according to French",
		"pêche": "but canonicalization MUST", "sin":   "ignore locale" }`,
		`{"peach":"This sorting order","péché":"is wrong according to French",` +
			`"pêche":"but canonicalization MUST","sin":"ignore locale"}`},
	{"unicode", `{ "Unnormalized Unicode":"A\u030a" }`, "{\"Unnormalized Unicode\":\"A\u030a\"}"},
	{"values", `{ "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
  "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/", "literals": [null, true, false] }`,
		`{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],` +
			`"string":"€$\u000f\nA'B\"\\\\\"/"}`},
	// RFC 8785, 3.2.3: names in the order of their UTF-16 code units
	{"sorting", `{"\u20ac":"Euro Sign","\r":"Carriage Return","\ufb33":"Hebrew Letter Dalet With Dagesh","1":"One",` +
		`"\ud83d\ude00":"Emoji: Grinning Face","\u0080":"Control","\u00f6":"Latin Small Letter O With Diaeresis"}`,
		"{\"\\r\":\"Carriage Return\",\"1\":\"One\",\"\u0080\":\"Control\",\"ö\":\"Latin Small Letter O With Diaeresis\"," +
			"\"€\":\"Euro Sign\",\"\U0001f600\":\"Emoji: Grinning Face\"," +
			"\"\ufb33\":\"Hebrew Letter Dalet With Dagesh\"}"},
}

func TestVectors(t *testing.T) {
	for _, v := range vectors {
		got, err := canonicalJSON([]byte(v.in))
		if err != nil || string(got) != v.out {
			t.Errorf("%s: %s, %v; want %s", v.name, got, err, v.out)
		}
		if err := inForm([]byte(v.out)); err != nil {
			t.Errorf("%s: the canonical form is refused: %v", v.name, err)
		}
		if v.in != v.out && inForm([]byte(v.in)) == nil {
			t.Errorf("%s: the other form is taken for canonical", v.name)
		}
	}
}

// RFC 8785, appendix B; the rows 0, 1e+21, 9.999999999999997e-7 and
// 9007199254740994 were seen in the reference test data, the others are from
// memory and agree with it when worked out again.
func TestNumbers(t *testing.T) {
	for _, tt := range []struct {
		bits uint64
		want string
	}{
		{0x0000000000000000, "0"},
		{0x8000000000000000, "0"},
		{0x0000000000000001, "5e-324"},
		{0x8000000000000001, "-5e-324"},
		{0xffefffffffffffff, "-1.7976931348623157e+308"},
		{0x4340000000000000, "9007199254740992"},
		{0x4340000000000001, "9007199254740994"},
		{0x4430000000000000, "295147905179352830000"},
		{0x44b52d02c7e14af5, "9.999999999999997e+22"},
		{0x44b52d02c7e14af7, "1.0000000000000001e+23"},
		{0x444b1ae4d6e2ef4e, "999999999999999700000"},
		{0x444b1ae4d6e2ef50, "1e+21"},
		{0x3eb0c6f7a0b5ed8c, "9.999999999999997e-7"},
		{0x41b3de4355555553, "333333333.3333332"},
		{0x41b3de4355555554, "333333333.33333325"},
		{0x41b3de4355555556, "333333333.3333334"},
		{0x41b3de4355555557, "333333333.33333343"},
		{0x43143ff3c1cb0959, "1424953923781206.2"},
	} {
		f := math.Float64frombits(tt.bits)
		if got, err := jcs.NumberToJSON(f); err != nil || got != tt.want {
			t.Errorf("%#x is %s, %v; want %s", tt.bits, got, err, tt.want)
		}
		err := inForm([]byte(tt.want))
		if whole := math.Abs(f) > (1<<53-1) && math.Abs(f) < 1e21; whole != (err != nil) {
			t.Errorf("%s: %v", tt.want, err)
		}
	}
}

// RFC 7493, 2.2: integers between -(2^53)+1 and (2^53)-1 are kept by all readers.
func TestLargeIntegers(t *testing.T) {
	for in, ok := range map[string]bool{
		"9007199254740991": true, "-9007199254740991": true, "9007199254740992": false, "9007199254740993": false,
		"-9007199254740993": false, "18446744073709551615": false, "1e20": false, "9007199254740993.0": false,
		`"9007199254740993"`: true, "1.5e300": true,
	} {
		_, err := canonicalJSON([]byte(`{"seed":` + in + `}`))
		if (err == nil) != ok {
			t.Errorf("%s: %v", in, err)
		}
	}
	if _, err := Canonical(struct {
		Seed uint64 `json:",string"`
	}{1 << 63}); err != nil {
		t.Error(err)
	}
}

func TestRefused(t *testing.T) {
	for _, in := range []string{
		``, ` `, `{`, `[1,]`, `{"a":1,"a":2}`, `{"a" 1}`, `{a:1}`, `01`, `1e400`, `"\ud800"`, "\"\xff\"", `nul`,
		`[1] 2`, `-`, `+1`, `.5`, `"a`, "\"\x01\"", `'a'`,
	} {
		if out, err := canonicalJSON([]byte(in)); err == nil {
			t.Errorf("%q became %q", in, out)
		}
		if inForm([]byte(in)) == nil {
			t.Errorf("%q is taken for canonical", in)
		}
	}
	for _, in := range []string{
		`{"b":1,"a":2}`, `1.0`, `1E3`, `-0`, `"\u0041"`, `"\/"`, `[1, 2]`, "[]\n", `1e3`, `"\u001F"`, `"\u000a"`,
	} {
		if inForm([]byte(in)) == nil {
			t.Errorf("%q is taken for canonical", in)
		}
	}
}

// A record made to take long is refused, or read with memory that grows as its
// length does: eight times the length takes nowhere near 64 times as much.
func TestHostileRecords(t *testing.T) {
	names := func(n int) string {
		many := make([]string, n)
		for i := range many {
			many[i] = `"k` + strings.Repeat("k", i%7) + string(rune(0x4e00+i%20000)) + `":0`
		}
		return "{" + strings.Join(many, ",") + "}"
	}
	for name, in := range map[string]func(n int) string{
		"nested":  func(n int) string { return strings.Repeat("[", n*20) },
		"objects": func(n int) string { return strings.Repeat(`{"a":`, n*5) },
		"digits":  func(n int) string { return strings.Repeat("9", n*40) },
		"lists":   func(n int) string { return "[" + strings.Repeat("[],", n*10) + "0] " },
		"string":  func(n int) string { return `"` + strings.Repeat("é", n*20) + `"` },
		"names":   names,
	} {
		taken := func(n int) uint64 {
			text := []byte(in(n))
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			err := inForm(text)
			runtime.ReadMemStats(&after)
			if err == nil && name != "string" {
				t.Errorf("%s: taken", name)
			}
			return after.TotalAlloc - before.TotalAlloc
		}
		short, long := taken(5_000), taken(40_000)
		t.Logf("%-8s %9d bytes, and %9d for eight times the length", name, short, long)
		if long > 16*short+1<<20 {
			t.Errorf("%s: %d bytes, and %d for eight times the length", name, short, long)
		}
	}
	err := inForm([]byte(`"` + strings.Repeat("x", MaxRecord) + `"`))
	if !errors.Is(err, fact.New("check.record-too-long").Err()) {
		t.Errorf("a record beyond the longest: %v", err)
	}
}

func FuzzCanonicalJSON(f *testing.F) {
	for _, v := range vectors {
		f.Add([]byte(v.in))
		f.Add([]byte(v.out))
	}
	f.Add([]byte(`{"a":[-0.0,1e-7,123456789012345680000]}`))
	f.Fuzz(func(t *testing.T, raw []byte) {
		out, err := canonicalJSON(raw)
		if err != nil {
			if inForm(raw) == nil {
				t.Fatalf("%q is canonical but is refused: %v", raw, err)
			}
			return
		}
		if err := inForm(out); err != nil {
			t.Fatalf("%q became %q: %v", raw, out, err)
		}
		again, err := canonicalJSON(out)
		if err != nil || !bytes.Equal(again, out) {
			t.Fatalf("%q became %q, then %q, %v", raw, out, again, err)
		}
		if (inForm(raw) == nil) != bytes.Equal(raw, out) {
			t.Fatalf("%q, canonical %q: the two ways disagree", raw, out)
		}
		var a, b any
		if json.Unmarshal(raw, &a) != nil || json.Unmarshal(out, &b) != nil {
			t.Fatalf("%q or %q is not JSON", raw, out)
		}
	})
}
