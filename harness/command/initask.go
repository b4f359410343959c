package command

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/harness/session"
	"proveout/plans"
)

// initAsking makes a shop folder from the answers to a form.
func (c *Console) initAsking(x *cli.Context) error {
	if x.NArg() > 1 {
		return errors.New("name one folder, as in: proveout init shop")
	}
	ctx, talk, done := c.talk(x.Context, x.Bool("plain"), "")
	defer done()
	n := &newShop{dir: x.Args().First()}
	talk.Heading("A new shop")
	talk.Say("Answer each question and press Enter; Enter alone takes what is proposed, /back goes to the question before, /stop leaves with nothing made.")
	if err := talk.Form(ctx, n.questions(c)); err != nil {
		return left(err, "no shop was made")
	}
	text := plans.ShopTemplate(n.p)
	talk.Heading("Instruments")
	talk.Say("The new shop has these. Their limits go into every judgement: put in what the data sheets state.")
	shop, problems := plans.ParseShop(shopFile, []byte(text))
	if len(problems) > 0 {
		return plans.AsError(problems)
	}
	for _, inst := range shop.Benches[0].Instruments {
		talk.Say("  " + inst.Title + ", limits " + statedLimits(text, inst.ID))
	}
	change, err := talk.Confirm(ctx, "Put them right now (they can be changed in the file at any time)", false)
	if err != nil {
		return left(err, "no shop was made")
	}
	if change {
		if text, err = n.instruments(ctx, talk, text, shop.Benches[0].Instruments); err != nil {
			return left(err, "no shop was made")
		}
	}
	dir := c.path(n.dir)
	if err := writeShop(dir, text); err != nil {
		return err
	}
	talk.Say(fmt.Sprintf("Made the shop folder %s.", dir))
	talk.Say(fmt.Sprintf("Next: cd %s, then proveout run asks what has come in.", n.dir))
	return nil
}

// newShop gathers the answers about a shop.
type newShop struct {
	dir string
	p   plans.ShopParams
}

func (n *newShop) questions(c *Console) []session.Question {
	propose := func(s string) func() string { return func() string { return s } }
	keep := func(to *string) func(string) error { return func(a string) error { *to = a; return nil } }

	named := n.dir != ""
	return []session.Question{
		{Ask: "Folder to make", Default: propose("shop"), Skip: func() bool { return named }, Accept: func(a string) error {
			if _, err := os.Stat(filepath.Join(c.path(a), shopFile)); err == nil {
				return fmt.Errorf("%s holds a shop already", a)
			}
			n.dir = a
			return nil
		}},
		{Ask: "Name of the shop", Default: propose("Our repair shop"), Accept: keep(&n.p.Name)},
		{Ask: "Address, a line at a time", Many: true, Accept: func(a string) error { n.p.Address = append(n.p.Address, a); return nil }},
		{Ask: "Telephone, mail or web address", Optional: true, Accept: keep(&n.p.Contact)},
		{Ask: "Technician who signs", Default: propose("Bench technician"), Accept: keep(&n.p.Technician)},
		{Ask: "Name of the bench", Default: propose("Bench 1"), Accept: keep(&n.p.Bench)},
		{Ask: "Computer the card is plugged into", Default: propose("test computer"), Accept: keep(&n.p.Host)},
		{Ask: "Slot of the bench", Default: propose("AGP"), Choices: func() []session.Choice {
			return []session.Choice{{Name: "AGP"}, {Name: "PCI"}, {Name: "PCIe"}}
		}, Accept: keep(&n.p.SlotKind)},
		{Ask: "How the slot is keyed (look at the notches)", Default: propose("universal"), Skip: func() bool { return n.p.SlotKind == "PCIe" }, Choices: func() []session.Choice {
			if n.p.SlotKind == "PCI" {
				return []session.Choice{{Name: "universal", Title: "takes 3.3 V and 5 V cards"}, {Name: "5 V"}, {Name: "3.3 V"}}
			}
			return []session.Choice{{Name: "universal", Title: "takes 3.3 V and 1.5 V cards"}, {Name: "3.3 V"}, {Name: "1.5 V"}}
		}, Accept: keep(&n.p.SlotKey)},
		{Ask: "Paper", Default: propose("A4"), Choices: func() []session.Choice {
			return []session.Choice{{Name: "A4"}, {Name: "Letter"}}
		}, Accept: keep(&n.p.Paper)},
	}
}

// statedLimits returns the stated limits of an instrument as the file has them.
func statedLimits(text, id string) string {
	if at, end, ok := shopKey(text, id, "accuracy"); ok {
		return text[at:end]
	}
	return "not stated"
}

// shopKey finds the text of a key, between its quotes, of the instrument with
// the given id.
func shopKey(text, id, key string) (at, end int, ok bool) {
	block := strings.Index(text, "id = \""+id+"\"")
	if block < 0 {
		return 0, 0, false
	}
	mark := "\n" + key + " = \""
	i := strings.Index(text[block:], mark)
	next := strings.Index(text[block:], "\n[[")
	if i < 0 || next >= 0 && i > next {
		return 0, 0, false
	}
	at = block + i + len(mark)
	return at, at + strings.IndexByte(text[at:], '"'), true
}

// instruments asks for title and limits of each instrument. What makes no shop
// file is asked again.
func (n *newShop) instruments(ctx context.Context, talk *session.Talk, text string, list []plans.Instrument) (string, error) {
	var questions []session.Question
	for _, inst := range list {
		for _, q := range []struct{ key, ask string }{{"title", "What measures " + dimensions(inst)}, {"accuracy", "Limits that its data sheet states"}} {
			questions = append(questions, session.Question{
				Ask: q.ask,
				Default: func() string {
					at, end, _ := shopKey(text, inst.ID, q.key)
					return text[at:end]
				},
				Accept: func(a string) error {
					at, end, ok := shopKey(text, inst.ID, q.key)
					if !ok || strings.ContainsAny(a, "\"\\") {
						return errors.New("write it without quotes")
					}
					changed := text[:at] + a + text[end:]
					if _, problems := plans.ParseShop(shopFile, []byte(changed)); len(problems) > 0 {
						return errors.New(problems[0].What + "; " + problems[0].Fix)
					}
					text = changed
					return nil
				},
			})
		}
	}
	err := talk.Form(ctx, questions)
	return text, err
}

func dimensions(inst plans.Instrument) string {
	var out []string
	for _, d := range inst.Measures {
		out = append(out, string(d))
	}
	s := strings.Join(out, ", ")
	if inst.Place != "" {
		s += " (" + inst.Place + ")"
	}
	return s
}
