package scoring

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"proveout/plans"
)

// A kindFile is a file that belongs to one kind of step.
type kindFile struct {
	kind     string
	syntax   *ast.File
	declares map[string]bool // functions, methods, types, constants, variables
}

// kindFiles returns the files of the kinds: those that hand a judgement to
// judges, and those that begin with their name, as detectiondump.go does beside
// detection.go.
func kindFiles(t *testing.T) map[string]*kindFile {
	names, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	registers := regexp.MustCompile(`(?m)^var _ = judges\(plans\.(\w+)Kind,`)
	texts, kinds := map[string][]byte{}, map[string]string{}
	for _, name := range names {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		if texts[name], err = os.ReadFile(name); err != nil {
			t.Fatal(err)
		}
		found := registers.FindAllSubmatch(texts[name], -1)
		if len(found) > 1 {
			t.Errorf("%s judges %d kinds", name, len(found))
		}
		if len(found) > 0 {
			kinds[name] = string(found[0][1])
		}
	}
	files := map[string]*kindFile{}
	for name, text := range texts {
		for first, kind := range kinds {
			if !strings.HasPrefix(name, strings.TrimSuffix(first, ".go")) {
				continue
			}
			f := &kindFile{kind: kind, declares: map[string]bool{}}
			if f.syntax, err = parser.ParseFile(token.NewFileSet(), name, text, 0); err != nil {
				t.Fatal(err)
			}
			for n := range f.syntax.Scope.Objects {
				f.declares[n] = true
			}
			for _, d := range f.syntax.Decls {
				if method, ok := d.(*ast.FuncDecl); ok {
					f.declares[method.Name.Name] = true
				}
			}
			files[name] = f
		}
	}
	return files
}

// Every kind that is declared is judged, in a file of its own.
func TestEveryKindIsJudged(t *testing.T) {
	own := map[string]bool{}
	for _, f := range kindFiles(t) {
		own[f.kind] = true
	}
	for _, d := range plans.Kinds() {
		if judgements[d.Kind] == nil {
			t.Errorf("nothing judges steps of kind %s", d.Kind)
		}
	}
	if len(own) != len(plans.Kinds()) || len(judgements) != len(own) {
		t.Errorf("%d kinds in %d files, %d judgements", len(plans.Kinds()), len(own), len(judgements))
	}
}

// The file of a kind can be read alone: it uses nothing that the file of another
// kind declares. What several need stands in files named for the thing.
func TestKindsDoNotLendEachOther(t *testing.T) {
	files := kindFiles(t)
	for name, f := range files {
		own := map[string]bool{}
		for _, other := range files {
			if other.kind == f.kind {
				for n := range other.declares {
					own[n] = true
				}
			}
		}
		lent := func(what string) {
			for from, other := range files {
				if other.declares[what] && !own[what] {
					t.Errorf("%s uses %s of %s", name, what, from)
				}
			}
		}
		for _, id := range f.syntax.Unresolved { // what the file itself does not declare
			lent(id.Name)
		}
		ast.Inspect(f.syntax, func(n ast.Node) bool {
			if s, ok := n.(*ast.SelectorExpr); ok {
				if x, plain := s.X.(*ast.Ident); !plain || x.Obj != nil { // else x is a package
					lent(s.Sel.Name)
				}
			}
			return true
		})
	}
}
