package words

import (
	"slices"
	"strings"
	"testing"

	"github.com/BurntSushi/toml"

	"proveout/plans"
)

// The languages have the same sentences, with the same places, and the files
// are TOML.
func TestLanguagesHaveTheSameSentences(t *testing.T) {
	var first map[string]string
	for _, l := range Languages() {
		if l == "en" {
			continue
		}
		keys := keysOf(t, l)
		text, err := files.ReadFile(l + ".toml")
		if err != nil {
			t.Fatal(err)
		}
		var whole struct {
			Sentences map[string]string `toml:"sentences"`
		}
		if _, err := toml.Decode(string(text), &whole); err != nil {
			t.Errorf("%s.toml: %v", l, err)
		}
		if len(whole.Sentences) != len(keys) || len(keys) < 1000 {
			t.Errorf("%s.toml: %d sentences by lines, %d as TOML", l, len(keys), len(whole.Sentences))
		}
		for k, v := range keys {
			if whole.Sentences[k] != v {
				t.Errorf("%s.toml: %q is read as %q by lines and %q as TOML", l, k, v, whole.Sentences[k])
			}
			in, out := placeName.FindAllString(k, -1), placeName.FindAllString(v, -1)
			slices.Sort(in)
			slices.Sort(out)
			if !slices.Equal(in, out) || len(slices.Compact(slices.Clone(in))) != len(in) {
				t.Errorf("%s.toml: %q has the places %v, its translation %v", l, k, in, out)
			}
			if strings.TrimSpace(v) != v || v == "" {
				t.Errorf("%s.toml: %q has the translation %q", l, k, v)
			}
		}
		if first == nil {
			first = keys
		}
		for k := range first {
			if _, ok := keys[k]; !ok {
				t.Errorf("%s.toml: no sentence %q", l, k)
			}
		}
		if len(first) != len(keys) {
			t.Errorf("%s.toml: %d sentences, another language has %d", l, len(keys), len(first))
		}
	}
}

func TestSay(t *testing.T) {
	for _, tt := range []struct{ lang, english, want string }{
		{"en", "Core clock: (166.17 ± 0.15) MHz is inside the limits (164.34 to 167.66 MHz).", "Core clock: (166.17 ± 0.15) MHz is inside the limits (164.34 to 167.66 MHz)."},
		{"de", "Core clock: (166.17 ± 0.15) MHz is inside the limits (164.34 to 167.66 MHz).", "Kerntakt: (166,17 ± 0,15) MHz liegt innerhalb der Grenzen (164,34 bis 167,66 MHz)."},
		{"fr", "Core clock: (166.17 ± 0.15) MHz is inside the limits (164.34 to 167.66 MHz).", "Horloge du cœur : (166,17 ± 0,15) MHz est dans les limites (164,34 à 167,66 MHz)."},
		// Two sentences, each with something added to it.
		{"de", "Core clock: 1 MHz is inside the limits (at most 2 MHz) (mean of 3 readings). The card is not detected.",
			"Kerntakt: 1 MHz liegt innerhalb der Grenzen (höchstens 2 MHz) (Mittel von 3 Ablesungen). Die Karte wird nicht erkannt."},
		// A sentence inside a sentence, in small letters.
		{"de", "No prediction for 40 °C: the ambient temperature of the run is not known.", "Keine Vorhersage für 40 °C: die Umgebungstemperatur des Laufs ist nicht bekannt."},
		{"fr", "run the load again; state the uncertainty of the score", "relancer la charge ; indiquer l’incertitude du score"},
		// The shop's own words stay, even when they are several sentences.
		{"de", "Skipped: no probe at hand. It comes on Monday.", "Übersprungen: no probe at hand. It comes on Monday."},
		{"de", "Our own step", "Our own step"},
		{"de", "Supply rails", "Versorgungsspannungen"},
		{"fr", "2 h 05 min", "2 h 05 min"},
		{"de", "U7 D4 and D5 shorted together", "U7 D4 und D5 miteinander kurzgeschlossen"},
		{"de", "this one is 72156 08364 25111", "this one is 72156 08364 25111"},
		// Numbers that are no quantities keep their point.
		{"de", "soak-1.2.csv: no failing address is listed.", "soak-1.2.csv: keine fehlerhafte Adresse aufgeführt."},
		{"de", "It was signed on 3 March 2026 12:00 +00:00, by the workshop's own clock. Nobody else vouches for the time.",
			"Es wurde am 3. März 2026, 12:00 Uhr (UTC) signiert, nach der Uhr der Werkstatt. Niemand sonst bürgt für die Zeit."},
	} {
		c, err := In(tt.lang)
		if err != nil {
			t.Fatal(err)
		}
		if got := c.Say(tt.english); got != tt.want {
			t.Errorf("%s: %q\ngot  %q\nwant %q", tt.lang, tt.english, got, tt.want)
		}
	}
}

