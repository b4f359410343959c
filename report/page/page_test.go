package page

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"proveout/report/internal/sample"
	"proveout/report/record"
)

func written(t testing.TB, d *record.Document) []byte {
	t.Helper()
	var buf bytes.Buffer
	if err := Write(&buf, d); err != nil {
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
		if err := os.WriteFile(filepath.Join(dir, name+".html"), written(t, d), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}
