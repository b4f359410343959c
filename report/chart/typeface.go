package chart

// The two fonts of the printed documents, Liberation Sans regular and bold. They
// are under the SIL Open Font License 1.1, which travels with them in
// LICENSE-OFL.txt. Nothing is read or parsed before the first call.

import (
	"fmt"
	"sync"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	xfont "golang.org/x/image/font"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
)

// A Weight selects one of the two fonts.
type Weight int

// The weights.
const (
	Regular Weight = iota
	Bold
)

// TTF returns the font file of the weight. The bytes are shared: callers that
// hand them to code that writes must copy them.
func TTF(w Weight) []byte {
	if w == Bold {
		return liberationsansbold.TTF
	}
	return liberationsansregular.TTF
}

// A metric is one parsed font with the advances met so far.
type metric struct {
	font  *opentype.Font
	units float64
	mu    sync.Mutex
	adv   map[rune]float64 // em; negative when the font has no glyph
}

var metrics = [...]func() *metric{
	Regular: sync.OnceValue(func() *metric { return load(Regular) }),
	Bold:    sync.OnceValue(func() *metric { return load(Bold) }),
}

func load(w Weight) *metric {
	f, err := opentype.Parse(TTF(w))
	if err != nil {
		panic(fmt.Sprintf("typeface: the embedded font cannot be read: %v", err))
	}
	return &metric{font: f, units: float64(f.UnitsPerEm()), adv: make(map[rune]float64, 256)}
}

// advance returns the width of r in em, or a negative number when the font has
// no glyph for it.
func (m *metric) advance(buf *sfnt.Buffer, r rune) float64 {
	if a, ok := m.adv[r]; ok {
		return a
	}
	a := -1.0
	if gi, err := m.font.GlyphIndex(buf, r); err == nil && gi != 0 {
		if w, err := m.font.GlyphAdvance(buf, gi, fixed.Int26_6(m.font.UnitsPerEm()), xfont.HintingNone); err == nil {
			a = float64(w) / m.units
		}
	}
	m.adv[r] = a
	return a
}

// Has reports whether the font has a glyph for r.
func Has(w Weight, r rune) bool {
	m := metrics[w]()
	m.mu.Lock()
	defer m.mu.Unlock()
	var buf sfnt.Buffer
	return m.advance(&buf, r) >= 0
}

// Width returns the width of text set at size, in the unit of size. A missing
// character counts as half an em. There is no kerning: the printed documents
// set text without it.
func Width(w Weight, size float64, text string) float64 {
	m := metrics[w]()
	m.mu.Lock()
	defer m.mu.Unlock()
	var buf sfnt.Buffer
	sum := 0.0
	for _, r := range text {
		if a := m.advance(&buf, r); a >= 0 {
			sum += a
		} else {
			sum += 0.5
		}
	}
	return sum * size
}

// Face returns the font for drawing on a picture, at a size in points.
func Face(w Weight, size, dpi float64) xfont.Face {
	f, err := opentype.NewFace(metrics[w]().font, &opentype.FaceOptions{Size: size, DPI: dpi, Hinting: xfont.HintingNone})
	if err != nil {
		panic(fmt.Sprintf("typeface: the embedded font cannot be set: %v", err))
	}
	return f
}