// What stays English is told, and nothing else.
func TestSentenceTellsWhatStays(t *testing.T) {
	de, err := In("de")
	if err != nil {
		t.Fatal(err)
	}
	for english, want := range map[string][]string{
		"The card is not detected. Gremlins were seen. Run the load again.": {"Gremlins were seen."},
		"random.png was not compared: the sun is too bright.":               {"the sun is too bright."},
		"The card is not detected.":                                         nil,
	} {
		text, left := de.Sentence(english)
		if !slices.Equal(left, want) {
			t.Errorf("%q: left %q, want %q", english, left, want)
		}
		for _, l := range left {
			if !strings.Contains(text, l) {
				t.Errorf("%q does not stand in %q", l, text)
			}
		}
	}
}

// Words of the library's plans are known: titles, instructions, checklists, and
// kinds of work.
func TestLibraryIsTranslated(t *testing.T) {
	entries, err := plans.List("", plans.PlanKind)
	if err != nil {
		t.Fatal(err)
	}
	var library []*plans.Plan
	for _, e := range entries {
		p, err := plans.FindPlan("", e.ID)
		if err != nil {
			t.Fatal(err)
		}
		library = append(library, p)
	}
	for _, l := range Languages() {
		c, err := In(l)
		if err != nil {
			t.Fatal(err)
		}
		known := func(where, text string) {
			if text != "" && !c.Known(text) {
				t.Errorf("%s: %s: %q", l, where, text)
			}
		}
		for _, w := range plans.WorkKinds() {
			known("work", w)
		}
		for _, p := range library {
			known(p.ID, p.Title)
			for _, s := range p.Steps {
				known(p.ID, s.Title)
				known(p.ID, s.Instruction)
				for _, item := range plans.SpecOf[plans.Inspection](&s).Checklist {
					known(p.ID, item.Ask)
				}
			}
		}
	}
}

// Whatever is said of a job can be asked for in any language.
func FuzzSentence(f *testing.F) {
	f.Add("Core clock: 1 MHz is inside the limits (at most 2 MHz) (mean of 3 readings). And 2 more.")
	f.Add("a; b: (c, d). E {n} F")
	de, err := In("de")
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, s string) {
		text, left := de.Sentence(s)
		for _, l := range left {
			if !strings.Contains(text, l) {
				t.Errorf("%q: %q is said to stand in %q", s, l, text)
			}
		}
	})
}

// A long report's sentences.
func BenchmarkSentence(b *testing.B) {
	de, err := In("de")
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		de.Say("Core clock: (166.17 ± 0.15) MHz is inside the limits (164.34 to 167.66 MHz) (mean of 3 readings). Run 1: 18226 frames in 302.2 s: 60.31 frames per second; half of the frames took longer than 16.58 ms.")
	}
}

// Reading a language's sentences, once for each run of the program.
func BenchmarkRead(b *testing.B) {
	de, err := In("de")
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		c := &Catalogue{Language: "de", texts: de.texts, fallback: de.fallback}
		c.part = de.part
		if c.sentences() == nil {
			b.Fatal("none")
		}
	}
}
