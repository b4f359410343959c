package fact_test

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"proveout/plans/fact"
	"proveout/plans/quantity"
)

func argument(t *rapid.T, depth int) fact.Arg {
	kinds := 7
	if depth > 0 {
		kinds = 9
	}
	switch rapid.IntRange(0, kinds-1).Draw(t, "kind") {
	case 0:
		return fact.Name(rapid.String().Draw(t, "name"))
	case 1:
		return fact.Count(rapid.Int64().Draw(t, "count"))
	case 2:
		return fact.Amount{Value: rapid.Float64Range(-1e300, 1e300).Draw(t, "value"), Unit: rapid.String().Draw(t, "unit"),
			U: rapid.Float64Range(0, 1e9).Draw(t, "u"), Step: rapid.Float64Range(0, 1).Draw(t, "step"),
			Exact: rapid.Bool().Draw(t, "exact"), Signed: rapid.Bool().Draw(t, "signed")}
	case 3:
		return fact.Phrase(rapid.String().Draw(t, "phrase"))
	case 4:
		return fact.Date(time.Date(rapid.IntRange(1990, 2090).Draw(t, "year"), 2, 28, 0, 0, 0, 0, time.UTC))
	case 5:
		return fact.Moment(time.Unix(rapid.Int64Range(0, 4e9).Draw(t, "s"), 5_000_000).UTC())
	case 6:
		return fact.AsWritten(rapid.String().Draw(t, "as written"))
	case 7:
		l := fact.List{Join: fact.And, Items: []fact.Arg{}}
		for range rapid.IntRange(0, 3).Draw(t, "items") {
			l.Items = append(l.Items, argument(t, depth-1))
		}
		return l
	}
	return said(t, depth-1)
}

func said(t *rapid.T, depth int) fact.Fact {
	f := fact.New(rapid.String().Draw(t, "key"))
	for range rapid.IntRange(0, 3).Draw(t, "args") {
		if f.Args == nil {
			f.Args = fact.Args{}
		}
		f.Args[rapid.String().Draw(t, "place")] = argument(t, depth)
	}
	return f
}

// What is written as JSON is read as the same fact, and written the same again.
func TestJSONBothWays(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := said(t, 3)
		text, err := json.Marshal(f)
		if err != nil {
			t.Fatal(err)
		}
		var back fact.Fact
		if err := json.Unmarshal(text, &back); err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
		same := cmp.Comparer(func(a, b fact.Date) bool { return time.Time(a).Equal(time.Time(b)) })
		moment := cmp.Comparer(func(a, b fact.Moment) bool { return time.Time(a).Equal(time.Time(b)) })
		if diff := cmp.Diff(f, back, same, moment); diff != "" {
			t.Fatal(diff)
		}
		again, err := json.Marshal(back)
		if err != nil || string(again) != string(text) {
			t.Fatalf("%v\n%s\n%s", err, text, again)
		}
	})
}

func TestForms(t *testing.T) {
	limit, err := quantity.Parse("2.50 °C per 10 min", quantity.TemperatureRate)
	if err != nil {
		t.Fatal(err)
	}
	size, err := quantity.Parse("16 MiB", quantity.Bytes)
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		f    fact.Fact
		want string
	}{
		{fact.New("a"), `{"fact":"a"}`},
		{fact.New("a", "n", 3, "chip", "U7"), `{"fact":"a","args":{"chip":"U7","n":3}}`},
		{fact.New("a", "x", fact.In(167.6, "MHz").Within(0.1)), `{"fact":"a","args":{"x":{"amount":167.6,"unit":"MHz","u":0.1}}}`},
		{fact.New("a", "x", fact.In(math.NaN(), "")), `{"fact":"a","args":{"x":{"amount":null}}}`},
		{fact.New("a", "x", size), `{"fact":"a","args":{"x":{"amount":16,"unit":"MiB","exact":true}}}`},
		{fact.New("a", "x", &limit), `{"fact":"a","args":{"x":{"amount":0.25,"unit":"K/min","exact":true}}}`},
		{fact.New("a", "x", []fact.Fact{fact.New("b")}), `{"fact":"a","args":{"x":{"join":"sentences","items":[{"fact":"b"}]}}}`},
	} {
		got, err := json.Marshal(tt.f)
		if err != nil || string(got) != tt.want {
			t.Errorf("%s, %v; want %s", got, err, tt.want)
		}
	}
}

func TestNewPanics(t *testing.T) {
	for what, pairs := range map[string][]any{"no argument": {"a"}, "no name": {1, 2}, "a float": {"a", 1.5}, "nothing": {"a", nil}} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%s: taken", what)
				}
			}()
			fact.New("key", pairs...)
		}()
	}
}

func FuzzJSON(f *testing.F) {
	for _, s := range []string{`{"fact":"a","args":{"n":3}}`, `{"fact":"a","args":{"x":{"amount":null,"unit":"K"}}}`, `{"fact":"a","args":{"l":{"join":"and","items":["b",{"phrase":"p"},{"date":"2026-01-02"},{"at":"2026-01-02T03:04:05Z"}]}}}`} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		var one fact.Fact
		if json.Unmarshal(text, &one) != nil {
			return
		}
		first, err := json.Marshal(one)
		if err != nil {
			return
		}
		var two fact.Fact
		if err := json.Unmarshal(first, &two); err != nil {
			t.Fatalf("%v: %s", err, first)
		}
		if second, err := json.Marshal(two); err != nil || string(first) != string(second) {
			t.Fatalf("%v\n%s\n%s", err, first, second)
		}
	})
}

// The digits of U by JCGM 100:2008, 7.2.6, are two; 0.0996 has them as 0.10.
func TestDigits(t *testing.T) {
	for value, want := range map[float64]float64{4.66: 0.1, 0.0996: 0.01, 0.0994: 0.001, 1234: 100, -0.5: 0.01, 0: 0} {
		if got := fact.In(value, "V").Digits(2).Step; math.Abs(got-want) > 1e-12 {
			t.Errorf("the last of two digits of %g is worth %g, want %g", value, got, want)
		}
	}
}
