package words

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// A literal is a text in the sources of the program: a string, a format, or a
// sum of them, with {} for what is filled in.
type literal struct{ file, text string }

var (
	formatVerb = regexp.MustCompile(`%[-+#0]*(\d+|\*)?(\.(\d+|\*))?(\[\d+\])?[a-zA-Z]|%%`)
	placeName  = regexp.MustCompile(`\{\w+\}`)
)

// plain makes a format comparable with a key of the catalogue.
func plain(format string) string {
	return formatVerb.ReplaceAllStringFunc(format, func(v string) string {
		switch v[len(v)-1] {
		case '%':
			return "%"
		case 'q':
			return `"{}"`
		}
		return "{}"
	})
}

// text is the text that an expression makes, as far as it is written there.
func text(e ast.Expr) (string, bool) {
	switch e := e.(type) {
	case *ast.BasicLit:
		if e.Kind == token.STRING {
			s, err := strconv.Unquote(e.Value)
			return s, err == nil
		}
	case *ast.ParenExpr:
		return text(e.X)
	case *ast.BinaryExpr:
		if e.Op != token.ADD {
			return "", false
		}
		a, known := text(e.X)
		b, also := text(e.Y)
		if !known {
			a = "{}"
		}
		if !also {
			b = "{}"
		}
		return a + b, known || also
	case *ast.CallExpr:
		if f, ok := e.Fun.(*ast.SelectorExpr); ok && f.Sel.Name == "Sprintf" {
			s, ok := text(e.Args[0])
			return plain(s), ok
		}
	}
	return "", false
}

// literals are the texts of the sources in folders that have two words or more.
func literals(t *testing.T, folders ...string) []literal {
	t.Helper()
	words := regexp.MustCompile(`[A-Za-z]{2,}`)
	var out []literal
	for _, dir := range folders {
		names, err := filepath.Glob(filepath.Join(dir, "*.go"))
		if err != nil || len(names) == 0 {
			t.Fatalf("%s: %v", dir, err)
		}
		for _, name := range names {
			if strings.HasSuffix(name, "_test.go") {
				continue
			}
			file, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.SkipObjectResolution)
			if err != nil {
				t.Fatal(err)
			}
			ast.Inspect(file, func(n ast.Node) bool {
				switch n := n.(type) {
				case *ast.ImportSpec:
					return false
				case *ast.Field:
					return n.Tag == nil
				case ast.Expr:
					s, ok := text(n)
					if !ok {
						return true
					}
					if strings.Contains(s, "%") {
						s = plain(s)
					}
					if strings.Contains(s, " ") && len(words.FindAllString(s, -1)) > 1 {
						out = append(out, literal{filepath.ToSlash(name), s})
					}
					if call, ok := n.(*ast.CallExpr); ok { // what is filled in has texts of its own
						for _, a := range call.Args[1:] {
							if inner, ok := text(a); ok && strings.Contains(inner, " ") && len(words.FindAllString(inner, -1)) > 1 {
								out = append(out, literal{filepath.ToSlash(name), inner})
							}
						}
					}
					return false
				}
				return true
			})
		}
	}
	return out
}

// keysOf are the keys of a language's sentences with places without names.
func keysOf(t *testing.T, language string) map[string]string {
	t.Helper()
	c, err := In(language)
	if err != nil {
		t.Fatal(err)
	}
	c.sentences()
	out := map[string]string{}
	for line := range strings.Lines(c.part) {
		if key, value, ok := pair(line); ok {
			out[key] = value
		}
	}
	return out
}

// nameless takes the names from places.
func nameless(key string) string { return placeName.ReplaceAllString(key, "{}") }

// A literal is known when a key is it, or has it as a part: sentences are put
// together from several literals.
func known(keys []string, s string) bool {
	s = strings.ToLower(edges.ReplaceAllString(s, ""))
	letter := func(b byte) bool { return b >= 'a' && b <= 'z' }
	for _, k := range keys {
		i := strings.Index(k, s)
		if i >= 0 && (i == 0 || !letter(k[i-1])) && (i+len(s) == len(k) || !letter(k[i+len(s)])) {
			return true
		}
	}
	return false
}

// edges of a literal say nothing: places and signs.
var edges = regexp.MustCompile(`^(\{\}|[ .;:,()"])+|(\{\}|[ .;:,()"])+$`)

// exceptions are literals that reach no document and no buyer: a file, and a
// pattern of its texts.
var exceptions = []struct{ file, text string }{
	{"picture/lines/lines.go", `a grid of`}, {"picture/lines/judge.go", `a data line is not`},
	// Values of the record that no document shows.
	{"record/document.go", `is not prepared|^a (document|certificate) needs`}, {"record/record.go", `such kind|^test report$`},
	{"record/photo.go", ``}, {"record/read.go", ``}, {"check/check.go", `^(not expected|other key)$`}, {"check/signer.go", `^2 January`},
	// Names of standards, and of tests by their authors.
	{"scoring/prove.go", `NIST`},
	// A key of the numbers behind the checks.
	{"scoring/load.go", `^pacing.run`},
}

func excepted(l literal) bool {
	for _, x := range exceptions {
		if strings.HasSuffix(l.file, x.file) && regexp.MustCompile(x.text).MatchString(l.text) {
			return true
		}
	}
	return false
}

// Every sentence that judging a job or checking a certificate makes is in the
// catalogue.
func TestEverySentenceOfTheProgramIsTranslated(t *testing.T) {
	all := literals(t, "../../scoring", "../../scoring/picture/lines", "../seal/check", "../record")
	if len(all) < 20 {
		t.Errorf("only %d texts found in the sources", len(all))
	}
	var keys []string
	for k := range keysOf(t, "de") {
		keys = append(keys, strings.ToLower(nameless(k)))
	}
	for _, l := range all {
		if !known(keys, l.text) && !excepted(l) {
			t.Errorf("%s: not among the sentences of the languages: %q", l.file, l.text)
		}
	}
}
