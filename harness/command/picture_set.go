package command

import (
	"bytes"
	_ "embed"
	"errors"
	"fmt"
	"html/template"
	"os"
	"path/filepath"

	"github.com/urfave/cli/v2"

	"proveout/harness/job"
	"proveout/plans"
	"proveout/scoring/picture/pattern"
)

func (c *Console) pictureSetCommand() *cli.Command {
	s := &pictureSet{}
	only := func(m pattern.Mode) { s.modes = []pattern.Mode{m} }
	return &cli.Command{
		Name:      "set",
		Usage:     "write all test pictures of a family, and a sheet that says how to show them",
		ArgsUsage: "DIR",
		Flags: []cli.Flag{
			shopFlag, familyFlag, variantFlag,
			choice("format", "`KIND` of file: png, bmp or raw", to(&s.format), "png", "bmp", "raw").or("png"),
			shownMode("only this display `MODE`; else all of the family", only),
		},
		Action: func(x *cli.Context) error {
			if x.NArg() != 1 {
				return errors.New("name the folder to write, as in: proveout picture set pictures --family ID")
			}
			var err error
			if s.family, err = c.pictureFamily(x); err != nil {
				return err
			}
			if s.family == nil {
				return errors.New("name the board family with --family: its display modes say which pictures are needed; " +
					"proveout families lists them")
			}
			if s.modes == nil {
				if s.modes, s.left, err = depthsOf(s.family); err != nil {
					return err
				}
			}
			return c.writeSet(x, s, x.Args().First())
		},
	}
}

// A pictureSet is the pictures of a family in a folder for each mode.
type pictureSet struct {
	family *plans.Family
	format string
	modes  []pattern.Mode
	left   []string // what there are no pictures for
}

// sheetFile is the sheet of a set.
const sheetFile = "how-to-show.html"

func (c *Console) writeSet(x *cli.Context, s *pictureSet, name string) error {
	dir := c.path(name)
	if entries, err := os.ReadDir(dir); err == nil && len(entries) > 0 {
		return fmt.Errorf("%s is there already and holds files; name another folder, or take it away first", name)
	}
	n := 0
	for _, m := range s.modes {
		folder := filepath.Join(dir, m.String())
		if err := os.MkdirAll(folder, 0o755); err != nil {
			return err
		}
		for _, p := range pattern.All(m) {
			if err := x.Context.Err(); err != nil {
				return err
			}
			f, err := p.Render()
			if err != nil {
				return err
			}
			if err := writeFrame(f, filepath.Join(folder, p.Name()+"."+s.format), s.format); err != nil {
				return err
			}
			n++
		}
	}
	sheet, err := s.sheet()
	if err != nil {
		return err
	}
	if err := job.WriteFile(filepath.Join(dir, sheetFile), sheet, job.ReplaceExisting); err != nil {
		return err
	}
	fmt.Fprintf(c.Out, "Wrote %d pictures for %d modes of %s to %s.\nHow to show them stands in %s.\n",
		n, len(s.modes), s.family.Title, name, filepath.Join(name, sheetFile))
	for _, l := range s.left {
		fmt.Fprintf(c.Out, "Left out: %s.\n", l)
	}
	return nil
}

//go:embed picture_set.html
var sheetTemplate string

// A sheetMode is what the sheet says of one mode.
type sheetMode struct {
	Name, Size string
	Bytes      int64
	Pictures   []shownPicture
}

// sheet writes the printable sheet of a set.
func (s *pictureSet) sheet() ([]byte, error) {
	title := s.family.Title
	if s.family.Variant != "" {
		title += ", variant " + s.family.Variant
	}
	var modes []sheetMode
	for _, m := range s.modes {
		one := sheetMode{Name: m.String(), Size: fmt.Sprintf("%d × %d", m.Width, m.Height), Bytes: m.Bytes()}
		planes := map[pattern.Kind]string{ // the many of a kind in one line
			pattern.BitPlane: "plane-…, highest bit first, each with its inverse",
			pattern.BitSolid: "bit-…, highest bit first, each with its inverse",
		}
		for _, p := range pattern.All(m) {
			name := p.Name()
			if together, many := planes[p.Kind]; many {
				if name = together; name == "" {
					continue
				}
				planes[p.Kind] = ""
			}
			one.Pictures = append(one.Pictures, shownPicture{name, purpose(p)})
		}
		modes = append(modes, one)
	}
	t, err := template.New("sheet").Parse(sheetTemplate)
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	err = t.Execute(&b, map[string]any{"Title": title, "Raw": s.format == "raw", "Modes": modes, "Left": s.left})
	return b.Bytes(), err
}
