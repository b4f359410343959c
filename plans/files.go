package plans

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"proveout/plans/document"
)

// LoadPlan reads a plan from a file. The error holds all [Problems].
func LoadPlan(path string) (*Plan, error) {
	data, err := readFile(path)
	if err != nil {
		return nil, err
	}
	p, problems := ParsePlan(path, data)
	return p, AsError(problems)
}

// LoadFamily reads a family from a file. The error holds all [Problems].
func LoadFamily(path string) (*FamilyFile, error) {
	data, err := readFile(path)
	if err != nil {
		return nil, err
	}
	f, problems := ParseFamily(path, data)
	return f, AsError(problems)
}

// LoadShop reads a shop from a file. The error holds all [Problems].
func LoadShop(path string) (*Shop, error) {
	data, err := readFile(path)
	if err != nil {
		return nil, err
	}
	s, problems := ParseShop(path, data)
	return s, AsError(problems)
}

// readFile reads a regular file of at most [document.MaxFile] bytes. What is wrong with
// it as a file is a problem like any other.
func readFile(path string) ([]byte, error) {
	refuse := func(what, fix string) error {
		return Problems{{File: path, What: what, Fix: fix}}
	}
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, refuse("there is no such file", "")
	case err != nil:
		return nil, refuse(reason(err), "")
	case info.IsDir():
		return nil, refuse("this is a folder", "give a file inside it")
	case !info.Mode().IsRegular():
		return nil, refuse("this is no regular file", "")
	case info.Size() > document.MaxFile:
		return nil, refuse(fmt.Sprintf("the file has %d bytes; 1 MiB is the most that is read", info.Size()), "give the right file")
	}
	file, err := os.Open(path)
	if err != nil {
		return nil, refuse(reason(err), "")
	}
	defer file.Close()
	data, err := io.ReadAll(io.LimitReader(file, document.MaxFile+1))
	if err != nil {
		return nil, refuse(reason(err), "")
	}
	return data, nil
}

// reason is the error of the system without the path, which stands before it.
func reason(err error) string {
	var pe *fs.PathError
	if errors.As(err, &pe) {
		return pe.Err.Error()
	}
	return err.Error()
}
