package command

import (
	"errors"
	"fmt"
	"path/filepath"

	"github.com/urfave/cli/v2"

	"proveout/harness/session"
	"proveout/harness/workflow"
	"proveout/plans"
	"proveout/plans/fact"
)

func (c *Console) initCommand() *cli.Command {
	return &cli.Command{
		Name:      "init",
		Usage:     "make a shop folder",
		ArgsUsage: "DIR",
		Flags: []cli.Flag{
			textFlag("name", "`NAME` of the shop"),
			textsFlag("address", "address `LINE`, may be repeated"),
			textFlag("contact", "telephone, mail or web `ADDRESS`"),
			textFlag("technician", "`NAME` of the technician who signs"),
			textFlag("bench", "`TITLE` of the first bench"),
			textFlag("host", "`NAME` of the computer the card is plugged into"),
			textFlag("slot", "`KIND` of slot: AGP, PCI or PCIe"),
			textFlag("key", "how the slot is keyed: `KEY` 3.3 V, 1.5 V, 5 V or universal"),
			textFlag("paper", "`SIZE` of paper: A4 or Letter"),
			boolFlag("signing-key", "make the key that certificates are signed with, too"),
			codeFlag("the shop's language", ""),
			boolFlag("ask", "ask, even from a pipe"), plainFlag,
		},
		Description: "Without flags, on a terminal, it asks for shop, bench and instruments; Enter\n" +
			"takes what is proposed. Nothing is asked when a flag says something.",
		Action: c.initShop,
	}
}

func (c *Console) initShop(x *cli.Context) error {
	if err := c.speak(x.String("language")); err != nil {
		return err
	}
	asked := c.Terminal && (x.NumFlags() == 0 || x.NumFlags() == 1 && x.IsSet("language"))
	if x.Bool("ask") || asked {
		return c.initAsking(x)
	}
	if x.NArg() != 1 {
		return errors.New("name the folder to make, as in: proveout init shop")
	}
	dir := c.path(x.Args().First())
	text := plans.ShopTemplate(plans.ShopParams{
		Name: x.String("name"), Address: x.StringSlice("address"), Contact: x.String("contact"),
		Technician: x.String("technician"), Bench: x.String("bench"), Host: x.String("host"),
		SlotKind: x.String("slot"), SlotKey: x.String("key"), Paper: x.String("paper"),
		Language: x.String("language"),
	})
	if err := workflow.MakeShop(dir, text); err != nil {
		return err
	}
	fmt.Fprintf(c.Out, "Made the shop folder %s.\nNext: look through %s, then open a job with proveout job open.\n",
		dir, filepath.Join(dir, workflow.ShopFile))
	if !x.Bool("signing-key") {
		return nil
	}
	return c.makeKey(dir, "")
}

// initAsking makes a shop folder from the answers to a form.
func (c *Console) initAsking(x *cli.Context) error {
	ctx, talk, done := c.talk(x, session.Options{})
	defer done()
	dir, err := talk.NewShop(ctx, x.Args().First(), x.String("language"))
	if err != nil {
		return left(err, fact.New("session.no-shop-made"))
	}
	talk.Say(fact.New("shop.next", "folder", dir))
	return nil
}
