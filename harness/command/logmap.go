package command

import (
	"cmp"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/harness/logs"
	"proveout/plans/quantity"
)

func (c *Console) logmapCommands() *cli.Command {
	return &cli.Command{
		Name:        "logmap",
		Usage:       "find out how a log is written, and keep that as a map",
		Subcommands: []*cli.Command{c.logmapTry()},
	}
}

func (c *Console) logmapTry() *cli.Command {
	var hints logs.Hints
	var pattern logs.Map // of free text
	text := func(text string) (err error) {
		pattern, err = logs.TextMap(text)
		return err
	}
	return &cli.Command{
		Name:      "try",
		Usage:     "show the first rows of a log as they are understood",
		ArgsUsage: "FILE",
		Description: "Finds delimiter, decimal sign, encoding, header, times and units by itself, or\n" +
			"reads the log with a map. A log of free text is read with --pattern, a regular\n" +
			"expression whose named groups are quantities: 'GPU at (?P<temperature>[0-9.]+)'.",
		Flags: append([]cli.Flag{shopFlag, jsonFlag,
			textFlag("map", "read it with the log map `FILE` or the shop's map of that name"),
			typedFlag("pattern", "read free text with the regular expression `PATTERN`", text),
			placeFlag(placeUsage, to(&hints.Place)),
			number("max-bad", "share of rows that may be bad, in `PERCENT`", toNew(&hints.MaxBad)),
			textFlag("o", "write the map to `FILE`"),
			textFlag("save", "keep the map in the shop's logmaps folder as `NAME`")}, hintFlags...),
		Action: func(x *cli.Context) error {
			if x.NArg() != 1 {
				return errors.New("name the log to try, as in: proveout logmap try soak.csv")
			}
			name := x.Args().First()
			said, err := hintsOf(x)
			if err != nil {
				return err
			}
			said.Place, said.MaxBad = hints.Place, hints.MaxBad
			m, p, err := c.understood(x, name, pattern, said)
			if err != nil {
				return err
			}
			found := map[string]any{
				"map": m, "header": p.Header, "ignored": p.Ignored, "rows": previewLines(p), "bad": p.Bad,
			}
			return errors.Join(c.give(x, found, true, func(out *printer) { showMap(out, m, p) }), c.keepMap(x, m, name))
		},
	}
}

// understood reads the beginning of a log with the map or the pattern given, or
// as it can be made out.
func (c *Console) understood(x *cli.Context, name string, m logs.Map, h logs.Hints) (logs.Map, logs.Preview, error) {
	f, err := os.Open(c.path(name))
	if err != nil {
		return m, logs.Preview{}, err
	}
	defer f.Close()
	if !x.IsSet("pattern") {
		log, err := c.logFile(x, name)
		if err != nil {
			return m, logs.Preview{}, err
		}
		m = log.Map
	}
	m, p, err := logs.Understand(filepath.Base(name), f, m, h)
	var key logs.KeyError
	if errors.As(err, &key) {
		err = keyAdvice(key)
	}
	return m, p, err
}

// keyAdvice says which flag puts a key of the map right.
func keyAdvice(e logs.KeyError) error {
	switch {
	case strings.HasSuffix(e.Key, ".unit"):
		return fmt.Errorf("%w; say it with --unit NAME=UNIT", e)
	case e.Key == "column":
		return fmt.Errorf("%w; say what the columns are with --column HEADER=QUANTITY", e)
	}
	return e
}

// showMap prints how the log is read and its first rows.
func showMap(out *printer, m logs.Map, p logs.Preview) {
	how := string(m.Format) + ", " + string(m.Encoding)
	if m.Delimiter != "" {
		how += ", delimiter " + strconv.Quote(m.Delimiter)
	}
	if m.Decimal != "" {
		how += ", decimal sign " + strconv.Quote(m.Decimal)
	}
	if m.Header > 0 {
		how += fmt.Sprintf(", header on line %d", m.Header)
	}
	if m.Thousands != "" {
		how += ", thousands set apart by " + strconv.Quote(m.Thousands)
	}
	out.text(0, "Read as: "+how+".")
	rows := [][]string{{"line"}}
	parted := m.Split.By != ""
	if parted {
		rows[0] = append(rows[0], "run")
	}
	for _, col := range m.Columns {
		text := strconv.Quote(col.Header) + " is " + col.Quantity
		if col.Unit != "" {
			text += " in " + col.Unit
		}
		if col.Time != "" {
			text += ", written as " + col.Time
		}
		if col.Place != "" {
			text += ", at the " + col.Place
		}
		out.text(4, text)
		rows[0] = append(rows[0], col.Quantity)
	}
	if m.Every > 0 {
		out.text(4, "a row comes every "+quantity.Format(m.Every, 0, quantity.Duration))
		rows[0] = append(rows[0], "time")
	}
	for _, i := range p.Ignored {
		out.text(4, strconv.Quote(i.Header)+" is passed over: "+i.Why)
	}
	for _, r := range p.Rows {
		row := []string{strconv.Itoa(r.Line)}
		if parted {
			row = append(row, strconv.Itoa(r.Run))
		}
		for _, v := range r.Values {
			row = append(row, strconv.FormatFloat(v, 'g', 8, 64))
		}
		rows = append(rows, row)
	}
	out.remarks(m.Found)
	out.line("\nFirst rows, in base units:")
	out.rightTable(rows...)
	for _, b := range p.Bad {
		out.textf(0, "Line %d is set aside: %s", b.Line, b.What)
	}
}

func previewLines(p logs.Preview) []map[string]any {
	out := []map[string]any{}
	for _, r := range p.Rows {
		var values []*float64 // null where there is none
		for _, v := range r.Values {
			if v == v {
				values = append(values, &v)
			} else {
				values = append(values, nil)
			}
		}
		out = append(out, map[string]any{"line": r.Line, "run": r.Run, "text": r.Text, "values": values})
	}
	return out
}

func (c *Console) keepMap(x *cli.Context, m logs.Map, logName string) error {
	to, err := "", error(nil)
	switch {
	case x.String("o") != "" && x.String("save") != "":
		return errors.New("give -o FILE or --save NAME, not both")
	case x.String("o") != "":
		to = c.path(x.String("o"))
	case x.String("save") != "":
		name := strings.TrimSuffix(x.String("save"), ".toml")
		if strings.ContainsAny(name, `/\`) {
			return errors.New("--save takes a name; -o takes a path")
		}
		if to, err = c.inShop(x, "logmaps", name+".toml"); err != nil {
			return err
		}
	default:
		c.say(x, "Keep this map with: proveout logmap try %s --save NAME", logName)
		return nil
	}
	var b strings.Builder
	if err := m.Write(&b); err != nil {
		return err
	}
	if err := writeNew(to, []byte(b.String())); err != nil {
		return err
	}
	c.say(x, "Wrote %s. Use it with: proveout import JOB STEP %s --map %s",
		to, logName, cmp.Or(x.String("save"), x.String("o")))
	return nil
}
