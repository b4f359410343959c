package command

import (
	"errors"
	"fmt"
	"slices"

	"github.com/urfave/cli/v2"

	"proveout/plans/fact"
	"proveout/plans/quantity"
	"proveout/scoring/conformity"
	"proveout/scoring/thermal"
)

func (c *Console) calcThermal() *cli.Command {
	o, n := &thermal.Options{}, &numbers{}
	temperature := func(name, usage string, at **float64) *typed {
		return amount(name, quantity.Temperature, "°C", usage, value(toNew(at)))
	}
	place := func(word string) { o.Place, o.LimitPlace = thermal.Place(word), thermal.Place(word) }
	return &cli.Command{
		Name:      "thermal",
		Usage:     "what a temperature log says: rise, stability, peak, prediction",
		ArgsUsage: "LOG",
		Flags: append([]cli.Flag{
			mapFlag,
			temperature("start", "`TEMPERATURE` at the start, when it is known; else it is fitted", &o.Start),
			temperature("ambient", "ambient `TEMPERATURE`, when the log has none", &o.Ambient),
			n.flag("ambient-u", "standard uncertainty `U` of the ambient in K", to(&o.AmbientU)).or("0.5"),
			n.flag("u", "standard uncertainty `U` of the sensor in K", to(&o.U)).or("0"),
			temperature("limit", "`TEMPERATURE` limit", &o.Limit),
			temperature("rated-ambient", "`TEMPERATURE` of the surroundings at which the limit holds", &o.RatedAmbient),
			amount("drift", quantity.TemperatureRate, "", "`RATE` that counts as stable",
				func(q quantity.Quantity) { o.Drift = q.Value * 3600 }).or("2 K/h"),
			amount("window", quantity.Duration, "", "`DURATION` of the last window; else chosen", value(to(&o.Window))),
			placeFlag("where the sensor sits: `PLACE`; else what the log's heading says", place),
			jsonFlag,
		}, hintFlags...),
		Action: func(x *cli.Context) error {
			if x.NArg() != 1 {
				return errors.New("name one temperature log")
			}
			log, err := c.logFile(x, x.Args().First())
			if err != nil {
				return err
			}
			runs, err := log.Heat(*o)
			if err != nil {
				return err
			}
			a := &thermalAnswer{Runs: runs, Notes: log.Notes}
			if len(runs) == 1 {
				return c.give(x, thermalRun{&runs[0], log.Notes}, a.passed(), a.print)
			}
			return c.give(x, a, a.passed(), a.print)
		},
	}
}

// thermalAnswer is what calc thermal prints: the report of each run of the log.
type thermalAnswer struct {
	Runs  []thermal.Report `json:"runs"`
	Notes []fact.Fact      `json:"notes,omitempty"` // about the log
}

// A thermalRun is the only run of a log.
type thermalRun struct {
	*thermal.Report
	Notes []fact.Fact `json:"notes,omitempty"` // about the log
}

func (a *thermalAnswer) passed() bool {
	return !slices.ContainsFunc(a.Runs, func(r thermal.Report) bool {
		return r.Verdict != conformity.Pass && r.Verdict != conformity.NotRun
	})
}

func (a *thermalAnswer) print(p *printer) {
	for i, r := range a.Runs {
		if len(a.Runs) > 1 {
			p.line(fmt.Sprintf("Run %d", i+1))
		}
		if r.Verdict != conformity.NotRun {
			p.verdict(r.Verdict)
		}
		p.say(r.Sentences...)
		p.lead("Assumed: ", r.Assumptions...)
		p.lead("To settle it: ", r.Settle...)
	}
	p.remarks(a.Notes)
}
