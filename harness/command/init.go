package command

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"github.com/urfave/cli/v2"

	"proveout/harness/job"
	"proveout/plans"
)

func (c *Console) initCommand() *cli.Command {
	return &cli.Command{
		Name:      "init",
		Usage:     "make a shop folder",
		ArgsUsage: "DIR",
		Flags: []cli.Flag{
			&cli.StringFlag{Name: "name", Usage: "`NAME` of the shop"},
			&cli.StringSliceFlag{Name: "address", Usage: "address `LINE`, may be repeated"},
			&cli.StringFlag{Name: "contact", Usage: "telephone, mail or web `ADDRESS`"},
			&cli.StringFlag{Name: "technician", Usage: "`NAME` of the technician who signs"},
			&cli.StringFlag{Name: "bench", Usage: "`TITLE` of the first bench"},
			&cli.StringFlag{Name: "host", Usage: "`NAME` of the computer the card is plugged into"},
			&cli.StringFlag{Name: "slot", Usage: "`KIND` of slot: AGP, PCI or PCIe"},
			&cli.StringFlag{Name: "key", Usage: "how the slot is keyed: `KEY` 3.3 V, 1.5 V, 5 V or universal"},
			&cli.StringFlag{Name: "paper", Usage: "`SIZE` of paper: A4 or Letter"},
			&cli.BoolFlag{Name: "signing-key", Usage: "make the key that certificates are signed with, too"},
			&cli.BoolFlag{Name: "ask", Usage: "ask, even from a pipe"}, plainFlag,
		},
		Description: "Without flags, on a terminal, it asks for shop, bench and instruments; Enter\n" +
			"takes what is proposed. Nothing is asked when a flag says something.",
		Action: c.initShop,
	}
}

// shopFolders are the folders of a shop beside its file.
var shopFolders = []string{"plans", "families", "logmaps", "jobs"}

func (c *Console) initShop(x *cli.Context) error {
	if x.Bool("ask") || c.Terminal && x.NumFlags() == 0 {
		return c.initAsking(x)
	}
	if x.NArg() != 1 {
		return errors.New("name the folder to make, as in: proveout init shop")
	}
	dir := c.path(x.Args().First())
	p := plans.ShopParams{Name: x.String("name"), Address: x.StringSlice("address"), Contact: x.String("contact"), Technician: x.String("technician"),
		Bench: x.String("bench"), Host: x.String("host"), SlotKind: x.String("slot"), SlotKey: x.String("key"), Paper: x.String("paper")}
	if err := makeShop(dir, p); err != nil {
		return err
	}
	fmt.Fprintf(c.Out, "Made the shop folder %s.\nNext: look through %s, then open a job with proveout job open.\n", dir, filepath.Join(dir, shopFile))
	if !x.Bool("signing-key") {
		return nil
	}
	shop, err := readShop(dir)
	if err != nil {
		return err
	}
	return c.makeKey(dir, shop.Name)
}

func makeShop(dir string, p plans.ShopParams) error {
	return writeShop(dir, plans.ShopTemplate(p))
}

// writeShop makes the folders and writes the shop file.
func writeShop(dir, text string) error {
	path := filepath.Join(dir, shopFile)
	if _, err := os.Stat(path); err == nil {
		return fmt.Errorf("%s is there already; it was left as it is", path)
	}
	if _, problems := plans.ParseShop(path, []byte(text)); len(problems) > 0 {
		return fmt.Errorf("these values make no shop file:\n%w", plans.AsError(problems))
	}
	for _, folder := range shopFolders {
		if err := os.MkdirAll(filepath.Join(dir, folder), 0o755); err != nil {
			return err
		}
	}
	return job.WriteFile(path, []byte(text), job.KeepExisting)
}
