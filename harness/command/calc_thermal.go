package command

import (
	"errors"
	"fmt"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/harness/logs"
	"proveout/plans/quantity"
	"proveout/scoring/conformity"
	"proveout/scoring/thermal"
)

func (c *Console) calcThermal() *cli.Command {
	return &cli.Command{
		Name:      "thermal",
		Usage:     "what a temperature log says: rise, stability, peak, prediction",
		ArgsUsage: "LOG",
		Flags: []cli.Flag{
			&cli.StringFlag{Name: "map", Usage: "log map `FILE`"},
			&cli.StringFlag{Name: "start", Usage: "`TEMPERATURE` at the start, when it is known; else it is fitted"},
			&cli.StringFlag{Name: "ambient", Usage: "ambient `TEMPERATURE`, when the log has none"},
			&cli.StringFlag{Name: "ambient-u", Usage: "standard uncertainty `U` of the ambient in K", Value: "0.5"},
			&cli.StringFlag{Name: "u", Usage: "standard uncertainty `U` of the sensor in K", Value: "0"},
			&cli.StringFlag{Name: "limit", Usage: "`TEMPERATURE` limit"},
			&cli.StringFlag{Name: "rated-ambient", Usage: "`TEMPERATURE` of the surroundings at which the limit holds"},
			&cli.StringFlag{Name: "drift", Usage: "`RATE` that counts as stable", Value: "2 K/h"},
			&cli.StringFlag{Name: "window", Usage: "`DURATION` of the last window; else chosen"},
			&cli.StringFlag{Name: "place", Usage: "where the sensor sits: `PLACE`; else what the log's heading says"},
			jsonFlag,
		},
		Action: c.runThermal,
	}
}

func (c *Console) runThermal(x *cli.Context) error {
	if x.NArg() != 1 {
		return errors.New("name one temperature log")
	}
	o, err := thermalOptions(x)
	if err != nil {
		return err
	}
	var rows thermal.Accumulator
	column, err := c.readThermal(x, x.Args().First(), &rows)
	if err != nil {
		return err
	}
	if o.Place == thermal.Unknown {
		o.Place = thermal.Place(column.place)
		o.LimitPlace = o.Place
	}
	r, err := rows.Analyse(column.resolution, o)
	if err != nil {
		return fmt.Errorf("%s: %w", x.Args().First(), err)
	}
	if r.Verdict == conformity.Fail || r.Verdict == conformity.Inconclusive {
		err = errNotPassed
	}
	if x.Bool("json") {
		return errors.Join(c.answer(r), err)
	}
	if r.Verdict != conformity.NotRun {
		fmt.Fprintln(c.Out, strings.ToUpper(r.Verdict.String()))
	}
	for _, s := range c.words().TellAll(r.Sentences) {
		fold(c.Out, "", s)
	}
	for _, s := range c.words().TellAll(r.Assumptions) {
		fold(c.Out, "", "Assumed: "+s)
	}
	for _, s := range c.words().TellAll(r.Settle) {
		fold(c.Out, "", "To settle it: "+s)
	}
	return err
}

func thermalOptions(x *cli.Context) (o thermal.Options, err error) {
	n := &numbers{x: x}
	temperature := func(flag string) *float64 {
		if !x.IsSet(flag) {
			return nil
		}
		q, perr := quantity.ParseIn(x.String(flag), quantity.Temperature, quantity.Choose(quantity.Temperature))
		if perr != nil {
			err = errors.Join(err, fmt.Errorf("--%s: %w", flag, perr))
		}
		return &q.Value
	}
	o.Start, o.Ambient = temperature("start"), temperature("ambient")
	o.Limit, o.RatedAmbient = temperature("limit"), temperature("rated-ambient")
	o.U, o.AmbientU = n.parse("u", x.String("u")), n.parse("ambient-u", x.String("ambient-u"))
	drift, derr := quantity.Parse(x.String("drift"), quantity.TemperatureRate)
	o.Drift = drift.Value * 3600
	var werr, perr error
	if x.IsSet("window") {
		o.Window, werr = typedDuration(x, "window")
	}
	if x.IsSet("place") {
		o.Place, perr = thermal.ParsePlace(x.String("place"))
		o.LimitPlace = o.Place
	}
	return o, errors.Join(err, n.err, derr, werr, perr)
}

// A temperatureColumn is what a log says of its temperatures.
type temperatureColumn struct {
	resolution float64 // display step in °C
	place      string  // where the sensor sits; empty when not said
}

// readThermal streams a log into rows.
func (c *Console) readThermal(x *cli.Context, name string, rows *thermal.Accumulator) (temperatureColumn, error) {
	m, err := c.mapFor(x, name)
	if err != nil {
		return temperatureColumn{}, err
	}
	columns := thermal.ColumnsOf(columnOf(m))
	temp := columns[thermal.Temperature]
	if temp < 0 {
		return temperatureColumn{}, noColumn(name, m, "no column holds a temperature")
	}
	if columns[thermal.Time] < 0 {
		return temperatureColumn{}, noColumn(name, m, "no column holds the time")
	}
	sum, err := c.streamLog(name, m, func(b *logs.Batch) error {
		for i := range b.Len() {
			rows.Add(columns.Row(func(place int) float64 { return b.Columns[place][i] }))
		}
		return nil
	})
	if err != nil {
		return temperatureColumn{}, err
	}
	return temperatureColumn{sum.Columns[temp].Resolution, m.Columns[temp].Place}, nil
}
