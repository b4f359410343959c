package command

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"

	"proveout/harness/register"
	"proveout/harness/workflow"

	"github.com/urfave/cli/v2"
)

func (c *Console) demoCommand() *cli.Command {
	return &cli.Command{
		Name:  "demo",
		Usage: "make an invented shop with three jobs, and their documents",
		Flags: []cli.Flag{usualFlag("out", "folder `DIR` to make", "demo-shop")},
		Action: func(x *cli.Context) error {
			return c.demo(x.Context, c.path(x.String("out")))
		},
	}
}

// demoFolder is where the demo's files stand, and demoCommands what is done with
// them: the story of each card in lines that begin with #, and below it the
// commands as a technician types them.
const (
	demoFolder   = "testdata/demo"
	demoCommands = "commands.txt"
)

// demo makes the demo shop by the same commands that a technician types.
func (c *Console) demo(ctx context.Context, out string) error {
	if entries, err := os.ReadDir(out); err == nil && len(entries) > 0 {
		return fmt.Errorf("%s is there already and holds files; name another folder with --out, or take it away first", out)
	}
	inputs, shop := filepath.Join(out, "inputs"), filepath.Join(out, "shop")
	if err := c.unpack(inputs); err != nil {
		return err
	}
	if err := c.demoShop(inputs, shop); err != nil {
		return err
	}
	absolute, err := filepath.Abs(shop)
	if err != nil {
		return err
	}
	script, err := fs.ReadFile(c.Demo, path.Join(demoFolder, demoCommands))
	if err != nil {
		return err
	}
	for line := range strings.Lines(string(script)) {
		line = strings.TrimSpace(line)
		if story, is := strings.CutPrefix(line, "# "); is || line == "" {
			fmt.Fprintln(c.Out, story)
		} else if err := c.demoStep(ctx, inputs, absolute, line); err != nil {
			return err
		}
	}
	return c.demoGuide(shop)
}

// demoShop makes the demo's shop of its shop file and the register of the good cards
// that it has measured, with a key.
func (c *Console) demoShop(inputs, shop string) error {
	if err := workflow.MakeFolders(shop); err != nil {
		return err
	}
	for _, name := range []string{workflow.ShopFile, register.File} {
		if err := os.Rename(filepath.Join(inputs, name), filepath.Join(shop, name)); err != nil {
			return err
		}
	}
	quiet := *c
	quiet.Out = io.Discard
	return quiet.makeKey(shop, "")
}

// demoStep runs a line of the script as if typed in the inputs folder. What
// a command says is shown where the card did not pass, or a document was issued.
func (c *Console) demoStep(ctx context.Context, inputs, shop, line string) error {
	words := csv.NewReader(strings.NewReader(line)) // blanks part, quotes keep together
	words.Comma = ' '
	args, err := words.Read()
	if err != nil {
		return fmt.Errorf("the demo's command %q: %w", line, err)
	}
	var said strings.Builder
	quiet := *c
	quiet.Dir, quiet.Out, quiet.Diag = inputs, &said, &said
	code := quiet.Run(ctx, append([]string{"proveout", "--shop", shop}, args...))
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if code == ExitNotDone {
		return fmt.Errorf("the demo stopped at %q: %s", line, strings.TrimSpace(said.String()))
	}
	fmt.Fprintf(c.Out, "  proveout %s\n", line)
	if code == ExitNotPassed || args[0] == "certify" {
		for l := range strings.Lines(strings.TrimSpace(said.String()) + "\n") {
			fmt.Fprint(c.Out, "    "+l)
		}
	}
	return nil
}

func (c *Console) unpack(to string) error {
	if c.Demo == nil {
		return errors.New("this program was built without the files of the demo")
	}
	files, err := fs.Sub(c.Demo, demoFolder)
	if err != nil {
		return err
	}
	if err := os.CopyFS(to, files); err != nil {
		return err
	}
	return os.Remove(filepath.Join(to, demoCommands))
}

func (c *Console) demoGuide(shop string) error {
	files, err := filepath.Glob(filepath.Join(shop, "jobs", "*", "issued", "*"))
	if err != nil {
		return err
	}
	fmt.Fprintf(c.Out, "\nThe shop is %s. Its documents:\n", shop)
	for _, f := range files {
		fmt.Fprintf(c.Out, "  %s\n", f)
	}
	fmt.Fprint(c.Out, "\nLook at the certificate of the first job: verdict on the first page, then value ± U\n"+
		"beside each limit, the soak curve and the runs. The reports of the other two say\n"+
		"what failed and where to look, and why a coarse thermometer decides nothing. Each\n"+
		"PDF has an .html page beside it with the same figures to zoom into.\n\n"+
		"Go on with: proveout job list --shop "+shop+"\n")
	return nil
}
