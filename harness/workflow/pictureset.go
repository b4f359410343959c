package workflow

import (
	"bytes"
	"context"
	_ "embed"
	"fmt"
	"html/template"
	"os"
	"path/filepath"
	"slices"

	"proveout/harness/job"
	"proveout/plans"
	"proveout/scoring"
	"proveout/scoring/picture/pattern"
)

// A PictureSet is the test pictures of a family in a folder for each mode.
type PictureSet struct {
	Family *plans.Family
	Format string // png, bmp or raw
	Modes  []pattern.Mode
	Left   []string // what there are no pictures for
}

// AllModes takes the modes of the family that have a test picture, and notes why
// the others have none.
func (s *PictureSet) AllModes() error {
	for _, shown := range s.Family.Modes {
		m, err := scoring.PictureMode(shown.Text)
		if err != nil {
			s.Left = append(s.Left, err.Error())
		} else if !slices.Contains(s.Modes, m) {
			s.Modes = append(s.Modes, m)
		}
	}
	if len(s.Modes) == 0 {
		return fmt.Errorf("the family %s names no display mode that a test picture can be made for; "+
			"name one with --mode", s.Family.ID)
	}
	return nil
}

// SheetFile is the sheet of a set, which says how to show its pictures.
const SheetFile = "how-to-show.html"

// Write writes the pictures and their sheet into a folder, and returns how many
// pictures there are.
func (s *PictureSet) Write(ctx context.Context, dir string) (n int, err error) {
	if entries, err := os.ReadDir(dir); err == nil && len(entries) > 0 {
		return 0, fmt.Errorf("%s is there already and holds files; name another folder, or take it away first", dir)
	}
	for _, m := range s.Modes {
		folder := filepath.Join(dir, m.String())
		if err := os.MkdirAll(folder, 0o755); err != nil {
			return n, err
		}
		for _, p := range pattern.All(m) {
			if err := ctx.Err(); err != nil {
				return n, err
			}
			f, err := p.Render()
			if err != nil {
				return n, err
			}
			if err := WriteFrame(f, filepath.Join(folder, p.Name()+"."+s.Format)); err != nil {
				return n, err
			}
			n++
		}
	}
	sheet, err := s.sheet()
	if err != nil {
		return n, err
	}
	return n, job.WriteFile(filepath.Join(dir, SheetFile), sheet, job.ReplaceExisting)
}

//go:embed picture_set.html
var sheetTemplate string

// A sheetMode is what the sheet says of one mode.
type sheetMode struct {
	Name, Size string
	Bytes      int64
	Pictures   []PictureLine
}

// A PictureLine says what a test picture is for.
type PictureLine struct {
	Name    string `json:"name"`
	Purpose string `json:"purpose"`
}

// sheet writes the printable sheet of a set.
func (s *PictureSet) sheet() ([]byte, error) {
	title := s.Family.Title
	if s.Family.Variant != "" {
		title += ", variant " + s.Family.Variant
	}
	var modes []sheetMode
	for _, m := range s.Modes {
		one := sheetMode{Name: m.String(), Size: fmt.Sprintf("%d × %d", m.Width, m.Height), Bytes: m.Bytes()}
		many := map[pattern.Kind]string{ // those of a kind in one line
			pattern.BitPlane: "plane-…, highest bit first, each with its inverse",
			pattern.BitSolid: "bit-…, highest bit first, each with its inverse",
		}
		for _, p := range pattern.All(m) {
			name := p.Name()
			if together, are := many[p.Kind]; are {
				if name = together; name == "" {
					continue
				}
				many[p.Kind] = ""
			}
			one.Pictures = append(one.Pictures, PictureLine{name, purposes[p.Kind]})
		}
		modes = append(modes, one)
	}
	t, err := template.New("sheet").Parse(sheetTemplate)
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	err = t.Execute(&b, map[string]any{"Title": title, "Raw": s.Format == "raw", "Modes": modes, "Left": s.Left})
	return b.Bytes(), err
}

// PictureLines says what each test picture of a mode is for.
func PictureLines(m pattern.Mode) []PictureLine {
	var out []PictureLine
	for _, p := range pattern.All(m) {
		out = append(out, PictureLine{p.Name(), purposes[p.Kind]})
	}
	return out
}

// purposes are what test pictures are for.
var purposes = map[pattern.Kind]string{
	pattern.Solid:            "one colour: dead channels, noise, stripes that the eye sees",
	pattern.Ramp:             "every level of each channel: converter bits, gain and gamma",
	pattern.Checker:          "one-pixel checker: sampling phase",
	pattern.VerticalLines:    "one-pixel columns: bandwidth and sampling phase",
	pattern.HorizontalLines:  "one-pixel rows: interlace and line doubling",
	pattern.Grid:             "geometry: size, position and what is cut off",
	pattern.Text:             "small strokes: sharpness, and displaced blocks",
	pattern.Random:           "every bit random: data lines, chips, address lines",
	pattern.RandomComplement: "every bit random: data lines, chips, address lines",
	pattern.BitPlane:         "one bit random: data lines, for captures that cannot tell near levels apart",
	pattern.BitSolid:         "one bit all over: stuck lines, for photographs",
}
