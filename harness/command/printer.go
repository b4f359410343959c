package command

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"github.com/urfave/cli/v2"

	"proveout/plans/fact"
	"proveout/report/words"
	"proveout/scoring/conformity"
)

// A printer prints an answer for people: a verdict, texts broken between words,
// rows of a label and a text, tables.
type printer struct {
	io.Writer
	*words.Plain
}

func (c *Console) printer() *printer { return &printer{c.Out, c.words()} }

// give answers, with JSON or for people, and ends as the verdict says.
func (c *Console) give(x *cli.Context, answer any, passed bool, print func(*printer)) error {
	if !x.Bool("json") {
		print(c.printer())
	} else if err := c.answer(answer); err != nil {
		return err
	}
	if !passed {
		return errNotPassed
	}
	return nil
}

// verdict prints a verdict on a line of its own.
func (p *printer) verdict(v conformity.Verdict) { p.line(strings.ToUpper(v.String())) }

// line prints a line that is not broken.
func (p *printer) line(text string) { fmt.Fprintln(p, text) }

// gap prints an empty line.
func (p *printer) gap() { p.line("") }

// text prints a text at an indent.
func (p *printer) text(indent, text string) { fold(p, indent, text) }

// say prints facts, each beginning a line.
func (p *printer) say(facts ...fact.Fact) { p.lead("", facts...) }

// lead prints facts behind a word that says what they are: "Note: ".
func (p *printer) lead(word string, facts ...fact.Fact) {
	for _, f := range facts {
		if !f.IsZero() {
			p.text("", word+p.Tell(f))
		}
	}
}

// labelWidth is where the text of a labelled row begins.
const labelWidth = 16

// label prints a row of a label and a text, folded beside it.
func (p *printer) label(label fact.Fact, text fact.Arg) {
	var b strings.Builder
	fold(&b, strings.Repeat(" ", labelWidth), p.Tell(fact.New("bus.value", "value", text)))
	row := b.String()
	if len(row) > labelWidth {
		row = fmt.Sprintf("  %-*s", labelWidth-2, p.Tell(label)) + row[labelWidth:]
	}
	io.WriteString(p, row)
}

// table prints rows of cells in columns.
func (p *printer) table(rows ...[]string) {
	t := tabwriter.NewWriter(p, 0, 0, 2, ' ', 0)
	for _, r := range rows {
		fmt.Fprintln(t, strings.Join(r, "\t"))
	}
	t.Flush()
}

// rightTable prints rows of cells flush right in their columns.
func (p *printer) rightTable(rows ...[]string) {
	t := tabwriter.NewWriter(p, 0, 0, 2, ' ', tabwriter.AlignRight)
	for _, r := range rows {
		fmt.Fprintln(t, strings.Join(r, "\t")+"\t")
	}
	t.Flush()
}
