package scoring

import (
	"strings"
	"unicode"
	"unicode/utf8"

	"proveout/harness/reading"
)

func upperFirst(s string) string {
	r, size := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(r)) + s[size:]
}

func wordOf(r reading.Reading) string {
	if r.Word != "" {
		return r.Word
	}
	return r.Text
}

func foldWords(s string) string { return strings.ToLower(strings.Join(strings.Fields(s), " ")) }
