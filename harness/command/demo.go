package command

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/urfave/cli/v2"
)

func (c *Console) demoCommand() *cli.Command {
	return &cli.Command{
		Name:  "demo",
		Usage: "make an invented shop with three jobs, and their documents",
		Flags: []cli.Flag{&cli.StringFlag{Name: "out", Usage: "folder `DIR` to make", Value: "demo-shop"}},
		Action: func(x *cli.Context) error {
			if err := noArguments(x); err != nil {
				return err
			}
			return c.demo(x.Context, c.path(x.String("out")))
		},
	}
}

// demoFolder is where the demo's files stand.
const demoFolder = "testdata/demo"

// demo makes the demo shop by the same commands that a technician types.
func (c *Console) demo(ctx context.Context, out string) error {
	if entries, err := os.ReadDir(out); err == nil && len(entries) > 0 {
		return fmt.Errorf("%s is there already and holds files; name another folder with --out, or take it away first", out)
	}
	inputs := filepath.Join(out, "inputs")
	if err := c.unpack(inputs); err != nil {
		return err
	}
	shop := filepath.Join(out, "shop")
	for _, folder := range shopFolders {
		if err := os.MkdirAll(filepath.Join(shop, folder), 0o755); err != nil {
			return err
		}
	}
	if err := os.Rename(filepath.Join(inputs, shopFile), filepath.Join(shop, shopFile)); err != nil {
		return err
	}
	made := *c
	made.Out = io.Discard
	if sh, err := readShop(shop); err != nil {
		return err
	} else if err := made.makeKey(shop, sh.Name); err != nil {
		return err
	}
	// The commands run as if typed in the inputs folder.
	absolute, err := filepath.Abs(shop)
	if err != nil {
		return err
	}
	quiet := *c
	quiet.Dir = inputs
	var said strings.Builder
	quiet.Out, quiet.Diag = &said, &said
	for _, j := range demoJobs() {
		fmt.Fprintf(c.Out, "\n%s\n", j.story)
		for _, args := range j.commands {
			said.Reset()
			code := quiet.Run(ctx, append([]string{"proveout", "--shop", absolute}, args...))
			if ctx.Err() != nil {
				return ctx.Err()
			}
			if code == ExitNotDone {
				return fmt.Errorf("the demo stopped at %q: %s", strings.Join(args, " "), strings.TrimSpace(said.String()))
			}
			fmt.Fprintf(c.Out, "  proveout %s\n", shellWords(args))
			if code == ExitNotPassed || args[0] == "certify" {
				for _, l := range strings.Split(strings.TrimSpace(said.String()), "\n") {
					fmt.Fprintf(c.Out, "    %s\n", l)
				}
			}
		}
	}
	return c.demoGuide(shop)
}

func (c *Console) unpack(to string) error {
	if c.Demo == nil {
		return errors.New("this program was built without the files of the demo")
	}
	return fs.WalkDir(c.Demo, demoFolder, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		target := filepath.Join(to, filepath.FromSlash(strings.TrimPrefix(path, demoFolder)))
		if d.IsDir() {
			return os.MkdirAll(target, 0o755)
		}
		data, err := fs.ReadFile(c.Demo, path)
		if err != nil {
			return err
		}
		return os.WriteFile(target, data, 0o644)
	})
}

// shellWords writes arguments as a person would type them.
func shellWords(args []string) string {
	var out []string
	for _, a := range args {
		if strings.ContainsAny(a, " ;&|*?\"$") {
			a = "\"" + a + "\""
		}
		out = append(out, a)
	}
	return strings.Join(out, " ")
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

// practise makes a capture as a capture device with a little noise would.
func practise(family, variant, name, out string, more ...string) []string {
	return append([]string{"picture", "simulate", "--pattern", name + "@640x480x16", "--family", family, "--variant", variant,
		"--noise", "1.5", "--gain", "0.97,1.02,0.99", "--offset", "2", "--shift", "3,-2", "-o", out}, more...)
}

// A demoJob is one card of the demo: what happened, and the commands.
type demoJob struct {
	story    string
	commands [][]string
}

func demoJobs() []demoJob {
	photo := func(name string) string { return filepath.Join("photos", name+".jpg") }
	file := func(card, name string) string { return filepath.Join(card, name) }
	return []demoJob{
		{"1. A card with snow on the screen: a solder bridge at one memory chip was removed.\n   Everything passes, so it gets its certificate.", [][]string{
			{"job", "open", "--plan", "full", "--family", "lanternfish", "--variant", "166", "--bench", "bench-1",
				"--mark", "sticker=BX 04417", "--mark", "date code U3=9823", "--complaint", "Coloured snow in 3D, sometimes no picture",
				"--condition", "Complete, fan turns, an earlier repair at U3", "--work", "solder bridge removed", "--work", "thermal compound renewed",
				"--work-notes", "Bridge between pins 4 and 5 of U3 removed; compound renewed.", "--customer", "order 118",
				"--before", photo("card-a-received"), "--after", photo("card-a-front"), "--close-up", photo("card-a-closeup")},
			{"record", "1", "--file", file("card-a", "results.toml")},
			{"import", "1", "load", file("card-a", "run-1.csv"), file("card-a", "run-2.csv"), file("card-a", "run-3.csv")},
			{"import", "1", "soak", file("card-a", "soak.csv"), "--place", "heatsink"},
			practise("lanternfish", "166", "random-1", file("card-a", "random-1.png"), "--seed", "11"),
			practise("lanternfish", "166", "random-inverse-1", file("card-a", "random-inverse-1.png"), "--seed", "12"),
			practise("lanternfish", "166", "ramp", file("card-a", "ramp.png"), "--seed", "13"),
			{"import", "1", "picture", file("card-a", "random-1.png"), file("card-a", "random-inverse-1.png"), file("card-a", "ramp.png")},
			{"score", "1"},
			{"certify", "1"},
		}},
		{"2. A card that came back with half of its memory and thin coloured columns. The\n   report says which chips and which data lines to look at.", [][]string{
			{"job", "open", "--plan", "quick", "--family", "gannet", "--variant", "4", "--bench", "bench-2",
				"--serial", "K-20931", "--complaint", "Only 2 MB shown, high resolution stays black", "--condition", "One corner of the board bent",
				"--work", "trace repaired", "--work-notes", "Cracked trace near U8 bridged with wire.",
				"--after", photo("card-b-front"), "--close-up", photo("card-b-closeup")},
			{"record", "2", "--file", file("card-b", "results.toml")},
			practise("gannet", "4", "random-1", file("card-b", "random-1.png"), "--seed", "21", "--fault", "lines-shorted chip=U7 line=4 with=5"),
			{"import", "2", "picture", file("card-b", "random-1.png")},
			{"certify", "2"},
			{"report", "2"},
		}},
		{"3. A card that runs well, but only an infrared thermometer good to ±4 °C was at\n   hand: whether it stays under its limit on a hot day cannot be decided.", [][]string{
			{"job", "open", "--plan", "full", "--family", "thistledown", "--bench", "bench-1",
				"--mark", "sticker=7730-118", "--complaint", "Crashes after a few minutes of 3D", "--work", "heatsink reseated", "--work", "thermal compound renewed",
				"--after", photo("card-c-front")},
			{"record", "3", "--file", file("card-c", "results.toml")},
			{"import", "3", "load", file("card-c", "run-1.csv"), file("card-c", "run-2.csv"), file("card-c", "run-3.csv")},
			{"import", "3", "soak", file("card-c", "soak.csv"), "--place", "heatsink", "--instrument", "infrared"},
			{"certify", "3"},
			{"report", "3"},
		}},
	}
}
