package logs

import (
	"errors"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

var update = flag.Bool("update", false,
	"write the messages of the bad logs anew; read the difference before you keep it")

const badDir = "../../testdata/logs/bad"

// importFile reads the log in a file to its end.
func importFile(path string) (Summary, error) {
	f, err := os.Open(path)
	if err != nil {
		return Summary{}, err
	}
	defer f.Close()
	return Read(filepath.Base(path), f, Map{}, nil)
}

// TestBadLogs reads each log of testdata/logs/bad: each gives one message with
// its place and a way to put it right, which stands in the file .want beside it.
func TestBadLogs(t *testing.T) {
	files, err := os.ReadDir(badDir)
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, f := range files {
		if strings.HasSuffix(f.Name(), ".want") {
			continue
		}
		n++
		path := filepath.Join(badDir, f.Name())
		_, err := importFile(path)
		var p *Problem
		if !errors.As(err, &p) {
			t.Errorf("%s: want a problem, got %v", f.Name(), err)
			continue
		}
		if p.Line < 1 || p.Column < 1 || p.Fix == "" {
			t.Errorf("%s: no place or no fix: %v", f.Name(), p)
		}
		got := p.Error() + "\n"
		if *update {
			if err := os.WriteFile(path+".want", []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
			continue
		}
		want, err := os.ReadFile(path + ".want")
		if err != nil {
			t.Error(err)
		} else if got != strings.ReplaceAll(string(want), "\r\n", "\n") {
			t.Errorf("%s:\n%swant\n%s", f.Name(), got, want)
		}
	}
	if n < 25 {
		t.Errorf("only %d bad logs", n)
	}
}
