package session

import (
	"context"
	"errors"

	"proveout/harness/workflow"
	"proveout/plans"
	"proveout/plans/fact"
)

// NewShop makes a shop folder from the answers to a form, and returns what was
// typed for it. folder is asked for when it is empty.
func (t *Talk) NewShop(ctx context.Context, folder, language string) (string, error) {
	usual, problems := plans.ParseShop(workflow.ShopFile, []byte(plans.ShopTemplate(plans.ShopParams{})))
	if len(problems) > 0 {
		return "", plans.AsError(problems)
	}
	n := &newShop{t: t, dir: folder, p: plans.ShopParams{Language: language}}
	t.Heading(fact.New("shop.heading"))
	t.Say(fact.New("shop.how"))
	if err := t.form(ctx, n.questions(usual)); err != nil {
		return "", err
	}
	t.Heading(fact.New("shop.instruments"))
	t.Say(fact.New("shop.instruments-how"))
	shop, problems := plans.ParseShop(workflow.ShopFile, []byte(plans.ShopTemplate(n.p)))
	if len(problems) > 0 {
		return "", plans.AsError(problems)
	}
	list := shop.Benches[0].Instruments
	for _, inst := range list {
		limits := fact.AsWritten(inst.Limits.Text)
		t.hint(fact.New("shop.instrument", "title", fact.Phrase(inst.Title), "limits", limits))
	}
	change, err := t.agree(ctx, fact.New("shop.change-now"), false)
	if err == nil && change {
		err = n.instruments(ctx, list)
	}
	if err != nil {
		return "", err
	}
	dir := t.o.Path(n.dir)
	if err := workflow.MakeShop(dir, plans.ShopTemplate(n.p)); err != nil {
		return "", err
	}
	t.Say(fact.New("shop.made", "folder", dir))
	return n.dir, nil
}

// newShop is the answers about a shop.
type newShop struct {
	t   *Talk
	dir string
	p   plans.ShopParams
}

func (n *newShop) questions(usual *plans.Shop) []question {
	named := n.dir != ""
	propose := func(s string) func() string { return func() string { return s } }
	bench := usual.Benches[0]
	return []question{
		{Ask: fact.New("shop.folder"), Default: propose("shop"), Accept: n.setFolder,
			Skip: func() bool { return named }},
		{Ask: fact.New("shop.name"), Default: propose(usual.Name), Accept: keep(&n.p.Name)},
		{Ask: fact.New("shop.address"), Many: true, Accept: n.addAddress},
		{Ask: fact.New("shop.contact"), Optional: true, Accept: keep(&n.p.Contact)},
		{Ask: fact.New("shop.technician"), Default: propose(usual.Technicians[0].Name),
			Accept: keep(&n.p.Technician)},
		{Ask: fact.New("shop.bench"), Default: propose(bench.Title), Accept: keep(&n.p.Bench)},
		{Ask: fact.New("shop.host"), Default: propose(bench.Host), Accept: keep(&n.p.Host)},
		{Ask: fact.New("shop.slot"), Default: propose(bench.Slot.Kind), Choices: wordsOf("bench.slot.kind"),
			Accept: keep(&n.p.SlotKind)},
		{Ask: fact.New("shop.slot-key"), Default: propose(bench.Slot.Key), Choices: n.slotKeys,
			Accept: keep(&n.p.SlotKey), Skip: func() bool { return n.p.SlotKind == "PCIe" }},
		{Ask: fact.New("shop.paper"), Default: propose(usual.Paper), Choices: wordsOf("paper"), Accept: keep(&n.p.Paper)},
	}
}

func (n *newShop) setFolder(answer string) error {
	if workflow.IsShop(n.t.o.Path(answer)) {
		return fact.New("shop.there-already", "folder", answer).Err()
	}
	n.dir = answer
	return nil
}

func (n *newShop) addAddress(line string) error {
	n.p.Address = append(n.p.Address, line)
	return nil
}

func (n *newShop) slotKeys() []choice {
	keys := plans.SlotKeys(n.p.SlotKind)
	both := fact.New("shop.takes-both", "one", keys[1], "other", keys[2])
	return []choice{{keys[0], both}, {Name: keys[1]}, {Name: keys[2]}}
}

// wordsOf are the words that a shop file may have at a key.
func wordsOf(path string) func() []choice {
	return func() []choice { return choicesOf(plans.WordsAt(plans.ShopKind, path), named) }
}

// instruments asks for title and limits of each instrument. What makes no shop
// file is asked again.
func (n *newShop) instruments(ctx context.Context, list []plans.Instrument) error {
	var questions []question
	ask := func(of map[string]string, key string, q fact.Fact) {
		questions = append(questions, question{
			Ask:     q,
			Default: func() string { return of[key] },
			Accept: func(answer string) error {
				before := of[key]
				of[key] = answer
				_, problems := plans.ParseShop(workflow.ShopFile, []byte(plans.ShopTemplate(n.p)))
				if len(problems) > 0 {
					of[key] = before
					return errors.New(problems[0].What + "; " + problems[0].Fix)
				}
				return nil
			},
		})
	}
	n.p.Instruments = map[string]map[string]string{}
	for _, inst := range list {
		stated := map[string]string{"title": inst.Title, "accuracy": inst.Limits.Text}
		n.p.Instruments[inst.ID] = stated
		ask(stated, "title", fact.New("shop.what-measures", "quantities", quantities(inst)))
		ask(stated, "accuracy", fact.New("shop.stated-limits"))
	}
	return n.t.form(ctx, questions)
}

// quantities are what an instrument measures, and where.
func quantities(inst plans.Instrument) fact.Arg {
	what := fact.List{Join: fact.Comma}
	for _, d := range inst.Measures {
		what.Items = append(what.Items, plans.DimensionSaid(d))
	}
	if inst.Place == "" {
		return what
	}
	return fact.New("shop.quantities-at", "quantities", what, "place", fact.New("place."+inst.Place))
}
