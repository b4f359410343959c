package command

import (
	"errors"
	"fmt"
	"path/filepath"

	"github.com/urfave/cli/v2"

	"proveout/harness/workflow"
	"proveout/scoring/picture/pattern"
)

func (c *Console) pictureSetCommand() *cli.Command {
	s := &workflow.PictureSet{}
	only := func(m pattern.Mode) { s.Modes = []pattern.Mode{m} }
	return &cli.Command{
		Name:      "set",
		Usage:     "write all test pictures of a family, and a sheet that says how to show them",
		ArgsUsage: "DIR",
		Flags: []cli.Flag{
			shopFlag, familyFlag, variantFlag,
			choice("format", "`KIND` of file: png, bmp or raw", to(&s.Format), "png", "bmp", "raw").or("png"),
			shownMode("only this display `MODE`; else all of the family", only),
		},
		Action: func(x *cli.Context) error {
			if x.NArg() != 1 {
				return errors.New("name the folder to write, as in: proveout picture set pictures --family ID")
			}
			var err error
			if s.Family, err = c.pictureFamily(x); err != nil {
				return err
			}
			if s.Family == nil {
				return errors.New("name the board family with --family: its display modes say which pictures are needed; " +
					"proveout families lists them")
			}
			if s.Modes == nil {
				if err := s.AllModes(); err != nil {
					return err
				}
			}
			name := x.Args().First()
			n, err := s.Write(x.Context, c.path(name))
			if err != nil {
				return err
			}
			fmt.Fprintf(c.Out, "Wrote %d pictures for %d modes of %s to %s.\nHow to show them stands in %s.\n",
				n, len(s.Modes), s.Family.Title, name, filepath.Join(name, workflow.SheetFile))
			for _, l := range s.Left {
				fmt.Fprintf(c.Out, "Left out: %s.\n", l)
			}
			return nil
		},
	}
}
