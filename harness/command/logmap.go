package command

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/harness/job"
	"proveout/harness/logs"
	"proveout/plans/document"
)

func (c *Console) logmapCommands() *cli.Command {
	return &cli.Command{
		Name:  "logmap",
		Usage: "find out how a log is written, and keep that as a map",
		Subcommands: []*cli.Command{{
			Name:      "try",
			Usage:     "show the first rows of a log as they are understood",
			ArgsUsage: "FILE",
			Description: "Finds delimiter, decimal sign, encoding, header, times and units by itself, or\n" +
				"reads the log with a map. A log of free text is read with --pattern, a regular\n" +
				"expression whose named groups are quantities: 'GPU at (?P<temperature>[0-9.]+)'.",
			Flags: []cli.Flag{shopFlag, jsonFlag,
				&cli.StringFlag{Name: "map", Usage: "read it with the log map `FILE` or the shop's map of that name"},
				&cli.StringFlag{Name: "pattern", Usage: "read free text with the regular expression `PATTERN`"},
				&cli.StringSliceFlag{Name: "column", Usage: "what a column is, `HEADER=QUANTITY`, may be repeated"},
				&cli.StringSliceFlag{Name: "unit", Usage: "unit of a quantity, `NAME=UNIT`, may be repeated"},
				&cli.StringFlag{Name: "place", Usage: "where the temperature sensor sits: `PLACE` die, heatsink, case or board"},
				&cli.Float64Flag{Name: "max-bad", Usage: "share of rows that may be bad, in `PERCENT`"},
				&cli.StringFlag{Name: "o", Usage: "write the map to `FILE`"},
				&cli.StringFlag{Name: "save", Usage: "keep the map in the shop's logmaps folder as `NAME`"}},
			Action: c.logmapTry,
		}},
	}
}

func (c *Console) logmapTry(x *cli.Context) error {
	if x.NArg() != 1 {
		return errors.New("name the log to try, as in: proveout logmap try soak.csv")
	}
	if err := checkPlace(x.String("place")); err != nil {
		return err
	}
	name := x.Args().First()
	m, p, err := c.understood(x, c.path(name))
	if err != nil {
		return err
	}
	if x.Bool("json") {
		found := map[string]any{
			"map": m, "header": p.Header, "ignored": p.Ignored, "rows": previewLines(p), "bad": p.Bad,
		}
		if err := c.answer(found); err != nil {
			return err
		}
	} else {
		c.showMap(m, p)
	}
	return c.keepMap(x, m, name)
}

// understood sniffs the log, or reads it with the map or the pattern given.
func (c *Console) understood(x *cli.Context, path string) (m logs.Map, p logs.Preview, err error) {
	f, err := os.Open(path)
	if err != nil {
		return m, p, err
	}
	defer f.Close()
	base := filepath.Base(path)
	switch {
	case x.String("pattern") != "":
		m, err = textMap(x.String("pattern"))
	case x.String("map") != "":
		shopDir, _ := c.shopDir(x) // a map by path needs no shop
		m, err = c.logMap(shopDir, x.String("map"))
	default:
		m, p, err = logs.Sniff(base, f)
		if headers := namedColumns(x); err != nil && len(headers) > 0 {
			if _, err = f.Seek(0, io.SeekStart); err == nil {
				m, err = logs.Layout(base, f, headers)
			}
		}
	}
	if err != nil {
		return m, p, err
	}
	if x.IsSet("max-bad") {
		m.MaxBad = x.Float64("max-bad")
	}
	for _, word := range x.StringSlice("column") {
		if err := setColumn(&m, word); err != nil {
			return m, p, err
		}
	}
	for _, word := range x.StringSlice("unit") {
		if err := setUnit(&m, word); err != nil {
			return m, p, err
		}
	}
	for i := range m.Columns {
		if x.String("place") != "" && m.Columns[i].Quantity == "temperature" {
			m.Columns[i].Place = x.String("place")
		}
	}
	return tryTimes(base, f, m)
}

// namedColumns are the headers that --column names.
func namedColumns(x *cli.Context) []string {
	var out []string
	for _, word := range x.StringSlice("column") {
		header, _, _ := cutLast(word, "=")
		out = append(out, header)
	}
	return out
}

