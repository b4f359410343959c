package document

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"proveout/report/internal/sample"
	"proveout/report/record"
)

func make_(t testing.TB, d *record.Document, paper Paper, how drawing) []byte {
	t.Helper()
	var buf bytes.Buffer
	if err := write(&buf, d, paper, how); err != nil {
		t.Fatal(err)
	}
	return buf.Bytes()
}

// With PROVEOUT_KEEP set to a folder the samples stay there to be looked at.
func TestSamples(t *testing.T) {
	dir := os.Getenv("PROVEOUT_KEEP")
	if dir == "" {
		dir = t.TempDir()
	}
	for name, d := range map[string]*record.Document{"accepted": sample.Accepted(), "failed": sample.Failed(), "inconclusive": sample.Inconclusive()} {
		pdf := make_(t, d, A4, vectors)
		if err := os.WriteFile(filepath.Join(dir, name+".pdf"), pdf, 0o644); err != nil {
			t.Fatal(err)
		}
		if n := len(pdf); n > 2<<20 {
			t.Errorf("%s: %d bytes", name, n)
		}
	}
}
