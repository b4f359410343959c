package plans

import (
	"embed"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"proveout/plans/document"
)

//go:embed library
var library embed.FS

// FileKind is what a file describes.
type FileKind string

// The kinds of file. Plans and families are found by id; a shop has one file, shop.toml.
const (
	PlanKind   FileKind = "plan"
	FamilyKind FileKind = "family"
	ShopKind   FileKind = "shop"
)

// folder returns where a shop keeps files of the kind.
func (k FileKind) folder() string {
	if k == PlanKind {
		return "plans"
	}
	return "families"
}

func (k FileKind) suffix() string { return "." + string(k) + ".toml" }

// FileName returns what a file of the kind is called: "quick.plan.toml".
func (k FileKind) FileName(id string) string { return id + k.suffix() }

// inLibrary returns the name that a built-in one has in messages.
func (k FileKind) inLibrary(id string) string {
	return path.Join("library", k.folder(), k.FileName(id))
}

// embedded returns the ids of the library, sorted.
func embedded(kind FileKind) []string {
	entries, err := library.ReadDir(path.Join("library", kind.folder()))
	if err != nil {
		return nil
	}
	var ids []string
	for _, e := range entries {
		if id, ok := strings.CutSuffix(e.Name(), kind.suffix()); ok {
			ids = append(ids, id)
		}
	}
	return ids
}

// Find looks for a plan or family by id: in the shop's plans or families folder
// first, then in the library. An empty shopDir means the library alone. The name
// is a path, or that in the library.
func Find(shopDir string, kind FileKind, id string) (name string, data []byte, err error) {
	if shopDir != "" && document.IsID(id) {
		name = filepath.Join(shopDir, kind.folder(), kind.FileName(id))
		if _, err := os.Lstat(name); !errors.Is(err, fs.ErrNotExist) {
			data, err = readFile(name)
			return name, data, err
		}
	}
	if document.IsID(id) {
		name = kind.inLibrary(id)
		if data, err = library.ReadFile(name); err == nil {
			return name, data, nil
		}
	}
	entries, err := List(shopDir, kind)
	if err != nil {
		entries, _ = List("", kind)
	}
	known := NamesOf(entries, func(e Entry) string { return e.ID })
	err = fmt.Errorf("there is no %s %s; %s", kind, document.Quoted(id), document.DidYouMean(id, known))
	return "", nil, err
}

// FindPlan finds and reads a plan. The error holds all [Problems] of the file.
func FindPlan(shopDir, id string) (*Plan, error) {
	return findAndRead(shopDir, PlanKind, id, ParsePlan, func(p *Plan) string { return p.ID })
}

// FindFamily finds and reads a family. The error holds all [Problems] of the
// file.
func FindFamily(shopDir, id string) (*FamilyFile, error) {
	return findAndRead(shopDir, FamilyKind, id, ParseFamily, func(f *FamilyFile) string { return f.ID })
}

func findAndRead[T any](
	shopDir string, kind FileKind, id string, parse func(name string, data []byte) (*T, []Problem), idOf func(*T) string,
) (*T, error) {
	name, data, err := Find(shopDir, kind, id)
	if err != nil {
		return nil, err
	}
	read, problems := parse(name, data)
	if read != nil && idOf(read) != id {
		inside := idOf(read)
		what := "the " + string(kind) + " inside has the id " + document.Quoted(inside) + ", not that of the file"
		fix := "call the file " + kind.FileName(inside) + `, or write id = "` + id + `"`
		return nil, Problems{{File: name, What: what, Fix: fix}}
	}
	return read, AsError(problems)
}

// An Entry is a plan or family that can be used.
type Entry struct {
	Kind    FileKind `json:"kind"`
	ID      string   `json:"id"`
	Name    string   `json:"name"`     // path, or its name in the library
	BuiltIn bool     `json:"built_in"` // in the library
}

// List returns what can be found in a shop and in the library, sorted by id.
func List(shopDir string, kind FileKind) ([]Entry, error) {
	var out []Entry
	if shopDir != "" {
		folder := filepath.Join(shopDir, kind.folder())
		entries, err := os.ReadDir(folder)
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return nil, err
		}
		for _, e := range entries {
			if id, ok := strings.CutSuffix(e.Name(), kind.suffix()); ok && document.IsID(id) {
				out = append(out, Entry{Kind: kind, ID: id, Name: filepath.Join(folder, e.Name())})
			}
		}
	}
	for _, id := range embedded(kind) {
		if !slices.ContainsFunc(out, func(e Entry) bool { return e.ID == id }) {
			out = append(out, Entry{Kind: kind, ID: id, Name: kind.inLibrary(id), BuiltIn: true})
		}
	}
	slices.SortFunc(out, func(a, b Entry) int { return strings.Compare(a.ID, b.ID) })
	return out, nil
}

// kindOf tells from its name what a file describes: NAME.plan.toml,
// NAME.family.toml, shop.toml, and the plan.toml and family.toml of a job. It
// reports "" when the name does not say.
func kindOf(name string) FileKind {
	base := filepath.Base(name)
	switch {
	case strings.HasSuffix(base, PlanKind.suffix()) || base == "plan.toml":
		return PlanKind
	case strings.HasSuffix(base, FamilyKind.suffix()) || base == "family.toml":
		return FamilyKind
	case base == "shop.toml":
		return ShopKind
	}
	return ""
}

// kindInside tells from its keys what a file describes.
func kindInside(data []byte) FileKind {
	root := document.NewCollector("", data).Parse()
	switch {
	case root.Get("step") != nil:
		return PlanKind
	case root.Get("bus") != nil || root.Get("memory") != nil || root.Get("variant") != nil || root.Get("maker") != nil:
		return FamilyKind
	case root.Get("bench") != nil || root.Get("technician") != nil:
		return ShopKind
	}
	return ""
}

// CheckFile reads a plan, a family or a shop and returns what it is and
// everything that is wrong with it. A file whose name and keys do not say what
// it is, is taken for otherwise. The languages are those that a shop may choose
// from.
func CheckFile(name string, otherwise FileKind, languages []string) (FileKind, []Problem) {
	data, err := readFile(name)
	if err != nil {
		problems, _ := ProblemsOf(err)
		return otherwise, problems
	}
	kind := kindOf(name)
	if kind == "" && len(data) <= document.MaxFile {
		kind = kindInside(data)
	}
	if kind == "" {
		kind = otherwise
	}
	var problems []Problem
	switch kind {
	case FamilyKind:
		_, problems = ParseFamily(name, data)
	case ShopKind:
		_, problems = ParseShop(name, data, languages...)
	default:
		_, problems = ParsePlan(name, data)
	}
	return kind, problems
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
		return nil, Problems{document.TooLarge(path, info.Size())}
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
