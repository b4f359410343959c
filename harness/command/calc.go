package command

import (
	"errors"
	"fmt"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/harness/logs"
	"proveout/harness/workflow"
	"proveout/plans/quantity"
)

func (c *Console) calcCommands() *cli.Command {
	return &cli.Command{
		Name:  "calc",
		Usage: "use one computation alone",
		Subcommands: []*cli.Command{
			c.calcConform(), c.calcRange(), c.calcThermal(), c.calcFrames(), c.calcSoakLength(),
			c.calcPCI(), c.calcEDID(), c.calcTiming(), c.calcClock(), c.calcMemorySize(), c.calcMemoryFaults(),
		},
	}
}

var mapFlag = textFlag("map", "log map `FILE`")

// hintFlags say of a log what its header does not.
var hintFlags = []cli.Flag{
	textsFlag("column", "what a column of a log is, `HEADER=QUANTITY`, may be repeated"),
	textsFlag("unit", "unit of a quantity of a log, `NAME=UNIT`, or how its time is written; may be repeated"),
	textFlag("decimal", "decimal `SIGN` of a log, a point or a comma"),
	textFlag("thousands", "`MARK` between the thousands of a log"),
	textFlag("row-every", "`TIME` from row to row of a log without a time, such as \"1 s\""),
}

// hintsOf reads what the flags say of a log.
func hintsOf(x *cli.Context) (h logs.Hints, err error) {
	var errs []error
	for _, text := range x.StringSlice("column") {
		header, quantity, ok := cutLast(text, "=")
		if !ok || header == "" {
			errs = append(errs, fmt.Errorf("--column: write HEADER=QUANTITY, as in \"Sensor 3=temperature\", not %q", text))
			continue
		}
		column, err := logs.ColumnOf(header, quantity)
		if err != nil {
			errs = append(errs, fmt.Errorf("--column: %w", err))
		}
		h.Columns = append(h.Columns, column)
	}
	for _, text := range x.StringSlice("unit") {
		name, unit, ok := cutLast(text, "=")
		if !ok || name == "" || unit == "" {
			errs = append(errs, fmt.Errorf("--unit: write NAME=UNIT, as in temperature=°C, not %q", text))
		}
		h.Units = append(h.Units, logs.Unit{Name: name, Unit: unit})
	}
	if text := x.String("row-every"); text != "" {
		q, err := quantity.Parse(text, quantity.Duration)
		if err == nil && (q.Value <= 0 || q.Tolerated) {
			err = fmt.Errorf("%q is not a time from row to row", text)
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("--row-every: %w", err))
		}
		h.Every = q.Value
	}
	h.Decimal, h.Thousands = x.String("decimal"), x.String("thousands")
	if h.Decimal != "" && h.Decimal != "." && h.Decimal != "," {
		errs = append(errs, fmt.Errorf("--decimal: %q is not a point or a comma", h.Decimal))
	}
	return h, errors.Join(errs...)
}

func cutLast(s, sep string) (before, after string, found bool) {
	i := strings.LastIndex(s, sep)
	if i < 0 {
		return s, "", false
	}
	return s[:i], s[i+len(sep):], true
}

// logFile is a log to be read with the map of --map, or as its header says.
func (c *Console) logFile(x *cli.Context, name string) (*workflow.LogFile, error) {
	shop, _ := c.shopDir(x) // a map by path needs no shop
	m, err := c.namedMap(x, shop)
	if err != nil {
		return nil, err
	}
	f := &workflow.LogFile{Path: c.path(name), Name: name}
	if f.Hints, err = hintsOf(x); err != nil {
		return nil, err
	}
	if m != nil {
		f.Map = *m
	}
	return f, nil
}