// tryTimes reads the log with the map. Where the map does not say how the time
// is written, it takes the way that fits the most rows.
func tryTimes(name string, f io.ReadSeeker, m logs.Map) (logs.Map, logs.Preview, error) {
	ways := []string{""}
	at := slices.IndexFunc(m.Columns, func(c logs.Column) bool { return c.Quantity == "time" })
	if at >= 0 && m.Columns[at].Time == "" {
		ways = []string{"", logs.TimeClock, logs.TimeDate}
	}
	var best logs.Preview
	var bestMap logs.Map
	var bestErr error
	for i, way := range ways {
		one := m
		one.Columns = slices.Clone(m.Columns)
		if at >= 0 && one.Columns[at].Time == "" {
			one.Columns[at].Time = way
			if way == "" && one.Columns[at].Unit == "" {
				one.Columns[at].Unit = "s"
			}
		}
		p, err := logs.Preview{}, error(nil)
		if errs := one.Check(); len(errs) > 0 {
			err = keyAdvice(errs[0])
		} else if _, err = f.Seek(0, io.SeekStart); err == nil {
			p, err = logs.Try(name, f, one)
		}
		if i == 0 || len(p.Rows)-len(p.Bad) > len(best.Rows)-len(best.Bad) {
			best, bestMap, bestErr = p, one, err
		}
	}
	return bestMap, best, bestErr
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

// setColumn says what a column is that the map does not name, or names wrongly.
func setColumn(m *logs.Map, word string) error {
	header, quantity, ok := cutLast(word, "=")
	if !ok || header == "" {
		return fmt.Errorf("--column: write HEADER=QUANTITY, as in \"Sensor 3=temperature\", not %q", word)
	}
	if known := logs.Quantities(); !slices.Contains(known, quantity) {
		if near := document.Nearest(quantity, known); near != "" {
			return fmt.Errorf("--column: %q is no quantity; did you mean %q?", quantity, near)
		}
		return fmt.Errorf("--column: %q is no quantity; known are: %s", quantity, strings.Join(known, ", "))
	}
	m.Columns = slices.DeleteFunc(m.Columns, func(c logs.Column) bool {
		return c.Header == header || c.Quantity == quantity
	})
	m.Columns = append(m.Columns, logs.Column{Header: header, Quantity: quantity, Unit: usualUnit(quantity)})
	return nil
}

func cutLast(s, sep string) (before, after string, found bool) {
	i := strings.LastIndex(s, sep)
	if i < 0 {
		return s, "", false
	}
	return s[:i], s[i+len(sep):], true
}

// usualUnit is the unit that a temperature is written in where nothing is said.
// Other quantities must say theirs.
func usualUnit(quantity string) string {
	if strings.Contains(quantity, "temperature") || quantity == "ambient" {
		return "°C"
	}
	return ""
}

// textMap makes the map of a log of free text: the named groups are columns,
// named after their quantity.
func textMap(pattern string) (logs.Map, error) {
	re, err := regexp.Compile(pattern)
	if err != nil {
		return logs.Map{}, fmt.Errorf("--pattern: %w", err)
	}
	m := logs.Map{Format: logs.Text, Encoding: logs.UTF8, Decimal: ".", Pattern: pattern}
	known := logs.Quantities()
	for _, group := range re.SubexpNames() {
		if group == "" {
			continue
		}
		quantity := strings.ReplaceAll(group, "_", "-")
		if !slices.Contains(known, quantity) {
			near := ""
			if n := document.Nearest(quantity, known); n != "" {
				near = "did you mean " + n + "? "
			}
			return m, fmt.Errorf("--pattern: the group %q is no quantity; %sknown are: %s",
				group, near, strings.Join(known, ", "))
		}
		m.Columns = append(m.Columns, logs.Column{Header: group, Quantity: quantity, Unit: usualUnit(quantity)})
	}
	if len(m.Columns) == 0 {
		return m, errors.New("--pattern: no group has a name; write for instance 'at (?P<temperature>[0-9.]+) C'")
	}
	return m, nil
}

func setUnit(m *logs.Map, word string) error {
	name, unit, ok := strings.Cut(word, "=")
	if !ok {
		return fmt.Errorf("--unit: write NAME=UNIT, as in temperature=°C, not %q", word)
	}
	for i := range m.Columns {
		if m.Columns[i].Header == name || m.Columns[i].Quantity == name {
			m.Columns[i].Unit = unit
			return nil
		}
	}
	return fmt.Errorf("--unit: the map has no column %q", name)
}

// showMap prints how the log is read and its first rows.
func (c *Console) showMap(m logs.Map, p logs.Preview) {
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
	fold(c.Out, "", "Read as: "+how+".")
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
		fold(c.Out, "    ", text)
	}
	for _, i := range p.Ignored {
		fold(c.Out, "    ", strconv.Quote(i.Header)+" is passed over: "+i.Why)
	}
	fmt.Fprintln(c.Out, "\nFirst rows, in base units:")
	heads := []string{"line"}
	for _, col := range m.Columns {
		heads = append(heads, col.Quantity)
	}
	var rows [][]string
	for _, r := range p.Rows {
		row := []string{strconv.FormatInt(r.Line, 10)}
		for _, v := range r.Values {
			row = append(row, strconv.FormatFloat(v, 'g', 8, 64))
		}
		rows = append(rows, row)
	}
	c.printer().rightTable(append([][]string{heads}, rows...)...)
	for _, b := range p.Bad {
		fold(c.Out, "", fmt.Sprintf("Line %d is set aside: %s", b.Line, b.What))
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
		out = append(out, map[string]any{"line": r.Line, "text": r.Text, "values": values})
	}
	return out
}

func (c *Console) keepMap(x *cli.Context, m logs.Map, logName string) error {
	to := ""
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
		dir, err := c.shopDir(x)
		if err != nil {
			return err
		}
		folder := filepath.Join(dir, "logmaps")
		if err := os.MkdirAll(folder, 0o755); err != nil {
			return err
		}
		to = filepath.Join(folder, name+".toml")
	default:
		c.say(x, "Keep this map with: proveout logmap try %s --save NAME", logName)
		return nil
	}
	var b strings.Builder
	if err := m.Write(&b); err != nil {
		return err
	}
	if err := job.WriteFile(to, []byte(b.String()), job.KeepExisting); err != nil {
		if errors.Is(err, os.ErrExist) {
			return fmt.Errorf("%s is there already; it was left as it is", to)
		}
		return err
	}
	c.say(x, "Wrote %s. Use it with: proveout import JOB STEP %s --map %s",
		to, logName, orWord(x.String("save"), x.String("o")))
	return nil
}
