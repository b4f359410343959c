package job

import (
	"os"
	"path/filepath"

	"proveout/harness/reading"
)

// keepPhoto keeps a photo with the version of it that documents print. The job
// names both by their SHA-256.
func keepPhoto(dir string, p Photo) (File, error) {
	e, err := keepFile(dir, p.File, "keeping evidence", nil)
	e.Role, e.Caption = p.Role, p.Caption
	if err == nil {
		keepPrint(dir, &e.Evidence, p.Print)
	}
	return e, err
}

// KeepPhoto copies a photo into the evidence, with its version for print. To
// name it as one of the card, amend the job.
func (f *Folder) KeepPhoto(p Photo) (File, error) { return keepPhoto(f.Dir, p) }

func printPath(dir, sum string) string { return filepath.Join(dir, computedDir, sum+".jpg") }

// keepPrint keeps the version for print. That it cannot is no fault: documents
// make one.
func keepPrint(dir string, e *reading.Evidence, data []byte) {
	if len(data) == 0 || os.MkdirAll(filepath.Join(dir, computedDir), 0o755) != nil {
		return
	}
	if WriteFile(printPath(dir, e.SHA256), data, ReplaceExisting) == nil {
		e.Print = digest(data)
	}
}

// ReadPrint returns the version for print of a photo of the job, when it is kept
// and is still the one that the job names.
func ReadPrint(dir string, e reading.Evidence) ([]byte, bool) {
	if e.Print == "" || len(e.SHA256) != len(e.Print) {
		return nil, false
	}
	data, err := os.ReadFile(printPath(dir, e.SHA256))
	if err != nil || digest(data) != e.Print {
		return nil, false
	}
	return data, true
}
