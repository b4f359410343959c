package job

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"proveout/harness/reading"
)

// The version for print stands in for a photo only while it is the one that the
// job names.
func TestPrintVersionIsTheNamedOne(t *testing.T) {
	photo := filepath.Join(t.TempDir(), "front.jpg")
	if err := os.WriteFile(photo, []byte("a large picture"), 0o600); err != nil {
		t.Fatal(err)
	}
	small := []byte("a small picture")
	o := opening()
	o.Photos = []Photo{{File: photo, Role: "photo before", Print: small}}
	dir, err := Create(t.TempDir(), o)
	if err != nil {
		t.Fatal(err)
	}
	read := func() (reading.Evidence, []byte, bool) {
		j, _, err := Load(dir)
		if err != nil || len(j.Card.Photos) != 1 {
			t.Fatalf("%v, %d photos", err, len(j.Card.Photos))
		}
		got, ok := ReadPrint(dir, j.Card.Photos[0])
		return j.Card.Photos[0], got, ok
	}
	e, got, ok := read()
	if !ok || !bytes.Equal(got, small) {
		t.Fatalf("%q, %v", got, ok)
	}
	f, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	if err := f.Amend(func(j *reading.Job) { j.Complaint = "another" }); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	if _, _, ok := read(); !ok {
		t.Error("an amendment loses the version for print")
	}
	path := printPath(dir, e.SHA256)
	if err := os.WriteFile(path, []byte("another picture"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, got, ok := read(); ok {
		t.Errorf("taken though it is another: %q", got)
	}
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	if _, _, ok := read(); ok {
		t.Error("taken though it is gone")
	}
}
