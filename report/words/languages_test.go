package words

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"golang.org/x/text/feature/plural"
	"golang.org/x/text/language"

	"proveout/plans/fact"
)

// lacks says what is missing in a language's file: texts that English has,
// plural forms that the language has, and places; and what is too much.
func lacks(c, english *Catalogue, phrases map[string]string) (missing []string) {
	for _, key := range slices.Sorted(maps.Keys(english.texts)) {
		missing = append(missing, c.lacksText(key, english)...)
	}
	for _, key := range slices.Sorted(maps.Keys(c.texts)) {
		if _, ok := english.texts[key]; !ok {
			missing = append(missing, fmt.Sprintf("%s.toml: %q is not in en.toml", c.Language, key))
		}
	}
	for _, text := range slices.Sorted(maps.Keys(phrases)) {
		missing = append(missing, c.lacksPhrase(text)...)
	}
	return missing
}

func (c *Catalogue) lacksPhrase(text string) []string {
	if c.phrases[text] == "" {
		return []string{fmt.Sprintf("%s.toml: [phrases] lacks %q", c.Language, text)}
	}
	return nil
}

// lacksText says what is wrong with the text of a key beside the English one.
func (c *Catalogue) lacksText(key string, english *Catalogue) (missing []string) {
	say := func(format string, args ...any) {
		missing = append(missing, c.Language+".toml: "+fmt.Sprintf(format, args...))
	}
	text, ok := c.texts[key]
	if !ok {
		say("no text %q", key)
		return missing
	}
	all, counted := c.plurals[key]
	if english.plurals[key] != nil && !counted {
		say("%q has no plural forms", key)
	}
	if counted {
		for _, name := range pluralForms(c.tag) {
			if all[name] == "" {
				say("%q has no form %q", key, name)
			}
		}
	} else {
		all = forms{"": text}
	}
	for _, form := range slices.Sorted(maps.Keys(all)) {
		has, want := placesIn(all[form]), english.placesOf(key)
		// A form for one thing may do without its number.
		if form == "one" || form == "two" || form == "zero" {
			has, want = without(has, "n"), without(want, "n")
		}
		if !slices.Equal(has, want) {
			say("%q, form %q, has the places %q, not %q", key, form, has, want)
		}
	}
	return missing
}

// pluralForms are the forms that whole numbers take in a language, and "other".
func pluralForms(tag language.Tag) []string {
	names := map[string]bool{"other": true}
	for n := range 200 {
		names[formNames[plural.Cardinal.MatchPlural(tag, n, 0, 0, 0, 0)]] = true
	}
	return slices.Sorted(maps.Keys(names))
}

var placeInText = regexp.MustCompile(`\{\^?([^}]*)\}`)

func placesIn(text string) []string {
	places := map[string]bool{}
	for _, m := range placeInText.FindAllStringSubmatch(text, -1) {
		places[m[1]] = true
	}
	return slices.Sorted(maps.Keys(places))
}

// placesOf are the places of a key's text, in all its forms.
func (c *Catalogue) placesOf(key string) []string {
	all := c.texts[key]
	for _, text := range c.plurals[key] {
		all += text
	}
	return placesIn(all)
}

func without(places []string, place string) []string {
	return slices.DeleteFunc(slices.Clone(places), func(p string) bool { return p == place })
}

// catalogues are the English one, and the phrases that other languages have.
func catalogues(t *testing.T) (english *Catalogue, phrases map[string]string) {
	t.Helper()
	english, err := In("en")
	if err != nil {
		t.Fatal(err)
	}
	german, err := In("de")
	if err != nil {
		t.Fatal(err)
	}
	return english, german.phrases
}

// Each language has every text, with all forms and places.
func TestLanguagesAreWhole(t *testing.T) {
	english, phrases := catalogues(t)
	for _, code := range Languages() {
		c, err := In(code)
		if err != nil {
			t.Fatal(err)
		}
		wanted := phrases
		if code == "en" {
			wanted = nil
		}
		for _, what := range lacks(c, english, wanted) {
			t.Error(what)
		}
	}
}

