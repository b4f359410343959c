package content

import (
	"image"
	"reflect"
)

// A Glyph is a character that cannot be drawn, and the first text it was found
// in.
type Glyph struct {
	Rune rune
	Text string
}

// Missing returns the characters of the document for which drawable is false,
// each once, in the order they are met.
func Missing(c *Content, drawable func(rune) bool) []Glyph {
	var out []Glyph
	known := map[rune]bool{}
	Texts(c, func(text string) {
		for _, r := range text {
			if r < 0x7F || known[r] {
				continue
			}
			known[r] = true
			if !drawable(r) {
				out = append(out, Glyph{r, text})
			}
		}
	})
	return out
}

// Texts calls visit with every text of the document.
func Texts(c *Content, visit func(string)) { texts(reflect.ValueOf(c), visit) }

// texts goes through whatever a document is made of, so that no block, old or
// new, is left out. The samples of pictures and curves are no texts.
func texts(v reflect.Value, visit func(string)) {
	switch v.Kind() {
	case reflect.String:
		visit(v.String())
	case reflect.Pointer, reflect.Interface:
		if _, picture := v.Interface().(image.Image); !picture {
			texts(v.Elem(), visit)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			texts(v.Field(i), visit)
		}
	case reflect.Slice:
		if kind := v.Type().Elem().Kind(); kind == reflect.Uint8 || kind == reflect.Float64 {
			return
		}
		for i := range v.Len() {
			texts(v.Index(i), visit)
		}
	}
}
