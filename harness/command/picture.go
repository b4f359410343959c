package command

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
	"slices"
	"strconv"
	"strings"

	"github.com/urfave/cli/v2"
	"golang.org/x/image/bmp"

	"proveout/harness/job"
	"proveout/plans"
	"proveout/plans/document"
	"proveout/plans/quantity"
	"proveout/scoring"
	"proveout/scoring/memory"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
)

func (c *Console) pictureCommands() *cli.Command {
	return &cli.Command{
		Name:  "picture",
		Usage: "make test pictures and compare captures of them with what was written",
		Subcommands: []*cli.Command{
			c.pictureListCommand(), c.picturePatternCommand(), c.pictureSetCommand(),
			c.pictureCompareCommand(), c.pictureSimulateCommand(),
		},
	}
}

var (
	outFlag    = &cli.StringFlag{Name: "out", Aliases: []string{"o"}, Usage: "`FILE` to write"}
	familyFlag = &cli.StringFlag{Name: "family", Usage: "board family `ID` or its file: names the chips"}
)

// shownMode is a flag that takes the display mode of a test picture.
func shownMode(usage string, take func(pattern.Mode)) *typed {
	return typedFlag("mode", usage, func(text string) error {
		m, err := scoring.PictureMode(text)
		if err == nil {
			take(m)
		}
		return err
	})
}

// baseFlag takes the address of a picture's first pixel.
func baseFlag(at *int64) *typed {
	read := func(text string) (err error) {
		*at, err = baseAddress(text)
		return err
	}
	return typedFlag("base", "where the first pixel lies in the memory: `BYTES`, such as \"2 MiB\"", read).or("0")
}

func baseAddress(text string) (int64, error) {
	if text == "" {
		return 0, nil
	}
	if n, err := strconv.ParseInt(strings.TrimSpace(text), 0, 64); err == nil && n >= 0 {
		return n, nil
	}
	q, err := quantity.Parse(text, quantity.Bytes)
	if err != nil || q.Value < 0 || q.Value != float64(int64(q.Value)) {
		return 0, fmt.Errorf("%q is not a number of bytes, such as 2097152 or \"2 MiB\"", text)
	}
	return int64(q.Value), nil
}

// A shownPicture is one line of picture list.
type shownPicture struct {
	Name    string `json:"name"`
	Purpose string `json:"purpose"`
}

// purpose says what a test picture is for.
func purpose(p pattern.Pattern) string {
	switch p.Kind {
	case pattern.Solid:
		return "one colour: dead channels, noise, stripes that the eye sees"
	case pattern.Ramp:
		return "every level of each channel: converter bits, gain and gamma"
	case pattern.Checker:
		return "one-pixel checker: sampling phase"
	case pattern.VerticalLines:
		return "one-pixel columns: bandwidth and sampling phase"
	case pattern.HorizontalLines:
		return "one-pixel rows: interlace and line doubling"
	case pattern.Grid:
		return "geometry: size, position and what is cut off"
	case pattern.Text:
		return "small strokes: sharpness, and displaced blocks"
	case pattern.Random, pattern.RandomComplement:
		return "every bit random: data lines, chips, address lines"
	case pattern.BitPlane:
		return "one bit random: data lines, for captures that cannot tell near levels apart"
	case pattern.BitSolid:
		return "one bit all over: stuck lines, for photographs"
	}
	return ""
}

func (c *Console) pictureListCommand() *cli.Command {
	mode := pattern.Mode{Width: 640, Height: 480, Format: pattern.RGB888}
	return &cli.Command{
		Name:  "list",
		Usage: "list the test pictures and what each is for",
		Flags: []cli.Flag{jsonFlag, shownMode("display `MODE`: 1024x768x16", to(&mode))},
		Action: func(x *cli.Context) error {
			if err := noArguments(x); err != nil {
				return err
			}
			var list []shownPicture
			for _, p := range pattern.All(mode) {
				list = append(list, shownPicture{p.Name(), purpose(p)})
			}
			return c.give(x, map[string]any{"pictures": list}, true, func(p *printer) {
				var rows [][]string
				for _, group := range groups(list) {
					rows = append(rows, []string{group.Name, group.Purpose})
				}
				p.table(rows...)
				p.line("\nrandom-2 to random-1023 are further random pictures. A number behind plane and bit\n" +
					"is the bit of the channel, 0 the lowest; a mode has as many as its depth gives.")
			})
		},
	}
}

