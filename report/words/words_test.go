package words

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
)

func TestLanguagesHaveTheSameTexts(t *testing.T) {
	en, err := In("en")
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range Languages() {
		c, err := In(l)
		if err != nil {
			t.Fatal(err)
		}
		for key := range en.texts {
			has, want := c.placesOf(key), en.placesOf(key)
			if _, ok := c.texts[key]; !ok {
				t.Errorf("%s.toml: no text for %q", l, key)
			} else if !slices.Equal(has, want) {
				t.Errorf("%s.toml: %s: places %q, English has %q", l, key, has, want)
			}
		}
		for key := range c.texts {
			if _, ok := en.texts[key]; !ok {
				t.Errorf("%s.toml: %q is not in en.toml", l, key)
			}
		}
	}
}

// Every key the rooms of the report ask for by name has a text.
func TestEveryKeyUsedHasAText(t *testing.T) {
	en, err := In("")
	if err != nil {
		t.Fatal(err)
	}
	used := regexp.MustCompile(`\.T\("([a-z0-9. ]+)"[,)]`)
	found := 0
	for _, pattern := range []string{"../*.go", "../*/*.go"} {
		names, err := filepath.Glob(pattern)
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range names {
			src, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			if strings.HasSuffix(name, "_test.go") {
				continue
			}
			for _, m := range used.FindAllStringSubmatch(string(src), -1) {
				found++
				if _, ok := en.texts[m[1]]; !ok {
					t.Errorf("%s: no text for %q", name, m[1])
				}
			}
		}
	}
	if found < 50 {
		t.Errorf("only %d keys found in the sources; the pattern no longer fits", found)
	}
}

func TestFormats(t *testing.T) {
	at := time.Date(2026, 11, 3, 14, 5, 0, 0, time.FixedZone("", 3600))
	for _, tt := range []struct{ lang, want string }{
		{"en", "3 November 2026, 14:05 (UTC+01:00)"},
		{"de", "3. November 2026, 14:05 Uhr (UTC+01:00)"},
		{"fr", "3 novembre 2026 à 14:05 (UTC+01:00)"},
	} {
		c, err := In(tt.lang)
		if err != nil {
			t.Fatal(err)
		}
		if got := c.Time(at); got != tt.want {
			t.Errorf("%s: %q, want %q", tt.lang, got, tt.want)
		}
	}
	de, _ := In("de")
	if got := de.Decimal("166.12"); got != "166,12" {
		t.Errorf("Decimal = %q", got)
	}
	for n, want := range map[int64]string{1234: "1234", 12345: "12\u00a0345", -1234567: "-1\u00a0234\u00a0567"} {
		if got := de.Count(n); got != want {
			t.Errorf("Count(%d) = %q, want %q", n, got, want)
		}
	}
	for s, want := range map[float64]string{12: "12\u00a0s", 2400: "40\u00a0min", 7500: "2\u00a0h 05\u00a0min", 60: "1\u00a0min"} {
		if got := de.Span(s); got != want {
			t.Errorf("Span(%g) = %q, want %q", s, got, want)
		}
	}
	if _, err := In("xx"); err == nil || !strings.Contains(err.Error(), "de, en, fr") {
		t.Errorf("unknown language: %v", err)
	}
	if _, err := In("../en"); err == nil {
		t.Error("a path was taken as a language")
	}
}
