package workflow

import (
	"errors"
	"fmt"
	"image"
	_ "image/jpeg" // photos
	_ "image/png"  // photos
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	_ "golang.org/x/image/bmp"  // photos
	_ "golang.org/x/image/tiff" // photos

	"proveout/harness/logs"
	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/document"
	"proveout/report/content"
)

// checkFile refuses what is no file.
func checkFile(path string) error {
	f, err := OpenFile(path)
	if err != nil {
		return err
	}
	return f.Close()
}

// OpenFile opens a file that a person named.
func OpenFile(path string) (*os.File, error) {
	if info, err := os.Stat(path); err == nil && info.IsDir() {
		return nil, fmt.Errorf("%s is a folder, not a file; name a file in it", path)
	}
	return os.Open(path)
}

// ReadTyped reads a file that a person wrote.
func ReadTyped(path string) ([]byte, error) { return readFile(path, reading.MostTyped) }

// readFile reads a whole file of at most so many bytes.
func readFile(path string, most int64) ([]byte, error) {
	f, err := OpenFile(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return ReadAtMost(f, path, most)
}

// ReadAtMost reads a whole file of at most so many bytes, called by a name.
func ReadAtMost(r io.Reader, name string, most int64) ([]byte, error) {
	data, err := io.ReadAll(io.LimitReader(r, most+1))
	if err != nil {
		return nil, fmt.Errorf("reading %s: %w", name, err)
	}
	if int64(len(data)) > most {
		return nil, fmt.Errorf("%s is larger than %d KiB: is this the right file?", name, most>>10)
	}
	return data, nil
}

// isPicture reports whether the file begins like a picture.
func isPicture(path string) bool {
	f, err := os.Open(path)
	if err != nil {
		return false
	}
	defer f.Close()
	_, _, err = image.DecodeConfig(f)
	return err == nil
}

// readPicture reads a photo and turns it the way the camera was held.
func readPicture(path string) (image.Image, error) {
	if st, err := os.Stat(path); err == nil && st.Size() > reading.MostPicture {
		return nil, errors.New("the file is larger than 256 MiB")
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	img, err := content.ReadPhoto(data)
	if errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, io.EOF) {
		err = errors.New("the file is cut off")
	}
	return img, err
}

// printVersion reads a photo whole, so that one that is cut off is refused now
// and not when the certificate is written, and makes its version for print, the
// nth of its job.
func printVersion(path string, n int) ([]byte, error) {
	if err := checkFile(path); err != nil {
		return nil, err
	}
	img, err := readPicture(path)
	if err != nil {
		return nil, fmt.Errorf("%s is not a picture this program reads: %w", path, err)
	}
	return content.PrintVersion(img, n)
}

// MapNamed reads a log map: the file at a path, else the shop's map of a name.
func MapNamed(shopDir, name, path string) (logs.Map, error) {
	if _, err := os.Stat(path); err != nil {
		path = mapFile(shopDir, strings.TrimSuffix(name, ".toml"))
		if _, err := os.Stat(path); err != nil {
			return logs.Map{}, fmt.Errorf("there is no log map %q, neither as a file nor in the shop's logmaps folder", name)
		}
	}
	return readMap(path)
}

func mapFile(shopDir, name string) string { return filepath.Join(shopDir, "logmaps", name+".toml") }

func readMap(path string) (logs.Map, error) {
	data, err := ReadTyped(path)
	if err != nil {
		return logs.Map{}, err
	}
	m, problems := logs.ParseMap(path, data)
	return m, document.AsError(problems)
}

// MapNames are the names of the log maps of a shop.
func MapNames(shopDir string) ([]string, error) {
	files, err := os.ReadDir(filepath.Join(shopDir, "logmaps"))
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, err
	}
	var names []string
	for _, f := range files {
		if name, is := strings.CutSuffix(f.Name(), ".toml"); is {
			names = append(names, name)
		}
	}
	return names, nil
}

// PlanMaps reads the log maps that a plan names, by the ids of their steps:
// those of the given steps, or of all when there are none.
func PlanMaps(shopDir string, plan *plans.Plan, steps ...string) (map[string]logs.Map, error) {
	have, err := MapNames(shopDir)
	if err != nil {
		return nil, err
	}
	if err := plans.AsError(plans.CheckLogMaps(plan, have, steps...)); err != nil {
		return nil, err
	}
	maps := map[string]logs.Map{}
	for i := range plan.Steps {
		st := &plan.Steps[i]
		if st.LogMap() == "" || len(steps) > 0 && !slices.Contains(steps, st.ID) {
			continue
		}
		if maps[st.ID], err = readMap(mapFile(shopDir, st.LogMap())); err != nil {
			return nil, err
		}
	}
	return maps, nil
}

// checkPlace refuses a place where no temperature sensor sits; empty is none.
func checkPlace(place string) error {
	places := plans.WordsAt(plans.FamilyKind, "thermal.sensor")
	if place == "" || slices.Contains(places, place) {
		return nil
	}
	return fmt.Errorf("--place: %q is not %s", place, document.Alternatives(places))
}
