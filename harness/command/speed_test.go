package command_test

import (
	"context"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"proveout/harness/command"
)

// console is the program inside this process.
func console(t testing.TB, dir string, out io.Writer) *command.Console {
	return &command.Console{In: strings.NewReader(""), Out: out, Diag: out, Getenv: func(string) string { return "" }, Dir: dir,
		Now: func() time.Time { return time.Unix(1772539200, 0).UTC() }, Demo: os.DirFS(repositoryRoot(t))}
}

// demoShop makes the demo and returns its shop.
func demoShop(t testing.TB) string {
	t.Helper()
	dir := t.TempDir()
	var said strings.Builder
	if code := console(t, dir, &said).Run(context.Background(), []string{"proveout", "demo", "--out", "D"}); code != 0 {
		t.Fatalf("demo ends with %d: %s", code, said.String())
	}
	return filepath.Join(dir, "D", "shop")
}

// BenchmarkScore judges the first job of the demo, logs and all. The goal is
// 50 ms of CPU.
func BenchmarkScore(b *testing.B) {
	shop := demoShop(b)
	c := console(b, shop, io.Discard)
	b.ReportAllocs()
	for b.Loop() {
		if code := c.Run(context.Background(), []string{"proveout", "score", "1", "--json"}); code != 0 {
			b.Fatalf("score ends with %d", code)
		}
	}
}

// cpu is the CPU time of one run of a program.
func cpu(t *testing.T, dir, program string, args ...string) time.Duration {
	t.Helper()
	cmd := exec.Command(program, args...)
	cmd.Dir = dir
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%s: %v\n%s", program, err, out)
	}
	return cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()
}

func build(t *testing.T, dir, target, out string) {
	t.Helper()
	cmd := exec.Command("go", "build", "-buildvcs=false", "-o", out, target)
	cmd.Dir = dir
	if said, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("building %s: %v\n%s", target, err, said)
	}
}

// TestStableBytes issues the documents of the same jobs thirty times: for a
// fixed time of issue each is the same file, byte for byte.
func TestStableBytes(t *testing.T) {
	if !allChecks() {
		t.Skip("thirty runs are made when PROVEOUT_ALL_CHECKS=1; a script makes five")
	}
	shop := demoShop(t)
	first := map[string]string{}
	for run := range 30 {
		again := filepath.Join(t.TempDir(), "shop")
		if err := os.CopyFS(again, os.DirFS(shop)); err != nil {
			t.Fatal(err)
		}
		for _, args := range [][]string{{"certify", "1"}, {"report", "2"}} {
			var said strings.Builder
			if code := console(t, again, &said).Run(context.Background(), append([]string{"proveout"}, args...)); code != 0 {
				t.Fatalf("%v: %s", args, said.String())
			}
		}
		files, err := filepath.Glob(filepath.Join(again, "jobs", "*", "issued", "*"))
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
