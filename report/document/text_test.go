package document

import (
	"math"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"

	"proveout/report/chart"
)

func TestClean(t *testing.T) {
	for in, want := range map[string]string{
		"plain":                      "plain",
		"a\r\nb\rc\u2028d":           "a\nb\nc\nd",
		"tab\there":                  "tab here",
		"fixed \U0001F527\uFE0F now": "fixed [U+1F527] now",
		"zero\u200Bwidth\u202E":      "zerowidth",
		"漢":                          "[U+6F22]",
		"אב":                         "[U+05D0][U+05D1]",
		"Ω ± ≤ µ № ½ °C Ž ß Ж λ":     "Ω ± ≤ µ № ½ °C Ž ß Ж λ",
		"bad \xff byte":              "bad [U+FFFD] byte",
		"nul\x00":                    "nul",
	} {
		if got := clean(in); got != want {
			t.Errorf("clean(%q) = %q, want %q", in, got, want)
		}
	}
}

// Whatever is typed, no line is wider than its column, nothing above U+FFFF
// gets through, and no character that can be drawn is lost.
func TestWrapFits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.String().Draw(t, "text")
		width := rapid.Float64Range(8, 180).Draw(t, "width")
		size := rapid.Float64Range(6, 12).Draw(t, "size")
		lines := face{size: size}.wrap(text, width)
		for _, l := range lines {
			if w := chart.Width(chart.Regular, size, strings.TrimSuffix(l, " ")) * ptmm; w > width+1e-9 {
				t.Fatalf("line %q is %.2f mm wide, column %.2f mm", l, w, width)
			}
			for _, r := range l {
				if r > 0xFFFF || r == '\n' || !Drawable(r) {
					t.Fatalf("%U got through", r)
				}
			}
		}
		strip := func(s string) string { return strings.NewReplacer(" ", "", "\n", "").Replace(s) }
		if got, want := strip(strings.Join(lines, "")), strip(clean(text)); got != want {
			t.Fatalf("wrapped text reads %q, want %q", got, want)
		}
	})
}

// No block is cut through a line of text, and nothing of it is lost.
func TestSplitKeepsEveryLine(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := &block{}
		y := 0.0
		n := rapid.IntRange(1, 60).Draw(t, "lines")
		for range n {
			f := face{size: rapid.Float64Range(6, 14).Draw(t, "size")}
			y = b.text(0, y, 100, f, "line")
		}
		b.fill(0, 0, 50, b.h, black)
		limit := rapid.Float64Range(1, 80).Draw(t, "limit")
		head, rest := b.split(limit)
		if head.h > limit+1e-9 {
			t.Fatalf("head is %.2f mm high, limit %.2f", head.h, limit)
		}
		lines, ink := len(head.parts), 0.0
		parts := []*block{head}
		if rest != nil {
			lines += len(rest.parts)
			parts = append(parts, rest)
		}
		for _, p := range parts {
			for _, f := range p.fills {
				ink += f.h
			}
			for _, l := range p.parts {
				if l.y+l.h*0.024 < 0 || l.y+l.h > p.h+1e-6 { // accents may stand a little over the first line
					t.Fatalf("a line at %.2f stands outside its part, %.2f mm high", l.y, p.h)
				}
			}
		}
		if lines != n {
			t.Fatalf("%d lines of %d", lines, n)
		}
		lost := b.h - ink
		if rest == nil {
			lost = math.Max(0, lost-sliver)
		}
		if math.Abs(lost) > 1e-6 {
			t.Fatalf("the ground is %.3f mm high in all, was %.3f", ink, b.h)
		}
	})
}

func FuzzClean(f *testing.F) {
	f.Add("a\U0001F600b\xffc\r\nd")
	f.Fuzz(func(t *testing.T, s string) {
		got := clean(s)
		if !utf8.ValidString(got) {
			t.Errorf("clean(%q) is not UTF-8", s)
		}
		if again := clean(got); again != got {
			t.Errorf("clean is not settled: %q, then %q", got, again)
		}
	})
}

// Both fonts draw all of ASCII, which is not looked up.
func TestASCIIIsDrawn(t *testing.T) {
	for r := ' '; r <= '~'; r++ {
		if !chart.Has(chart.Regular, r) || !chart.Has(chart.Bold, r) {
			t.Errorf("a font has no %q", r)
		}
	}
}

// A number is not parted from its unit or its uncertainty, but where the line is
// too short for both.
func TestBoundWords(t *testing.T) {
	for _, tt := range []struct {
		width      float64
		text, want string
	}{
		{43, "between 59.58 fps and 61.42 fps (95 %): pass", "between 59.58 fps and 61.42 |fps (95 %): pass"},
		{32, "it was (23.40 ± 0.58) °C before", "it was |(23.40 ± 0.58) °C |before"},
		{43, "%", "%"},
	} {
		if got := strings.Join((face{size: 9}).wrap(tt.text, tt.width), "|"); got != tt.want {
			t.Errorf("%q, want %q", got, tt.want)
		}
	}
	f := face{size: 9}
	for _, l := range f.wrap("123456 ± 123456 %", 12) {
		if f.width(l) > 12 || strings.HasPrefix(l, " ") {
			t.Errorf("a line %q", l)
		}
	}
}
