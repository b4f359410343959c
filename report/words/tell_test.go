package words

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/BurntSushi/toml"
	"golang.org/x/text/language"

	"proveout/plans/fact"
)

// catalogue is the English one under the code of a language, with more texts.
func catalogue(t *testing.T, code, more string) *Catalogue {
	t.Helper()
	c, err := read(files, "en")
	if err != nil {
		t.Fatal(err)
	}
	var top map[string]any
	if _, err := toml.Decode(more, &top); err != nil {
		t.Fatal(err)
	}
	if err := c.take("", top); err != nil {
		t.Fatal(err)
	}
	c.Language, c.tag = code, language.MustParse(code)
	return c
}

func TestTell(t *testing.T) {
	english := catalogue(t, "en", `
[load]
ran = "It ran {time}; at least {asked} was asked for."
freezes = { one = "{n} freeze in {runs}.", other = "{n} freezes in {runs}." }
runs = { one = "{n} run", other = "{n} runs" }
two = "{^first} {rest} {missing}"
`)
	polish := catalogue(t, "pl", `
number.mark = ","
[load]
freezes = { one = "{n} zacięcie", few = "{n} zacięcia", many = "{n} zacięć", other = "{n} zacięcia" }
`)
	for _, tt := range []struct {
		in   *Catalogue
		f    fact.Fact
		want string
	}{
		{english, fact.New("load.ran", "time", fact.In(38.25, "min").To(0.1), "asked", fact.In(40, "min").Whole()), "It ran 38.2 min; at least 40 min was asked for."},
		{english, fact.New("load.freezes", "n", 1, "runs", fact.New("load.runs", "n", 3)), "1 freeze in 3 runs."},
		{english, fact.New("load.freezes", "n", 0, "runs", fact.New("load.runs", "n", 1)), "0 freezes in 1 run."},
		{english, fact.New("load.two", "first", "über", "rest", fact.Names(fact.Or, []string{"a", "b", "c"})), "Über a, b or c –"},
		{english, fact.New("load.unknown"), "⟦load.unknown⟧"},
		{english, fact.Fact{}, ""},
		{polish, fact.New("load.freezes", "n", 1), "1 zacięcie"},
		{polish, fact.New("load.freezes", "n", 3), "3 zacięcia"},
		{polish, fact.New("load.freezes", "n", 12), "12 zacięć"},
		{polish, fact.New("load.freezes", "n", 22_000_000_005), "22 000 000 005 zacięć"},
	} {
		if got := strings.ReplaceAll(tt.in.Tell(tt.f), gap, " "); got != tt.want {
			t.Errorf("%v: %q, want %q", tt.f, got, tt.want)
		}
	}
}

func TestAmounts(t *testing.T) {
	english, german := catalogue(t, "en", ""), catalogue(t, "de", `number.mark = ","`)
	for _, tt := range []struct {
		a               fact.Amount
		inEnglish, auch string
	}{
		{fact.In(167.6, "MHz").Within(0.1), "(167.60 ± 0.10) MHz", "(167,60 ± 0,10) MHz"},
		{fact.In(1234, "K").Within(150), "(1230 ± 150) K", "(1230 ± 150) K"},
		{fact.In(1234, "").Within(150), "1230 ± 150", "1230 ± 150"},
		{fact.In(61.5, "°C").To(0.5), "61.5 °C", "61,5 °C"},
		{fact.In(20, "MiB").Whole(), "20 MiB", "20 MiB"},
		{fact.In(0.98, "K/h").Within(1.14).WithSign(), "(+1.0 ± 1.1) K/h", "(+1,0 ± 1,1) K/h"},
		{fact.In(-23.4, "ppm").To(1).WithSign(), "-23 ppm", "-23 ppm"},
		{fact.In(1.0/3, "s"), "0.3333 s", "0,3333 s"},
		{fact.In(-0.001, "V").To(0.1), "0.0 V", "0,0 V"},
		{fact.In(math.NaN(), "V"), "–", "–"},
		{fact.In(math.Inf(1), "V").Within(1), "–", "–"},
	} {
		if got := strings.ReplaceAll(english.Amount(tt.a), gap, " "); got != tt.inEnglish {
			t.Errorf("%+v: %q, want %q", tt.a, got, tt.inEnglish)
		}
		if got := strings.ReplaceAll(german.Amount(tt.a), gap, " "); got != tt.auch {
			t.Errorf("%+v: %q, want %q", tt.a, got, tt.auch)
		}
	}
}

func TestDatesOfFacts(t *testing.T) {
	c := catalogue(t, "en", `day = "{d} at {m}"`)
	at := time.Date(2026, 11, 3, 9, 5, 0, 0, time.UTC)
	if got, want := c.Tell(fact.New("day", "d", fact.Date(at), "m", fact.Moment(at))), "3 November 2026 at 3 November 2026, 09:05 (UTC)"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

// Text that looks like a fact stays as it is; facts become strings, in order.
func TestSpoken(t *testing.T) {
	c := catalogue(t, "en", `said = "“{a}” & {b}"`)
	v := struct {
		Z, A any
		M    []fact.Fact
		S    string
	}{fact.New("said", "a", "x", "b", fact.New("said", "a", `{"fact":"q"}`, "b", 2)), 1.50, []fact.Fact{fact.New("said", "a", "y", "b", 1)}, `{"fact":"s"}`}
	got, err := c.Plain().Spoken(v)
	want := `{"Z":"“x” & “{\"fact\":\"q\"}” & 2","A":1.5,"M":["“y” & 1"],"S":"{\"fact\":\"s\"}"}`
	if err != nil || string(got) != want {
		t.Errorf("%v\n%s\n%s", err, got, want)
	}
}
