package words

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// A saying is a fact as the sources make it.
type saying struct {
	where  string
	key    string // "" where it is not written there
	prefix string // of a key that is put together: "verdict."
	places []string
}

// sayings are all calls of fact.New in the program.
func sayings(t *testing.T) []saying {
	t.Helper()
	var out []saying
	set := token.NewFileSet()
	root := filepath.Join("..", "..")
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") || strings.Contains(path, "plans/fact/") {
			return err
		}
		file, err := parser.ParseFile(set, path, nil, parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		ast.Inspect(file, func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok {
				return true
			}
			f, ok := call.Fun.(*ast.SelectorExpr)
			if !ok || f.Sel.Name != "New" {
				return true
			}
			if x, ok := f.X.(*ast.Ident); !ok || x.Name != "fact" {
				return true
			}
			s := saying{where: set.Position(call.Pos()).String()}
			s.key = literalText(call.Args[0])
			if sum, ok := call.Args[0].(*ast.BinaryExpr); ok {
				s.prefix = literalText(sum.X)
			}
			for i := 1; i < len(call.Args); i += 2 {
				s.places = append(s.places, literalText(call.Args[i]))
			}
			out = append(out, s)
			return true
		})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func literalText(e ast.Expr) string {
	if l, ok := e.(*ast.BasicLit); ok && l.Kind == token.STRING {
		if s, err := strconv.Unquote(l.Value); err == nil {
			return s
		}
	}
	return ""
}

var placeInText = regexp.MustCompile(`\{\^?([^}]*)\}`)

// placesOf are the places of a key's text, in all its forms.
func (c *Catalogue) placesOf(key string) []string {
	texts := []string{c.texts[key]}
	for _, text := range c.plurals[key] {
		texts = append(texts, text)
	}
	places := map[string]bool{}
	for _, text := range texts {
		for _, m := range placeInText.FindAllStringSubmatch(text, -1) {
			places[m[1]] = true
		}
	}
	return slices.Sorted(maps.Keys(places))
}

// Whatever the program says has words in every language, and each place of the
// words is filled.
func TestFactsHaveWords(t *testing.T) {
	said := sayings(t)
	for _, language := range Languages() {
		c, err := In(language)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range said {
			if s.prefix != "" {
				if !slices.ContainsFunc(slices.Collect(maps.Keys(c.texts)), func(k string) bool { return strings.HasPrefix(k, s.prefix) }) {
					t.Errorf("%s: no text in %s begins with %q", s.where, language, s.prefix)
				}
				continue
			}
			if s.key == "" || slices.Contains(s.places, "") {
				t.Errorf("%s: write the key and the names of the places there", s.where)
				continue
			}
			if _, ok := c.texts[s.key]; !ok {
				t.Errorf("%s: %s has no text %q", s.where, language, s.key)
				continue
			}
			for _, place := range c.placesOf(s.key) {
				if !slices.Contains(s.places, place) {
					t.Errorf("%s: the text %q in %s has a place {%s} that nothing fills", s.where, s.key, language, place)
				}
			}
		}
	}
}