// added is the German file as that of another language.
func added(t *testing.T, code string) *Catalogue {
	t.Helper()
	text, err := files.ReadFile("de.toml")
	if err != nil {
		t.Fatal(err)
	}
	folder := fstest.MapFS{"en.toml": {Data: text}, code + ".toml": {Data: text}}
	if got := languagesIn(folder); !slices.Contains(got, code) {
		t.Fatalf("%s.toml is there, and the languages are %q", code, got)
	}
	c, err := read(folder, code)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// A new language is a file: with all texts it speaks, and each one that it lacks
// is named.
func TestNewLanguage(t *testing.T) {
	english, phrases := catalogues(t)
	c := added(t, "lb")
	for _, what := range lacks(c, english, phrases) {
		t.Error(what)
	}
	said := c.Tell(fact.New("limits.at-most", "high", fact.In(3.5, "V").Whole()))
	if want := "höchstens 3,5\u00a0V"; said != want {
		t.Errorf("%q, want %q", said, want)
	}
	named := func(got []string, what string) {
		t.Helper()
		if len(got) != 1 || !strings.Contains(got[0], what) {
			t.Errorf("without %s: %q", what, got)
		}
	}
	unplaced := func(text, place string) string {
		return strings.NewReplacer("{"+place+"}", "", "{^"+place+"}", "").Replace(text)
	}
	for key, text := range maps.Clone(c.texts) {
		delete(c.texts, key)
		named(c.lacksText(key, english), fmt.Sprintf("no text %q", key))
		c.texts[key] = text
		if c.plurals[key] != nil {
			continue
		}
		for _, place := range placesIn(text) {
			c.texts[key] = unplaced(text, place)
			named(c.lacksText(key, english), fmt.Sprintf("%q, form", key))
		}
		c.texts[key] = text
	}
	for key, all := range c.plurals {
		for form, text := range maps.Clone(all) {
			delete(all, form)
			named(c.lacksText(key, english), fmt.Sprintf("%q has no form %q", key, form))
			for _, place := range placesIn(text) {
				all[form] = unplaced(text, place)
				if place != "n" || form != "one" { // "one" may be a word: "the one file"
					named(c.lacksText(key, english), fmt.Sprintf("%q, form %q", key, form))
				}
			}
			all[form] = text
		}
	}
	for text, said := range maps.Clone(c.phrases) {
		delete(c.phrases, text)
		named(c.lacksPhrase(text), fmt.Sprintf("[phrases] lacks %q", text))
		c.phrases[text] = said
	}
	for _, what := range lacks(c, english, phrases) {
		t.Error(what)
	}
}

// A language with more plural forms is asked for each of them.
func TestPluralFormsOfALanguage(t *testing.T) {
	english, phrases := catalogues(t)
	missing := strings.Join(lacks(added(t, "pl"), english, phrases), "\n")
	for key := range english.plurals {
		for _, form := range []string{"few", "many"} {
			if !strings.Contains(missing, fmt.Sprintf("%q has no form %q", key, form)) {
				t.Errorf("Polish is not asked for the form %q of %q", form, key)
			}
		}
	}
}

// What a file gets wrong is told with its name.
func TestReadRefuses(t *testing.T) {
	for text, want := range map[string]string{
		"a = 3":                "a is a int64",
		"[phrases]\na = true":  `the phrase "a" has no text`,
		"a =":                  "xx.toml",
		"[a]\nother.one = [1]": "a.other.one is a",
	} {
		_, err := read(fstest.MapFS{"de.toml": {Data: []byte(text)}}, "de")
		if err == nil || !strings.Contains(err.Error(), strings.Replace(want, "xx", "de", 1)) {
			t.Errorf("%q: %v", text, err)
		}
	}
	if _, err := read(fstest.MapFS{"no-such-language-code.toml": {}}, "no-such-language-code"); err == nil {
		t.Error("a file is read that is named for no language")
	}
}
