// Package checkpage makes the page with which a buyer checks a certificate: one
// HTML file that works without a network.
//
// Nothing comes in; the page goes out, always the same. The checker inside is
// this program's own, package check with the record's verdicts worked out
// again, compiled to WebAssembly (package browser below this one, packed in
// checker.wasm.gz). The page cannot print a certificate's pages again; it
// compares them by the values that stand on them, and says so.
package checkpage

import (
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"strings"
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
func HTML() []byte { return page(checker) }

func page(packed []byte) []byte {
	var b strings.Builder
	hash := func(s string) string {
		sum := sha256.Sum256([]byte(s))
		return "'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"
	}
	policy := "default-src 'none'; script-src " + hash(runtime) + " " + hash(script) + " 'wasm-unsafe-eval'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"
	data := base64.StdEncoding.EncodeToString(packed)
	b.Grow(len(template) + len(runtime) + len(script) + len(data) + 1024)
	strings.NewReplacer("{{policy}}", policy, "{{runtime}}", runtime, "{{script}}", script, "{{checker}}", data).WriteString(&b, template)
	return []byte(b.String())
}
