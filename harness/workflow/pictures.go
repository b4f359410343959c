package workflow

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"os"
	"path/filepath"
	"reflect"
	"strings"

	"golang.org/x/image/bmp"

	"proveout/harness/job"
	"proveout/plans"
	"proveout/plans/document"
	"proveout/plans/fact"
	"proveout/scoring"
	"proveout/scoring/memory"
	"proveout/scoring/picture"
	"proveout/scoring/picture/align"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
)

// readCapture reads the capture at a path; messages call it by name.
func readCapture(path, name string, mode *pattern.Mode) (*raster.RGB, error) {
	if st, err := os.Stat(path); err == nil && st.IsDir() {
		return nil, fmt.Errorf("%s is a folder, not a picture", name)
	}
	file, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	p, err := scoring.ReadCapture(file, filepath.Base(path), mode)
	var pe *os.PathError
	if err != nil && !errors.As(err, &pe) {
		err = fmt.Errorf("%s: %w", name, err)
	}
	return p, err
}

// TestPicture draws the test picture of a name in a mode.
func TestPicture(name string, mode pattern.Mode) (*pattern.Frame, error) {
	p, err := pattern.ParseName(name, mode)
	if err == nil {
		return p.Render()
	}
	if plans.IsTestPicture(name) {
		return nil, fmt.Errorf("%s cannot be shown at %s: its pixels have no such bit", name, mode)
	}
	if near := document.Nearest(name, plans.TestPictures()); near != "" {
		return nil, fmt.Errorf("there is no test picture %q; did you mean %q?", name, near)
	}
	return nil, fmt.Errorf("there is no test picture %q; proveout picture list shows the names", name)
}

// ShownPicture reads what was shown, as a person says it: NAME@MODE, a file with
// a test picture, or FILE@MODE for a dump and for a picture of one's own. path
// says where a file is that was typed.
func ShownPicture(text string, path func(typed string) string) (*pattern.Frame, error) {
	if _, err := os.Stat(path(text)); err == nil {
		return pictureFile(path(text), text, nil)
	}
	at := strings.LastIndex(text, "@")
	switch {
	case at < 0 && plans.IsTestPicture(text):
		return nil, fmt.Errorf("say for which mode, as in %s@1024x768x16", text)
	case at < 0:
		return nil, fmt.Errorf("%s is neither a file nor a test picture with its mode, such as random-1@1024x768x16", text)
	}
	name := text[:at]
	mode, err := scoring.PictureMode(text[at+1:])
	if err != nil {
		return nil, err
	}
	if _, err := os.Stat(path(name)); err == nil {
		return pictureFile(path(name), name, &mode)
	}
	return TestPicture(name, mode)
}

// pictureFile reads a file with a picture that was shown, called by a name.
func pictureFile(path, name string, mode *pattern.Mode) (*pattern.Frame, error) {
	if scoring.IsRaw(name) {
		return pictureDump(path, name, mode)
	}
	p, err := readCapture(path, name, nil)
	if err != nil {
		return nil, err
	}
	f, err := pattern.Recognise(p)
	switch {
	case err == nil && mode != nil && f.Mode != *mode:
		return nil, fmt.Errorf("%s is made for %s, not for %s", name, f.Mode, mode)
	case err == nil:
		return f, nil
	case mode == nil && errors.Is(err, pattern.ErrForeign):
		return nil, fmt.Errorf("%s is not one of the test pictures: to use it all the same say its mode, "+
			"as in %s@1024x768x16", name, name)
	case mode == nil:
		return nil, fmt.Errorf("%s: %w", name, err)
	case p.Width != mode.Width || p.Height != mode.Height:
		return nil, fmt.Errorf("%s has %d×%d pixels, not %d×%d", name, p.Width, p.Height, mode.Width, mode.Height)
	}
	if f, err = pattern.FromRGB(p, mode.Format); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return f, nil
}

