// Package checkpage makes the page with which a buyer checks a certificate: one
// HTML file that works without a network.
//
// Nothing comes in; the page goes out, always the same. The checker inside is
// this program's own, package check with the record's verdicts worked out
// again, compiled to WebAssembly (package browser below this one, packed in
// checker.wasm.gz). The page speaks all languages of the catalogue: at first the
// browser's, then the one that is chosen. It cannot print a certificate's pages again; it
// compares them by the values that stand on them, and says so.
package checkpage

import (
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"html"
	"strings"

	"proveout/report/words"
)

//go:embed checker.wasm.gz
var checker []byte

//go:embed wasm_exec.js
var runtime string

//go:embed page.html
var template string

//go:embed page.js
var script string

// Licence is the licence of the language runtime inside the page.
//
//go:embed LICENSE-GO.txt
var Licence string

// HTML is the page.
func HTML() []byte {
	var b strings.Builder
	hash := func(s string) string {
		sum := sha256.Sum256([]byte(s))
		return "'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"
	}
	policy := "default-src 'none'; script-src " + hash(runtime) + " " + hash(script) + " 'wasm-unsafe-eval'; " +
		"style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"
	data := base64.StdEncoding.EncodeToString(checker)
	english, all, choice := texts()
	b.Grow(len(template) + len(runtime) + len(script) + len(data) + 1024)
	pairs := []string{
		"{{policy}}", policy, "{{runtime}}", runtime, "{{script}}", script,
		"{{checker}}", data, "{{texts}}", all, "{{languages}}", choice,
	}
	for key, text := range english {
		pairs = append(pairs, "{{"+key+"}}", html.EscapeString(text))
	}
	strings.NewReplacer(pairs...).WriteString(&b, template)
	return []byte(b.String())
}

// texts are the page's texts: the English ones by key, those of all languages as
// JSON, and the choice of a language.
func texts() (english map[string]string, all, choice string) {
	languages := map[string]map[string]string{}
	var options strings.Builder
	for _, l := range words.Languages() {
		w, err := words.In(l)
		if err != nil {
			continue // a test reads every language
		}
		languages[l] = w.Part("verify.")
		selected := ""
		if l == "en" {
			selected = " selected"
		}
		name := html.EscapeString(w.T("language.name"))
		fmt.Fprintf(&options, `<option value="%s" lang="%s"%s>%s</option>`, l, l, selected, name)
	}
	data, err := json.Marshal(languages) // writes < as \u003c
	if err != nil {
		data = []byte("{}")
	}
	return languages["en"], string(data), options.String()
}
