package session_test

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"sync"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

// program builds the program once for the tests that run it as it is.
var program = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "proveout-test-")
	if err != nil {
		return "", err
	}
	path := filepath.Join(dir, "proveout")
	if runtime.GOOS == "windows" {
		path += ".exe"
	}
	build := exec.Command("go", "build", "-o", path, "proveout")
	if out, err := build.CombinedOutput(); err != nil {
		return "", fmt.Errorf("building the program: %v\n%s", err, out)
	}
	return path, nil
})

func TestMain(m *testing.M) {
	code := m.Run()
	if path, err := program(); err == nil {
		os.RemoveAll(filepath.Dir(path))
	}
	os.Exit(code)
}

func built(t testing.TB) string {
	t.Helper()
	path, err := program()
	if err != nil {
		t.Fatal(err)
	}
	return path
}

func allChecks() bool { return os.Getenv("PROVEOUT_ALL_CHECKS") == "1" }

// TestBenchScripts runs testdata/script/bench/*.txtar with the program itself.
func TestBenchScripts(t *testing.T) {
	path := built(t)
	testscript.Run(t, testscript.Params{
		Dir:                 filepath.Join("..", "..", "testdata", "script", "bench"),
		RequireExplicitExec: true,
		Setup: func(e *testscript.Env) error {
			e.Setenv("PATH", filepath.Dir(path)+string(os.PathListSeparator)+os.Getenv("PATH"))
			e.Setenv("TZ", "UTC")
			return nil
		},
	})
}
