package job

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
)

// Overwrite says what to do with a file that is already there.
type Overwrite int

const (
	KeepExisting    Overwrite = iota // an error that is fs.ErrExist
	ReplaceExisting                  // the new file takes its place, whole
)

// WriteFile writes a file so that it is there whole or not at all: to a file
// beside it, synced, renamed, and the folder synced.
func WriteFile(path string, data []byte, over Overwrite) error {
	if over == KeepExisting {
		if _, err := os.Lstat(path); err == nil {
			return &fs.PathError{Op: "write", Path: path, Err: fs.ErrExist}
		}
	}
	t, err := newTemp(filepath.Dir(path))
	if err != nil {
		return err
	}
	defer t.discard()
	if _, err := t.Write(data); err != nil {
		return err
	}
	return t.place(path, over)
}

// A temp is a file that will be renamed or thrown away.
type temp struct {
	file    *os.File
	done    bool
	written int64
}

// Write adds to the file.
func (t *temp) Write(b []byte) (int, error) {
	n, err := t.file.Write(b)
	t.written += int64(n)
	return n, err
}

func newTemp(dir string) (*temp, error) {
	var r [8]byte
	rand.Read(r[:])
	f, err := os.OpenFile(filepath.Join(dir, ".new-"+hex.EncodeToString(r[:])), os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return nil, err
	}
	return &temp{file: f}, nil
}

// place syncs the file and gives it its name.
func (t *temp) place(path string, over Overwrite) error {
	if err := t.file.Sync(); err != nil {
		return err
	}
	if err := t.file.Close(); err != nil {
		return err
	}
	if over == KeepExisting {
		if err := linkNew(t.file.Name(), path); err != nil {
			return err
		}
	} else if err := os.Rename(t.file.Name(), path); err != nil {
		return err
	}
	t.done = true
	return syncDir(filepath.Dir(path))
}

// linkNew gives a file its name if no file has it. A hard link fails when the
// name is taken; where the file system has no hard links, a check and a rename
// have to do.
func linkNew(from, to string) error {
	err := os.Link(from, to)
	if err == nil {
		return os.Remove(from)
	}
	if errors.Is(err, fs.ErrExist) {
		return &fs.PathError{Op: "write", Path: to, Err: fs.ErrExist}
	}
	if _, err := os.Lstat(to); err == nil {
		return &fs.PathError{Op: "write", Path: to, Err: fs.ErrExist}
	}
	return os.Rename(from, to)
}

// discard throws the file away unless it was placed.
func (t *temp) discard() {
	if !t.done {
		t.file.Close()
		os.Remove(t.file.Name())
	}
}

// syncDir writes the names in a folder to the disk. Windows has no such call and
// keeps names by itself.
func syncDir(dir string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	if err := d.Sync(); err != nil && !errors.Is(err, errors.ErrUnsupported) && !syncUnsupported(err) {
		return err
	}
	return nil
}

// appendLine adds text to a small file and syncs it.
func appendLine(path, text string) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o644)
	if err != nil {
		return err
	}
	_, err = io.WriteString(f, text)
	if err == nil {
		err = f.Sync()
	}
	if e := f.Close(); err == nil {
		err = e
	}
	return err
}

// plainError says in a few words what a person can do about an error of the
// disk.
func plainError(doing string, err error) error {
	switch {
	case isFull(err):
		return fmt.Errorf("%s: the disk is full; nothing was recorded: %w", doing, err)
	case errors.Is(err, fs.ErrPermission) || isReadOnly(err):
		return fmt.Errorf("%s: the folder cannot be written; nothing was recorded: %w", doing, err)
	}
	return fmt.Errorf("%s: nothing was recorded: %w", doing, err)
}
