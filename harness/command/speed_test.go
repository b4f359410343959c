package command_test

import (
	"context"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
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

func median(of []time.Duration) time.Duration {
	slices.Sort(of)
	return of[len(of)/2]
}

func build(t *testing.T, dir, target, out string) {
	t.Helper()
	cmd := exec.Command("go", "build", "-buildvcs=false", "-o", out, target)
	cmd.Dir = dir
	if said, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("building %s: %v\n%s", target, err, said)
	}
}

// TestStartAndScoreTimes holds the program to what it says of its speed: it
// starts within three times the CPU time of a Go program that prints one line,
// and judges the demo's first job in under 50 ms of CPU.
func TestStartAndScoreTimes(t *testing.T) {
	if !allChecks() {
		t.Skip("times are measured when PROVEOUT_ALL_CHECKS=1")
	}
	dir := t.TempDir()
	hello := filepath.Join(dir, "hello.go")
	if err := os.WriteFile(hello, []byte("package main\n\nimport \"fmt\"\n\nfunc main() { fmt.Println(\"hello\") }\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	one, program := filepath.Join(dir, "one"), filepath.Join(dir, "proveout")
	build(t, dir, hello, one)
	build(t, repositoryRoot(t), ".", program)
	shop := demoShop(t)
	var line, start, score []time.Duration
	for range 41 {
		line = append(line, cpu(t, dir, one))
		start = append(start, cpu(t, dir, program, "--version"))
		score = append(score, cpu(t, shop, program, "score", "1", "--json"))
	}
	l, s, j := median(line), median(start), median(score)
	ratio := float64(s) / float64(l)
	t.Logf("one line %v, --version %v (%.2f times), score %v", l, s, ratio, j)
	if ratio > 3 {
		t.Errorf("--version takes %v of CPU, %.2f times the %v of a program that prints one line", s, ratio, l)
	}
	if j > 50*time.Millisecond {
		t.Errorf("score takes %v of CPU", j)
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
