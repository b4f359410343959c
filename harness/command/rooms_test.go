package command_test

import (
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// Data flows one way, plans → harness → scoring → report. Only the roof sees all
// rooms: harness/workflow, what leads through it (harness/session, and
// harness/simulated with cards that there are not), and harness/command above
// them. Simulated cards are for that command alone: nothing that judges, keeps or
// documents may reach them. Scoring is handed what the bench observed as
// plain values and touches no files, clocks or networks of its own.
func TestRoomsImportOneWay(t *testing.T) {
	root := repositoryRoot(t)
	const simulated = "proveout/harness/simulated"
	roof := []string{"proveout/harness/workflow", "proveout/harness/session", "proveout/harness/command"}
	forbidden := func(dir, imported string) bool {
		in := func(prefixes ...string) bool {
			for _, p := range prefixes {
				if imported == p || strings.HasPrefix(imported, p+"/") {
					return true
				}
			}
			return false
		}
		room, _, _ := strings.Cut(dir, "/")
		switch {
		case dir == "harness/command":
			return false
		case dir == "harness/session":
			return in("proveout/harness/command", simulated)
		case dir == "harness/simulated": // takes cards through what every front end leads through
			return in("proveout/harness/command", "proveout/harness/session")
		case in(simulated): // never in what gives a verdict
			return true
		case dir == "harness/workflow": // does what every front end does, from plans to documents
			return in("proveout/harness/command", "proveout/harness/session")
		case room == "plans":
			return in("proveout/harness", "proveout/scoring", "proveout/report")
		case room == "harness":
			return in("proveout/scoring", "proveout/report") || in(roof...)
		case room == "scoring":
			return in("proveout/report", "os", "net", "os/exec") || in("proveout/harness") && !in("proveout/harness/reading")
		case dir == "report/internal/sample": // documents for tests, judged as the program judges
			return in(roof...)
		case dir == "report/checkpage/browser": // a program of its own, which judges again
			return in(roof...)
		case room == "report":
			return in("proveout/harness") && !in("proveout/harness/reading") ||
				in("proveout/scoring") && !in("proveout/scoring/outcome", "proveout/scoring/conformity")
		}
		return false
	}
	seen := 0
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return err
		}
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ImportsOnly)
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, path)
		if err != nil {
			return err
		}
		dir := filepath.ToSlash(filepath.Dir(rel))
		for _, spec := range file.Imports {
			imported, err := strconv.Unquote(spec.Path.Value)
			if err != nil {
				return err
			}
			seen++
			if forbidden(dir, imported) {
				t.Errorf("%s imports %s", filepath.ToSlash(rel), imported)
			}
		}
		return nil
	})
	if err != nil || seen < 100 {
		t.Fatalf("looked at %d imports: %v", seen, err)
	}
}