// groups gives the planes, which are many, one line for each kind.
func groups(list []shownPicture) []shownPicture {
	var out []shownPicture
	for _, s := range list {
		family, _, many := strings.Cut(s.Name, "-")
		if !many || family != "plane" && family != "bit" {
			out = append(out, s)
			continue
		}
		if last := len(out) - 1; out[last].Purpose == s.Purpose {
			first, _, _ := strings.Cut(out[last].Name, " ")
			out[last].Name = first + " … " + s.Name
			continue
		}
		out = append(out, s)
	}
	return out
}

func (c *Console) picturePatternCommand() *cli.Command {
	var mode *pattern.Mode
	var out string
	seed := 0
	return &cli.Command{
		Name: "pattern", Usage: "write one test picture", ArgsUsage: "NAME",
		Description: "The ending of the file says how it is written: .png, .bmp, or .raw for a dump of\nthe frame buffer.",
		Flags: []cli.Flag{
			shownMode("display `MODE`: 1024x768x16", toNew(&mode)),
			&cli.StringFlag{Name: "out", Aliases: []string{"o"}, Usage: "`FILE` to write", Destination: &out},
			jsonFlag,
			&cli.IntFlag{
				Name:        "seed",
				Usage:       "`NUMBER` of the random picture, 0 to 1023, where the name is random or random-inverse",
				Value:       1,
				Destination: &seed,
			},
		},
		Action: func(x *cli.Context) error {
			if x.NArg() != 1 {
				return errors.New("name one test picture; proveout picture list shows them")
			}
			name, size, hasMode := strings.Cut(x.Args().First(), "@")
			if name == "random" || name == "random-inverse" {
				name += "-" + strconv.Itoa(seed)
			} else if x.IsSet("seed") {
				return fmt.Errorf("--seed is for random and random-inverse, not for %s", name)
			}
			if hasMode == (mode != nil) {
				return errors.New("say for which display mode: --mode 1024x768x16")
			}
			if hasMode {
				m, err := scoring.PictureMode(size)
				if err != nil {
					return err
				}
				mode = &m
			}
			f, err := renderNamed(name, *mode)
			if err != nil {
				return err
			}
			if out == "" {
				return errors.New("name the file to write: -o FILE.png, .bmp or .raw")
			}
			if err := writeFrame(f, c.path(out), endingOf(out)); err != nil {
				return err
			}
			answer := map[string]any{
				"pattern": f.Pattern.Name(), "mode": f.Mode.String(), "file": out, "bytes_in_memory": f.Mode.Bytes(),
			}
			return c.give(x, answer, true, func(p *printer) {
				p.line(fmt.Sprintf("Wrote %s: %s at %s.", out, f.Pattern.Name(), f.Mode))
			})
		},
	}
}

func renderNamed(name string, mode pattern.Mode) (*pattern.Frame, error) {
	p, err := pattern.ParseName(name, mode)
	if err != nil {
		if near := document.Nearest(name, plans.TestPictures()); near != "" && !plans.IsTestPicture(name) {
			return nil, fmt.Errorf("there is no test picture %q; did you mean %q?", name, near)
		}
		if plans.IsTestPicture(name) {
			return nil, fmt.Errorf("%s cannot be shown at %s: its pixels have no such bit", name, mode)
		}
		return nil, fmt.Errorf("there is no test picture %q; proveout picture list shows the names", name)
	}
	return p.Render()
}

// writeFrame writes a test picture whole or not at all, by the ending of a file's
// name.
func writeFrame(f *pattern.Frame, path, ending string) error {
	switch ending {
	case "raw":
		return job.WriteFile(path, f.Bytes(), job.ReplaceExisting)
	case "png", "bmp":
		return writeImage(f.Image(), path, ending)
	}
	return fmt.Errorf("%s: test pictures are written as .png, .bmp or .raw", path)
}

