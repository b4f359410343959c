package command

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"proveout/harness/logs"
	"proveout/harness/workflow"
	"proveout/report/words"
)

// shopDir finds the shop folder: by --shop, by PROVEOUT_SHOP, or upward from
// the working folder.
func (c *Console) shopDir(x *cli.Context) (string, error) {
	for _, dir := range []string{x.String("shop"), c.Getenv("PROVEOUT_SHOP")} {
		if dir == "" {
			continue
		}
		dir = c.path(dir)
		if !workflow.IsShop(dir) {
			return "", fmt.Errorf("%s is no shop folder: it has no %s; make one with: proveout init %s",
				dir, workflow.ShopFile, dir)
		}
		return dir, nil
	}
	return workflow.FindShop(c.path("."))
}

// inShop is a file in a folder of the shop, which is made.
func (c *Console) inShop(x *cli.Context, folder, name string) (string, error) {
	dir, err := c.shopDir(x)
	if err != nil {
		return "", err
	}
	dir = filepath.Join(dir, folder)
	return filepath.Join(dir, name), os.MkdirAll(dir, 0o755)
}

// path returns a path typed by a person as seen from the working folder of the
// process.
func (c *Console) path(p string) string {
	if c.Dir == "" || filepath.IsAbs(p) || p == "" {
		return p
	}
	return filepath.Join(c.Dir, p)
}

// shop opens the shop.
func (c *Console) shop(x *cli.Context) (*workflow.Shop, error) {
	dir, err := c.shopDir(x)
	if err != nil {
		return nil, err
	}
	return workflow.OpenShop(dir, c.Now)
}

// bench opens the shop for a command that speaks its language, or the one that
// is asked for. The language of documents is not that of the screen.
func (c *Console) bench(x *cli.Context) (*workflow.Shop, error) {
	shop, err := c.shop(x)
	if err != nil {
		return nil, err
	}
	language := shop.Language
	if slices.Contains(x.Command.Flags, cli.Flag(screenLanguageFlag)) {
		language = cmp.Or(x.String("language"), language)
	}
	return shop, c.speak(language)
}

// speak sets the language of the screen.
func (c *Console) speak(language string) error {
	w, err := words.In(language)
	if err == nil {
		c.spoken = w.Plain()
	}
	return err
}

// openJob loads the job named by the first argument, for the technician that is
// named.
func (c *Console) openJob(x *cli.Context) (*workflow.Job, error) {
	if x.NArg() == 0 {
		command := strings.TrimPrefix(x.Command.FullName(), "proveout ")
		return nil, errors.New("name the job, as in: proveout " + command + " 2026-0001; proveout job list shows them")
	}
	shop, err := c.bench(x)
	if err != nil {
		return nil, err
	}
	by, err := technician(x, shop)
	if err != nil {
		return nil, err
	}
	job, err := shop.Job(x.Args().First())
	if err == nil && by != "" {
		job.By = by
	}
	return job, err
}

// technician is who --by names; nobody without it.
func technician(x *cli.Context, shop *workflow.Shop) (string, error) {
	switch {
	case !x.IsSet("by"):
		return "", nil
	case x.String("by") == "":
		return "", errors.New("--by is empty; name the technician")
	}
	return shop.TechnicianNamed(x.String("by"))
}

// onJob is the action of a command about the job that its first argument names.
func (c *Console) onJob(do func(*cli.Context, *workflow.Job) error) cli.ActionFunc {
	return func(x *cli.Context) error {
		job, err := c.openJob(x)
		if err != nil {
			return err
		}
		return do(x, job)
	}
}

// onShop is the action of a command about the shop, without arguments.
func (c *Console) onShop(do func(*cli.Context, *workflow.Shop) error) cli.ActionFunc {
	return func(x *cli.Context) error {
		shop, err := c.bench(x)
		if err != nil {
			return err
		}
		return do(x, shop)
	}
}

// namedMap is the map that --map names, by path or by name in the shop's logmaps
// folder; nil without it.
func (c *Console) namedMap(x *cli.Context, shopDir string) (*logs.Map, error) {
	name := x.String("map")
	if name == "" {
		return nil, nil
	}
	m, err := workflow.MapNamed(shopDir, name, c.path(name))
	return &m, err
}

// readInput reads a whole file of at most so many bytes; "-" is the standard
// input.
func (c *Console) readInput(name string, most int64) ([]byte, error) {
	f, err := c.open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return workflow.ReadAtMost(f, name, most)
}

// open opens a file that was typed; "-" is the standard input.
func (c *Console) open(name string) (io.ReadCloser, error) {
	if name == "-" {
		return io.NopCloser(c.In), nil
	}
	return workflow.OpenFile(c.path(name))
}

// localTime is a time as people read it: local, with its offset.
func localTime(t time.Time) string { return t.Local().Format("2006-01-02 15:04 -07:00") }
