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
	"proveout/plans/document"
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
		talk.Say("  " + inst.Title + ", limits " + statedOf(text, inst.ID, "accuracy"))
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
			return choices("bench.slot.kind")
		}, Accept: keep(&n.p.SlotKind)},
		{Ask: "How the slot is keyed (look at the notches)", Default: propose("universal"), Skip: func() bool { return n.p.SlotKind == "PCIe" }, Choices: func() []session.Choice {
			keys := plans.SlotKeys(n.p.SlotKind)
			list := []session.Choice{{Name: keys[0], Title: "takes " + keys[1] + " and " + keys[2] + " cards"}}
			return append(list, session.Choice{Name: keys[1]}, session.Choice{Name: keys[2]})
		}, Accept: keep(&n.p.SlotKey)},
		{Ask: "Paper", Default: propose("A4"), Choices: func() []session.Choice {
			return choices("paper")
		}, Accept: keep(&n.p.Paper)},
	}
}

// choices are the words that a shop file may have at a key.
func choices(path string) []session.Choice {
	var out []session.Choice
	for _, word := range plans.WordsAt(plans.ShopKind, path) {
		out = append(out, session.Choice{Name: word})
	}
	return out
}

// statedOf returns what the file states under a key of an instrument.
func statedOf(text, id, key string) string {
	if e := document.Find(text, instrumentKey(id, key)); e != nil {
		return e.Value.Text
	}
	return ""
}

func instrumentKey(id, key string) string { return "bench.instrument[" + id + "]." + key }

// instruments asks for title and limits of each instrument. What makes no shop
// file is asked again.
func (n *newShop) instruments(ctx context.Context, talk *session.Talk, text string, list []plans.Instrument) (string, error) {
	var questions []session.Question
	for _, inst := range list {
		for _, q := range []struct{ key, ask string }{{"title", "What measures " + dimensions(inst)}, {"accuracy", "Limits that its data sheet states"}} {
			questions = append(questions, session.Question{
				Ask:     q.ask,
				Default: func() string { return statedOf(text, inst.ID, q.key) },
				Accept: func(a string) error {
					changed := document.Set(text, instrumentKey(inst.ID, q.key), document.Quote(a))
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
