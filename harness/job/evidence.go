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
	"strings"

	"proveout/harness/reading"
)

// Files reads the evidence of a job folder; parse is what reads the logs in it.
// What is found out about a file is kept in the folder, for as long as this
// program is the same.
func Files(dir string, parse func(reading.Opener) reading.Files) reading.Files {
	open := func(e reading.Evidence) (io.ReadCloser, error) { return os.Open(EvidencePath(dir, e)) }
	return files{parse(open), dir}
}

type files struct {
	reading.Files
	dir string
}

func (f files) Recall(of reading.Evidence, key string) ([]byte, bool) {
	return recall(f.dir, of.SHA256, key)
}
func (f files) Keep(of reading.Evidence, key string, found []byte) {
	keepComputed(f.dir, of.SHA256, key, found)
}

// EvidencePath is where the folder of a job keeps a file, or would.
func EvidencePath(dir string, e reading.Evidence) string {
	path := filepath.Join(dir, evidenceDir, filepath.Base(e.SHA256+extension(e.Name)))
	if _, err := os.Stat(path); err != nil { // it may have come in by another name before
		if other := findEvidence(dir, e.SHA256); other != "" {
			return other
		}
	}
	return path
}

// keepFile copies a file into the evidence folder while hashing it. read, which
// may be nil, reads it on the way and may refuse it. doing is what messages say
// is being done.
func keepFile(dir, path, doing string, read func(name string, file io.Reader) error) (File, error) {
	src, err := openRegular(path)
	if err != nil {
		return File{}, fmt.Errorf("%s: %w", doing, err)
	}
	defer src.Close()
	t, err := newTemp(filepath.Join(dir, evidenceDir))
	if err != nil {
		return File{}, plainError(doing, err)
	}
	defer t.discard()
	h := sha256.New()
	copied := io.TeeReader(src, io.MultiWriter(t, h))
	name := filepath.Base(path)
	if read != nil {
		err = read(name, copied)
		if err != nil && !isFull(err) && !isReadOnly(err) {
			return File{}, err
		}
	}
	if err == nil {
		_, err = io.Copy(io.Discard, copied) // what was not read yet
	}
	if err != nil {
		return File{}, plainError(doing, err)
	}
	f, err := placeEvidence(dir, t, name, hex.EncodeToString(h.Sum(nil)), t.written)
	if err != nil {
		return File{}, plainError(doing, err)
	}
	return f, nil
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
func placeEvidence(dir string, t *temp, name, sum string, size int64) (f File, err error) {
	f.Name, f.SHA256, f.Size = name, sum, size
	if there := findEvidence(dir, sum); there != "" {
		if st, err := os.Stat(there); err == nil && st.Size() == size {
			f.Kept = filepath.Base(there)
			return f, nil
		}
	}
	f.Kept = sum + extension(name)
	err = t.file.Chmod(0o444)
	if err != nil && !errors.Is(err, errors.ErrUnsupported) && !errors.Is(err, fs.ErrPermission) {
		return f, err
	}
	err = t.place(filepath.Join(dir, evidenceDir, f.Kept), ReplaceExisting)
	f.fresh = err == nil
	return f, err
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

// HasEvidence reports whether the folder of a job keeps a file of a hash.
func HasEvidence(dir, sum string) bool { return findEvidence(dir, sum) != "" }

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