func pictureDump(path, name string, mode *pattern.Mode) (*pattern.Frame, error) {
	if mode == nil {
		return nil, fmt.Errorf("%s is a raw dump: say its mode, as in %s@1024x768x16", name, name)
	}
	dump, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer dump.Close()
	f, err := pattern.ReadDump(dump, *mode)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	if own, err := pattern.Recognise(f.RGB()); err == nil && own.Mode == *mode {
		return own, nil
	}
	return f, nil
}

// CompareCapture reads the capture at a path, called by a name, and compares it
// with what was shown; where that is nil, the capture tells.
func CompareCapture(path, name string, shown *pattern.Frame, o picture.Options) (*picture.Result, error) {
	var mode *pattern.Mode
	if shown != nil {
		mode = &shown.Mode
	}
	p, err := readCapture(path, name, mode)
	if err != nil {
		return nil, err
	}
	if shown == nil {
		found, err := align.Identify(p)
		if err != nil {
			// It may be that nothing of the picture is left: that is a result
			// too, but nobody can say of what.
			return &picture.Result{Reason: unidentified(p), Route: o.Route, Findings: []picture.Finding{}}, nil
		}
		if shown, err = found.Render(); err != nil {
			return nil, err
		}
	}
	r, err := picture.Compare(shown, p, o)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return r, nil
}

// unidentified says why nobody can tell what a capture shows.
func unidentified(p *raster.RGB) fact.Fact {
	if turn, shown, ok := align.Turned(p, 0, 0); ok {
		return picture.TurnedPicture(turn, shown)
	}
	return fact.New("picture.not-identified")
}

// WriteFrame writes a test picture whole or not at all, by the ending of the
// file's name.
func WriteFrame(f *pattern.Frame, path string) error {
	switch endingOf(path) {
	case "raw":
		return job.WriteFile(path, f.Bytes(), job.ReplaceExisting)
	case "png", "bmp":
		return WritePicture(f.Image(), path)
	}
	return fmt.Errorf("%s: test pictures are written as .png, .bmp or .raw", path)
}

// WritePicture writes a picture as PNG, BMP or JPEG, whole or not at all.
func WritePicture(m image.Image, path string) error {
	var b bytes.Buffer
	var err error
	switch endingOf(path) {
	case "png":
		err = (&png.Encoder{CompressionLevel: png.BestSpeed}).Encode(&b, m)
	case "bmp":
		err = bmp.Encode(&b, m)
	case "jpg", "jpeg":
		err = jpeg.Encode(&b, m, &jpeg.Options{Quality: 92})
	default:
		return fmt.Errorf("%s: pictures are written as .png, .bmp or .jpg", path)
	}
	if err != nil {
		return err
	}
	return job.WriteFile(path, b.Bytes(), job.ReplaceExisting)
}

// endingOf is the ending of a file's name without its dot, in lower case.
func endingOf(path string) string {
	return strings.TrimPrefix(strings.ToLower(filepath.Ext(path)), ".")
}

// FrameMemory is the memory that holds the picture of a family's cards, whose
// chips it names.
func FrameMemory(family *plans.Family) (*memory.Organisation, error) {
	org := scoring.FrameMemory(family)
	if org == nil {
		return nil, fmt.Errorf("the family %s does not say how its memory is put together, so no chip can be named",
			family.ID)
	}
	return org, nil
}

// ForPictures is the variant of a family that names the chips of a picture;
// without a name the first, where the variants do not differ in memory.
func ForPictures(file *plans.FamilyFile, variant string) (*plans.Family, error) {
	if variant != "" || len(file.Variants()) == 0 {
		return file.Variant(variant)
	}
	var first *plans.Family
	for _, name := range file.Variants() {
		v, err := file.Variant(name)
		if first == nil {
			first = v
		}
		if err != nil || !reflect.DeepEqual(scoring.FrameMemory(first), scoring.FrameMemory(v)) {
			return file.Variant("") // which says that one must be named
		}
	}
	return first, nil
}
