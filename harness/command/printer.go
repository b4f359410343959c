package command

import (
	"cmp"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"text/tabwriter"
	"unicode/utf8"

	"github.com/urfave/cli/v2"

	"proveout/plans/document"
	"proveout/plans/fact"
	"proveout/report/words"
	"proveout/scoring/conformity"
)

// A printer prints an answer for people: a verdict, texts broken between words,
// rows of a label and a text, tables.
type printer struct {
	io.Writer
	*words.Plain
	width int // columns
}

// usualWidth is how many columns an answer takes where there is room: it fits
// the terminals that are in use.
const usualWidth = 78

// printer prints on standard output.
func (c *Console) printer() *printer {
	return &printer{c.Out, c.words(), min(max(c.columns(), 40), usualWidth)}
}

// beside prints for people: on standard output, or beside it when standard
// output carries JSON.
func (c *Console) beside(x *cli.Context) *printer {
	p := c.printer()
	if x.Bool("json") {
		p.Writer = c.Diag
	}
	return p
}

// columns are those of the terminal, or as many as COLUMNS says.
func (c *Console) columns() int {
	if n, err := strconv.Atoi(c.Getenv("COLUMNS")); err == nil && n > 0 {
		return n
	}
	if f, ok := c.Out.(*os.File); ok && c.Terminal {
		return cmp.Or(terminalWidth(f), usualWidth)
	}
	return usualWidth
}

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

// text prints a text at an indent, broken between words.
func (p *printer) text(indent int, text string) { p.led(strings.Repeat(" ", indent), text) }

// led prints a text behind a lead, with the rest hanging under it.
func (p *printer) led(lead, text string) {
	column := utf8.RuneCountInString(lead)
	for _, line := range document.Wrap(text, p.width-column, p.width-column) {
		fmt.Fprintf(p, "%-*s%s\n", column, lead, words.Unbound(line))
		lead = ""
	}
}

// textf prints such a text with values in it.
func (p *printer) textf(indent int, format string, args ...any) {
	p.text(indent, fmt.Sprintf(format, args...))
}

// whole prints a fact that is not broken: a command or a path in it can be taken
// out as it stands.
func (p *printer) whole(f fact.Fact) { p.line(p.Tell(f)) }

// fact prints a fact at an indent, broken between words.
func (p *printer) fact(indent int, f fact.Fact) { p.text(indent, p.Bound(f)) }

// say prints facts, each beginning a line.
func (p *printer) say(facts ...fact.Fact) { p.lead("", facts...) }

// lead prints facts behind a word that says what they are: "Note: ".
func (p *printer) lead(word string, facts ...fact.Fact) {
	for _, f := range facts {
		if !f.IsZero() {
			p.text(0, word+p.Bound(f))
		}
	}
}

// remarks prints what is to be noted of what stands above.
func (p *printer) remarks(notes []fact.Fact) {
	for _, n := range notes {
		p.fact(2, fact.New("screen.note", "what", n))
	}
}

// labelWidth is where the text of a labelled row begins.
const labelWidth = 16

// label prints a row of a label and a text, folded beside it.
func (p *printer) label(label fact.Fact, text fact.Arg) {
	p.led(fmt.Sprintf("  %-*s", labelWidth-2, p.Tell(label)), p.Bound(fact.New("bus.value", "value", text)))
}

// table prints rows of cells in columns.
func (p *printer) table(rows ...[]string) { p.cells(0, "\n", rows) }

// rightTable prints rows of cells flush right in their columns.
func (p *printer) rightTable(rows ...[]string) { p.cells(tabwriter.AlignRight, "\t\n", rows) }

func (p *printer) cells(how uint, end string, rows [][]string) {
	t := tabwriter.NewWriter(p, 0, 0, 2, ' ', how)
	for _, r := range rows {
		io.WriteString(t, strings.Join(r, "\t")+end)
	}
	t.Flush()
}
