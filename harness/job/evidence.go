package job

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"proveout/harness/reading"
)

// keepFile copies a file into the evidence folder while hashing it.
func keepFile(dir, file, role, caption string) (reading.Evidence, error) {
	src, err := openRegular(file)
	if err != nil {
		return reading.Evidence{}, fmt.Errorf("keeping evidence: %w", err)
	}
	defer src.Close()
	t, err := newTemp(filepath.Join(dir, evidenceDir))
	if err != nil {
		return reading.Evidence{}, plainError("keeping evidence", err)
	}
	defer t.discard()
	h := sha256.New()
	size, err := io.Copy(io.MultiWriter(t, h), src)
	if err != nil {
		return reading.Evidence{}, plainError("keeping "+file, err)
	}
	e, _, err := placeEvidence(dir, t, filepath.Base(file), hex.EncodeToString(h.Sum(nil)), size)
	if err != nil {
		return reading.Evidence{}, plainError("keeping "+file, err)
	}
	e.Role, e.Caption = role, caption
	return e, nil
}

// openRegular opens a file and refuses what is not one.
func openRegular(path string) (*os.File, error) {
	st, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if st.IsDir() {
		return nil, fmt.Errorf("%s is a folder; name a file in it", path)
	}
	return os.Open(path)
}

// placeEvidence gives the copy its name, unless the same file is there already.
// fresh reports whether it was not.
func placeEvidence(dir string, t *temp, name, sum string, size int64) (e reading.Evidence, fresh bool, err error) {
	e = reading.Evidence{SHA256: sum, Name: name, Size: size}
	if there := findEvidence(dir, sum); there != "" {
		if st, err := os.Stat(there); err == nil && st.Size() == size {
			e.Path = there
			return e, false, nil
		}
	}
	e.Path = filepath.Join(dir, evidenceDir, sum+extension(name))
	if err := t.file.Chmod(0o444); err != nil && !errors.Is(err, errors.ErrUnsupported) && !errors.Is(err, fs.ErrPermission) {
		return e, false, err
	}
	err = t.place(e.Path, ReplaceExisting)
	return e, err == nil, err
}

// findEvidence returns the path of the evidence with the given hash, or nothing.
func findEvidence(dir, sum string) string {
	if len(sum) != sha256.Size*2 {
		return ""
	}
	found, err := filepath.Glob(filepath.Join(globEscape(filepath.Join(dir, evidenceDir)), sum+"*"))
	if err != nil || len(found) == 0 {
		return ""
	}
	return found[0]
}

// globEscape takes the meaning out of the signs of a pattern in a folder's name.
func globEscape(path string) string {
	if os.PathSeparator == '\\' {
		return path // no escape there; such names are rare
	}
	return strings.NewReplacer(`\`, `\\`, "*", `\*`, "?", `\?`, "[", `\[`).Replace(path)
}

// extension returns the end of a file name if it is a short plain one.
func extension(name string) string {
	ext := strings.ToLower(filepath.Ext(name))
	if len(ext) < 2 || len(ext) > 9 {
		return ""
	}
	for _, c := range ext[1:] {
		if (c < 'a' || c > 'z') && (c < '0' || c > '9') {
			return ""
		}
	}
	return ext
}

func fileOf(e reading.Evidence) *File {
	return &File{SHA256: e.SHA256, Kept: filepath.Base(e.Path), Name: e.Name, Size: e.Size, Role: e.Role, Caption: e.Caption}
}

// FileOf returns the evidence as a journal entry has it.
func FileOf(e reading.Evidence) *File { return fileOf(e) }

// evidence turns what the journal has back into a piece of evidence.
func (f *File) evidence(dir string) reading.Evidence {
	return reading.Evidence{SHA256: f.SHA256, Name: f.Name, Size: f.Size, Role: f.Role, Caption: f.Caption,
		Path: filepath.Join(dir, evidenceDir, filepath.Base(f.Kept))}
}

// Verify reads all evidence of a job again and returns what does not fit its
// SHA-256 or is missing, one sentence each.
func Verify(dir string) ([]string, error) {
	r, err := readRecord(dir)
	if err != nil {
		return nil, err
	}
	j, err := ReadJournal(dir)
	if err != nil {
		return nil, err
	}
	want := map[string]string{} // hash to the name it was called by
	for _, p := range r.Card.Photos {
		want[p.SHA256] = p.Name
	}
	for _, e := range j.Entries {
		if e.File != nil {
			want[e.File.SHA256] = e.File.Name
		}
	}
	var problems []string
	for _, s := range []struct{ name, sum string }{{planFile, r.PlanSHA256}, {familyFile, r.FamilySHA256}} {
		if got, err := HashFile(filepath.Join(dir, s.name)); err != nil {
			problems = append(problems, fmt.Sprintf("%s cannot be read: %v", s.name, err))
		} else if got != s.sum {
			problems = append(problems, s.name+" was changed after the job was opened")
		}
	}
	for _, e := range j.Entries {
		if e.Issue == nil {
			continue
		}
		got, err := HashFile(filepath.Join(dir, issuedDir, filepath.Base(e.Issue.File)))
		if err != nil {
			problems = append(problems, fmt.Sprintf("issued %s cannot be read: %v", e.Issue.File, err))
		} else if got != e.Issue.SHA256 && e.Issue.Document == "certificate" {
			problems = append(problems, fmt.Sprintf("issued %s is not the file that was issued", e.Issue.File))
		}
	}
	sums := make([]string, 0, len(want))
	for sum := range want {
		sums = append(sums, sum)
	}
	slices.Sort(sums)
	for _, sum := range sums {
		path := findEvidence(dir, sum)
		if path == "" {
			problems = append(problems, fmt.Sprintf("evidence %s (%s…) is missing", want[sum], short(sum)))
			continue
		}
		got, err := HashFile(path)
		if err != nil {
			problems = append(problems, fmt.Sprintf("evidence %s cannot be read: %v", want[sum], err))
		} else if got != sum {
			problems = append(problems, fmt.Sprintf("evidence %s was changed: its SHA-256 is %s…, not %s…", want[sum], short(got), short(sum)))
		}
	}
	return problems, nil
}

func short(sum string) string { return sum[:min(12, len(sum))] }

// HashFile returns the SHA-256 of a file in hexadecimal digits, as files of a job
// are named by.
func HashFile(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}
