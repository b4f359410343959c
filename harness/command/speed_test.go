package command_test

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
)

// BenchmarkScore judges the first job of the demo, logs and all. The goal is
// 50 ms of CPU.
func BenchmarkScore(b *testing.B) {
	c, said := testConsole(repositoryRoot(b))
	c.Dir = demoShop(b)
	b.ReportAllocs()
	for b.Loop() {
		if code := c.Run(context.Background(), []string{"proveout", "score", "1", "--json"}); code != 0 {
			b.Fatal(said)
		}
	}
}

// built is the program as it is shipped, built once.
var built struct {
	once sync.Once
	dir  string
	said []byte
	err  error
}

func buildProgram(t testing.TB) string {
	t.Helper()
	built.once.Do(func() {
		if built.dir, built.err = os.MkdirTemp("", "proveout-test-"); built.err != nil {
			return
		}
		cmd := exec.Command("go", "build", "-buildvcs=false", "-o", built.dir, ".")
		cmd.Dir = repositoryRoot(t)
		built.said, built.err = cmd.CombinedOutput()
	})
	if built.err != nil {
		t.Fatalf("%v\n%s", built.err, built.said)
	}
	return filepath.Join(built.dir, "proveout")
}

// TestStableBytes issues the documents of the same jobs several times: for a
// fixed time of issue each is the same file, byte for byte.
func TestStableBytes(t *testing.T) {
	oneAtATime(t)
	t.Parallel()
	shop, first := demoShop(t), map[string]string{}
	for run := range sampled(2, 5) {
		c, said := testConsole(repositoryRoot(t))
		c.Dir = filepath.Join(t.TempDir(), "shop")
		if err := os.CopyFS(c.Dir, os.DirFS(shop)); err != nil {
			t.Fatal(err)
		}
		for _, args := range [][]string{{"certify", "1"}, {"report", "2"}} {
			if code := c.Run(context.Background(), append([]string{"proveout"}, args...)); code != 0 {
				t.Fatalf("%v: %s", args, said)
			}
		}
		files, err := filepath.Glob(filepath.Join(c.Dir, "jobs", "*", "issued", "*"))
		if err != nil || len(files) != 10 {
			t.Fatalf("%d documents, %v", len(files), err)
		}
		for _, f := range files {
			data, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			name := filepath.Base(f)
			if run == 0 {
				first[name] = string(data)
			} else if first[name] != string(data) {
				t.Fatalf("run %d: %s differs", run+1, name)
			}
		}
	}
}
