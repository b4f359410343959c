package words

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
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

// sayings are all calls in the program that name a key: fact.New, and T and Part
// of a catalogue.
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
			if !ok || len(call.Args) == 0 {
				return true
			}
			switch x, _ := f.X.(*ast.Ident); f.Sel.Name {
			case "New":
				if x == nil || x.Name != "fact" {
					return true
				}
			case "Part":
				out = append(out, saying{where: set.Position(call.Pos()).String(), prefix: literalText(call.Args[0])})
				return true
			case "T":
			default:
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

// byTheTypesetter are the places that are filled when pages are counted.
var byTheTypesetter = map[string][]string{"document.page": {"current", "total"}}

// Whatever the program says has words in every language, each place of the words
// is filled, and no words are there that nothing says.
func TestFactsHaveWords(t *testing.T) {
	said := sayings(t)
	for _, code := range Languages() {
		c, err := In(code)
		if err != nil {
			t.Fatal(err)
		}
		used := map[string]bool{}
		for _, s := range said {
			if s.prefix != "" {
				before := len(used)
				for key := range c.texts {
					if strings.HasPrefix(key, s.prefix) {
						used[key] = true
					}
				}
				if len(used) == before && !anyUsed(used, s.prefix) {
					t.Errorf("%s: no text in %s begins with %q", s.where, code, s.prefix)
				}
				continue
			}
			if s.key == "" || slices.Contains(s.places, "") {
				t.Errorf("%s: write the key and the names of the places there", s.where)
				continue
			}
			used[s.key] = true
			if _, ok := c.texts[s.key]; !ok {
				t.Errorf("%s: %s has no text %q", s.where, code, s.key)
				continue
			}
			for _, place := range c.placesOf(s.key) {
				if !slices.Contains(append(byTheTypesetter[s.key], s.places...), place) {
					t.Errorf("%s: the text %q in %s has a place {%s} that nothing fills", s.where, s.key, code, place)
				}
			}
		}
		for key := range c.texts {
			if !used[key] && !byWords[key] {
				t.Errorf("%s.toml: nothing says %q", code, key)
			}
		}
	}
}

// byWords are the keys that this package asks for in another way.
var byWords = map[string]bool{"text": true, "language.blank-before": true, "language.blank-behind": true}

func anyUsed(used map[string]bool, prefix string) bool {
	for key := range used {
		if strings.HasPrefix(key, prefix) {
			return true
		}
	}
	return false
}
