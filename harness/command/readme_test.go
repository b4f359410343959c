package command_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"
)

// A shown is one command of a document with what it prints.
type shown struct {
	line    int
	command string
	want    []string
	code    int
}

// consoleBlocks reads the blocks of a document that are marked console. A line
// that begins with "$ " is a command, and "# exit N" behind it states its exit
// code; the lines below it are what it prints, where … stands for anything.
func consoleBlocks(text string) []shown {
	var out []shown
	inside := false
	for i, line := range strings.Split(text, "\n") {
		switch {
		case strings.HasPrefix(line, "```"):
			inside = strings.TrimSpace(strings.TrimPrefix(line, "```")) == "console"
		case !inside:
		case strings.HasPrefix(line, "$ "):
			s := shown{line: i + 1, command: line[2:]}
			if at := strings.LastIndex(s.command, "# exit "); at >= 0 {
				if n, err := strconv.Atoi(strings.TrimSpace(s.command[at+len("# exit "):])); err == nil {
					s.code, s.command = n, strings.TrimSpace(s.command[:at])
				}
			}
			out = append(out, s)
		case len(out) > 0:
			out[len(out)-1].want = append(out[len(out)-1].want, line)
		}
	}
	return out
}

// matches compares what was printed with the lines of a document. A line that is
// … alone stands for any lines, or none.
func matches(want []string, got string) bool {
	var re strings.Builder
	re.WriteString(`\A`)
	for _, line := range want {
		if strings.TrimSpace(line) == "…" {
			re.WriteString(`(?:[^\n]*\n)*?`)
			continue
		}
		for i, part := range strings.Split(strings.TrimRight(line, " "), "…") {
			if i > 0 {
				re.WriteString(`[^\n]*`)
			}
			re.WriteString(regexp.QuoteMeta(part))
		}
		re.WriteString(` *\n`)
	}
	re.WriteString(`\z`)
	if got != "" && !strings.HasSuffix(got, "\n") {
		got += "\n"
	}
	return regexp.MustCompile(re.String()).MatchString(got)
}

// TestReadme types every command of README.md, in order, in one folder.
func TestReadme(t *testing.T) {
	t.Parallel()
	oneAtATime(t)
	if runtime.GOOS == "windows" {
		t.Skip("the README is typed into a POSIX shell")
	}
	root := repositoryRoot(t)
	data, err := os.ReadFile(filepath.Join(root, "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	work, bin := t.TempDir(), t.TempDir()
	// The program is this test under its name.
	if err := os.Symlink(self, filepath.Join(bin, "proveout")); err != nil {
		t.Fatal(err)
	}
	blocks := consoleBlocks(string(data))
	if len(blocks) < 15 {
		t.Fatalf("README.md shows only %d commands", len(blocks))
	}
	dir := work
	for _, s := range blocks {
		if strings.HasPrefix(s.command, "go test ") || strings.HasPrefix(s.command, "go build") {
			continue // this very test, or the program that is here already
		}
		command := s.command
		if rest, ok := strings.CutPrefix(command, "go run . "); ok {
			command = "proveout " + rest
		}
		got, code, next := typed(t, bin, dir, root, command)
		dir = next
		if code != s.code {
			t.Fatalf("README.md:%d: %s\nends with exit code %d, want %d:\n%s", s.line, s.command, code, s.code, got)
		}
		if !matches(s.want, got) {
			t.Errorf("README.md:%d: %s\nprints\n%s\nand the README shows\n%s",
				s.line, s.command, got, strings.Join(s.want, "\n"))
		}
	}
}

// typed runs a line in a shell and returns what it printed and the folder it
// left the shell in.
func typed(t *testing.T, bin, dir, root, line string) (said string, code int, next string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	where := filepath.Join(bin, "pwd")
	cmd := exec.CommandContext(ctx, "sh", "-c", line+"\ncode=$?; pwd > '"+where+"'; exit $code")
	cmd.Dir = dir
	cmd.Env = []string{
		"PATH=" + bin + string(os.PathListSeparator) + os.Getenv("PATH"),
		"HOME=" + bin, "TZ=UTC", "TMPDIR=" + os.TempDir(), rootVariable + "=" + root,
	}
	out, err := cmd.CombinedOutput()
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		code = exit.ExitCode()
	} else if err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(where)
	if err != nil {
		t.Fatal(err)
	}
	return string(out), code, strings.TrimSpace(string(data))
}

func TestMatches(t *testing.T) {
	for _, tt := range []struct {
		want []string
		got  string
		ok   bool
	}{
		{nil, "", true},
		{nil, "x\n", false},
		{[]string{"a … c"}, "a b c\n", true},
		{[]string{"a … c"}, "a b d\n", false},
		{[]string{"…", "b", "…"}, "a\nb\nc\n", true},
		{[]string{"…", "b"}, "a\nb\nc\n", false},
		{[]string{"…"}, "", true},
		{[]string{"a.b"}, "axb\n", false},
	} {
		if got := matches(tt.want, tt.got); got != tt.ok {
			t.Errorf("%q against %q: %v", tt.want, tt.got, got)
		}
	}
	got := consoleBlocks("x\n```console\n$ a b # exit 1\n…\n```\n$ no\n```console\n$ c\n```\n")
	if fmt.Sprint(got) != "[{3 a b [… ] 1} {8 c [] 0}]" && len(got) != 2 || got[0].code != 1 || got[0].command != "a b" {
		t.Errorf("%+v", got)
	}
}