// writePicture writes samples as PNG, BMP or JPEG, whole or not at all.
func writePicture(p *raster.RGB, path string) error {
	return writeImage(p.Image(), path, endingOf(path))
}

// endingOf is the ending of a file's name without its dot, in lower case.
func endingOf(path string) string {
	return strings.TrimPrefix(strings.ToLower(filepath.Ext(path)), ".")
}

func writeImage(m image.Image, path, ending string) error {
	var b bytes.Buffer
	var err error
	switch ending {
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

// readPattern reads what --pattern says: NAME@MODE, a file that picture pattern
// wrote, or FILE@MODE for a dump and for a picture of one's own.
func (c *Console) readPattern(text string) (*pattern.Frame, error) {
	if _, err := os.Stat(c.path(text)); err == nil {
		return c.patternFile(text, nil)
	}
	at := strings.LastIndex(text, "@")
	if at < 0 {
		if plans.IsTestPicture(text) {
			return nil, fmt.Errorf("--pattern: say for which mode, as in %s@1024x768x16", text)
		}
		return nil, fmt.Errorf("--pattern: %s is neither a file nor a test picture with its mode, such as random-1@1024x768x16", text)
	}
	name := text[:at]
	mode, err := scoring.PictureMode(text[at+1:])
	if err != nil {
		return nil, fmt.Errorf("--pattern: %w", err)
	}
	if _, err := os.Stat(c.path(name)); err == nil {
		return c.patternFile(name, &mode)
	}
	return renderNamed(name, mode)
}

func (c *Console) patternFile(name string, mode *pattern.Mode) (*pattern.Frame, error) {
	path := c.path(name)
	if scoring.IsRaw(name) {
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
	p, err := c.readCapture(name, nil)
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
		return nil, fmt.Errorf("%s is not one of the test pictures: to use it all the same say its mode, as in %s@1024x768x16", name, name)
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

// memoryShown is the frame memory of the family that is named; nil when none is.
func (c *Console) memoryShown(x *cli.Context) (*memory.Organisation, error) {
	family, err := c.pictureFamily(x)
	if family == nil || err != nil {
		return nil, err
	}
	org := scoring.FrameMemory(family)
	if org == nil {
		return nil, fmt.Errorf("the family %s does not say how its memory is put together, so no chip can be named",
			family.ID)
	}
	return org, nil
}

// pictureFamily is the family of --family and --variant, which may be a file;
// nil when none is named.
func (c *Console) pictureFamily(x *cli.Context) (*plans.Family, error) {
	name, variant := x.String("family"), x.String("variant")
	if name == "" && variant != "" {
		return nil, errors.New("--variant needs --family")
	}
	if name == "" {
		return nil, nil
	}
	file, err := c.familyFile(x, name)
	if err != nil {
		return nil, err
	}
	if variant == "" && sameMemory(file) {
		variant = file.Variants()[0]
	}
	return file.Variant(variant)
}

// sameMemory reports whether a family has variants that do not differ in
// memory, so that any of them names the chips.
func sameMemory(file *plans.FamilyFile) bool {
	var first *memory.Organisation
	for i, name := range file.Variants() {
		v, err := file.Variant(name)
		if err != nil {
			return false
		}
		org := scoring.FrameMemory(v)
		if i == 0 {
			first = org
		}
		if !reflect.DeepEqual(first, org) {
			return false
		}
	}
	return len(file.Variants()) > 0
}

// depthsOf lists the modes of a family that have a test picture, and the others
// with the reason.
func depthsOf(family *plans.Family) (modes []pattern.Mode, left []string, err error) {
	for _, shown := range family.Modes {
		m, err := scoring.PictureMode(shown.Text)
		if err != nil {
			left = append(left, err.Error())
		} else if !slices.Contains(modes, m) {
			modes = append(modes, m)
		}
	}
	if len(modes) == 0 {
		return nil, nil, fmt.Errorf("the family %s names no display mode that a test picture can be made for; "+
			"name one with --mode", family.ID)
	}
	return modes, left, nil
}
