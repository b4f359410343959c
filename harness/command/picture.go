package command

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/harness/logs"
	"proveout/harness/workflow"
	"proveout/plans"
	"proveout/plans/quantity"
	"proveout/scoring"
	"proveout/scoring/memory"
	"proveout/scoring/picture/pattern"
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
	familyFlag = textFlag("family", "board family `ID` or its file: names the chips")
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
	hex := strings.HasPrefix(strings.ToLower(strings.TrimSpace(text)), "0x")
	if address, ok := logs.ParseHex(text); ok && hex && address <= math.MaxInt64 {
		return int64(address), nil
	}
	plain, _ := quantity.LookUp(quantity.Bytes, "B")
	q, err := quantity.ParseIn(text, quantity.Bytes, plain)
	if err != nil || q.Value < 0 || q.Value != float64(int64(q.Value)) {
		return 0, fmt.Errorf("%q is not a number of bytes, such as 2097152 or \"2 MiB\"", text)
	}
	return int64(q.Value), nil
}

func (c *Console) pictureListCommand() *cli.Command {
	mode := pattern.Mode{Width: 640, Height: 480, Format: pattern.RGB888}
	return &cli.Command{
		Name:  "list",
		Usage: "list the test pictures and what each is for",
		Flags: []cli.Flag{jsonFlag, shownMode("display `MODE`: 1024x768x16", to(&mode))},
		Action: func(x *cli.Context) error {
			list := workflow.PictureLines(mode)
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
func groups(list []workflow.PictureLine) []workflow.PictureLine {
	var out []workflow.PictureLine
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
	seed := 0
	return &cli.Command{
		Name: "pattern", Usage: "write one test picture", ArgsUsage: "NAME",
		Description: "The ending of the file says how it is written: .png, .bmp, or .raw for a dump of\nthe frame buffer.",
		Flags: []cli.Flag{
			shownMode("display `MODE`: 1024x768x16", toNew(&mode)),
			outFlag, jsonFlag,
			whole("seed", "`NUMBER` of the random picture, 0 to 1023, where the name is random or random-inverse",
				0, to(&seed)).or("1"),
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
			f, err := workflow.TestPicture(name, *mode)
			if err != nil {
				return err
			}
			out := x.String("out")
			if out == "" {
				return errors.New("name the file to write: -o FILE.png, .bmp or .raw")
			}
			if err := workflow.WriteFrame(f, c.path(out)); err != nil {
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

// memoryShown is the frame memory of the family that is named; nil when none is.
func (c *Console) memoryShown(x *cli.Context) (*memory.Organisation, error) {
	family, err := c.pictureFamily(x)
	if family == nil || err != nil {
		return nil, err
	}
	return workflow.FrameMemory(family)
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
	return workflow.ForPictures(file, variant)
}
