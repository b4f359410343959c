package command

import (
	"errors"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"text/tabwriter"

	"github.com/urfave/cli/v2"

	"proveout/harness/logs"
	"proveout/plans/fact"
	"proveout/plans/quantity"
	"proveout/scoring/conformity"
	"proveout/scoring/endurance"
	"proveout/scoring/reference"
	"proveout/scoring/thermal"
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

func (c *Console) calcRange() *cli.Command {
	return &cli.Command{
		Name:      "range",
		Usage:     "does a new score belong with the scores of known-good cards",
		ArgsUsage: "SCORE…",
		Description: "The arguments are the known-good scores, at least five for a verdict. Without\n" +
			"--value the set alone is described.",
		Flags: []cli.Flag{
			&cli.StringFlag{Name: "value", Usage: "the new `SCORE`"},
			&cli.StringFlag{Name: "unit", Usage: "`UNIT` of the scores"},
			&cli.StringFlag{Name: "better", Usage: "which scores are good: `WAY` higher, lower or both", Value: "both"},
			&cli.BoolFlag{Name: "log", Usage: "take the logarithms to be normal"},
			&cli.StringFlag{Name: "confidence", Usage: "`C` of the prediction and the tolerance interval", Value: "0.95"},
			&cli.StringFlag{Name: "coverage", Value: "0.95",
				Usage: "share `P` of good cards that the tolerance interval covers"},
			&cli.StringFlag{Name: "u", Usage: "standard uncertainty `U` of the new score beyond the scatter of the set"},
			&cli.BoolFlag{Name: "keep-outlier", Usage: "the outlier was looked into and belongs to the set"},
			jsonFlag,
		},
		Action: c.runRange,
	}
}

func (c *Console) runRange(x *cli.Context) error {
	n := &numbers{x: x}
	var scores []float64
	for _, word := range x.Args().Slice() {
		for _, part := range strings.FieldsFunc(word, func(r rune) bool { return r == ',' || r == ';' || r == ' ' }) {
			scores = append(scores, n.parse("score", part))
		}
	}
	if len(scores) == 0 {
		return errors.New("give the known-good scores as arguments, as in: " +
			"proveout calc range 41.2 40.8 41.9 40.1 41.5 --value 40.9")
	}
	value := n.get("value")
	o := reference.Options{
		Confidence:  n.parse("confidence", x.String("confidence")),
		Coverage:    n.parse("coverage", x.String("coverage")),
		Log:         x.Bool("log"),
		KeepOutlier: x.Bool("keep-outlier"),
	}
	if x.IsSet("u") {
		o.Uncertainty = conformity.StandardUncertainty(n.get("u"))
	}
	if n.err != nil {
		return n.err
	}
	switch x.String("better") {
	case "higher":
		o.Direction = reference.HigherIsBetter
	case "lower":
		o.Direction = reference.LowerIsBetter
	case "both":
		o.Direction = reference.TwoSided
	default:
		return fmt.Errorf("--better: %q is not higher, lower or both", x.String("better"))
	}
	r, err := reference.Judge(reference.Set{Unit: firstOf(x.String("unit"), n.unit), Scores: scores}, value, o)
	if err != nil {
		return err
	}
	if !x.IsSet("value") {
		r.Verdict, r.Sentence = conformity.NotApplicable, fact.New("reference.set-alone")
		r.Settle = nil
	}
	if x.Bool("json") {
		err = c.answer(r)
	} else {
		c.printRange(&r)
	}
	if err == nil && x.IsSet("value") && r.Verdict != conformity.Pass {
		err = errNotPassed
	}
	return err
}

func (c *Console) printRange(r *reference.Outcome) {
	w := c.Out
	if r.Value != nil {
		fmt.Fprintln(w, strings.ToUpper(r.Verdict.String()))
	}
	fold(w, "", c.words().Tell(r.Sentence))
	unit := func(v float64) string { return strings.TrimSpace(fmt.Sprintf("%.6g %s", v, r.Unit)) }
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintf(t, "\nscores\t%d\n", r.N)
	fmt.Fprintf(t, "mean\t%s\n", unit(r.Mean))
	fmt.Fprintf(t, "standard deviation\t%s (robust %s)\n", unit(r.SD), unit(r.RobustSD))
	fmt.Fprintf(t, "median\t%s\n", unit(r.Median))
	if r.Prediction != nil {
		fmt.Fprintf(t, "next good card\t%s (%.0f %%, %s)\n",
			limitsText(r.Prediction.Limits, unit), 100*r.Prediction.Confidence, r.Prediction.Method)
	}
	if r.Tolerance != nil && (r.Tolerance.Low != nil || r.Tolerance.High != nil) {
		fmt.Fprintf(t, "%.0f %% of good cards\t%s (with %.0f %% confidence)\n",
			100*r.Tolerance.Coverage, limitsText(r.Tolerance.Limits, unit), 100*r.Tolerance.Confidence)
	}
	if r.Normality.Tested {
		fmt.Fprintf(t, "normality\tA² = %.4f, p = %.3g\n", r.Normality.A2, r.Normality.P)
	}
	if r.Percentile != nil {
		fmt.Fprintf(t, "percentile\t%.1f\n", *r.Percentile)
	}
	t.Flush()
	for _, o := range r.Outliers {
		fold(w, "", fmt.Sprintf("Outlier: %s (G = %.4f, critical %.4f). Look into it; nothing is taken out by itself.",
			unit(o.Value), o.G, o.Critical))
	}
	for _, n := range c.words().TellAll(r.Notes) {
		fold(w, "", "Note: "+n)
	}
	for _, s := range r.Settle {
		fold(w, "", "To settle it: "+c.words().Tell(s.Do))
	}
}

func (c *Console) calcSoakLength() *cli.Command {
	return &cli.Command{
		Name:  "soak-length",
		Usage: "how long a failure-free run must last to call an intermittent fault gone",
		Flags: []cli.Flag{
			&cli.StringFlag{Name: "every", Usage: "the fault came back about every `DURATION` before the repair"},
			&cli.StringFlag{Name: "times", Usage: "show `M` times that interval", Value: "1"},
			&cli.StringFlag{Name: "confidence", Usage: "confidence `C`", Value: "0.9"},
			&cli.IntFlag{Name: "allowed", Usage: "`R` failures let pass"},
			&cli.StringSliceFlag{Name: "ran", Usage: "a run of `DURATION` after the repair, may be repeated"},
			&cli.IntFlag{Name: "failures", Usage: "`N` failures in those runs"},
			&cli.IntFlag{Name: "passes", Usage: "count passes instead: `N` of them were made"},
			&cli.StringFlag{Name: "reliability", Usage: "chance `R` of a good pass to show, with --passes or alone"},
			&cli.StringFlag{Name: "activation-energy", Usage: "`EV` of a hot soak, an assumption"},
			&cli.StringFlag{Name: "use-temp", Usage: "`TEMPERATURE` in ordinary use, with --activation-energy"},
			&cli.StringFlag{Name: "soak-temp", Usage: "`TEMPERATURE` in the soak, with --activation-energy"},
			jsonFlag,
		},
		Action: c.runSoakLength,
	}
}

func (c *Console) runSoakLength(x *cli.Context) error {
	if err := noArguments(x); err != nil {
		return err
	}
	n := &numbers{x: x}
	confidence := n.parse("confidence", x.String("confidence"))
	if x.IsSet("reliability") || x.IsSet("passes") {
		return c.soakPasses(x, n, confidence)
	}
	every, err := typedDuration(x, "every")
	if err != nil {
		return err
	}
	q := endurance.Question{Interval: every, Multiple: n.parse("times", x.String("times")), Confidence: confidence, Allowed: x.Int("allowed")}
	if x.IsSet("activation-energy") {
		use, err1 := quantity.Parse(x.String("use-temp"), quantity.Temperature)
		soak, err2 := quantity.Parse(x.String("soak-temp"), quantity.Temperature)
		if err := errors.Join(err1, err2); err != nil {
			return fmt.Errorf("--activation-energy needs --use-temp and --soak-temp: %w", err)
		}
		q.Hot = &endurance.HotSoak{ActivationEnergy: n.get("activation-energy"), UseC: use.Value, SoakC: soak.Value}
	}
	if n.err != nil {
		return n.err
	}
	var runs []endurance.Run
	for i, text := range x.StringSlice("ran") {
		d, err := quantity.Parse(text, quantity.Duration)
		if err != nil {
			return fmt.Errorf("--ran: %w", err)
		}
		r := endurance.Run{Seconds: d.Value}
		if i == 0 {
			r.Failures = x.Int("failures")
		}
		runs = append(runs, r)
	}
	o, err := endurance.Judge(q, runs)
	if err != nil {
		return err
	}
	if x.Bool("json") {
		if err := c.answer(o); err != nil {
			return err
		}
	} else {
		fmt.Fprintln(c.Out, strings.ToUpper(o.Verdict.String()))
		fold(c.Out, "", o.Sentence)
		fmt.Fprintf(c.Out, "\nneeded: %s without more than %d failures, for a confidence of %.4g\n", quantity.Format(o.Needed, 0, quantity.Duration), o.Allowed, o.Confidence)
		if a := o.Acceleration; a != nil {
			fold(c.Out, "", "Assumption: "+a.Assumption)
		}
		if o.Settle != "" {
			fold(c.Out, "", "To settle it: "+o.Settle)
		}
	}
	if len(runs) > 0 && o.Verdict != conformity.Pass {
		return errNotPassed
	}
	return nil
}

func (c *Console) soakPasses(x *cli.Context, n *numbers, confidence float64) error {
	if n.err != nil {
		return n.err
	}
	answer := map[string]any{"confidence": confidence, "failures": x.Int("failures")}
	var text []string
	notShown := false
	if x.IsSet("reliability") {
		reliability := n.get("reliability")
		if n.err != nil {
			return n.err
		}
		needed, err := endurance.NeededPasses(reliability, confidence, x.Int("allowed"))
		if err != nil {
			return err
		}
		answer["needed_passes"], answer["reliability"] = needed, reliability
		text = append(text, fmt.Sprintf("%d passes with at most %d spoilt show a chance of a good pass of at least %.4g with %.4g confidence.", needed, x.Int("allowed"), reliability, confidence))
		notShown = x.IsSet("passes") && (x.Int("passes") < needed || x.Int("failures") > x.Int("allowed"))
	}
	if x.IsSet("passes") {
		shown, err := endurance.ShownReliability(x.Int("passes"), x.Int("failures"), confidence)
		if err != nil {
			return err
		}
		answer["shown_reliability"], answer["passes"] = shown, x.Int("passes")
		text = append(text, fmt.Sprintf("%d passes with %d spoilt have shown a chance of a good pass of at least %.4f.", x.Int("passes"), x.Int("failures"), shown))
	}
	if x.Bool("json") {
		if err := c.answer(answer); err != nil {
			return err
		}
	} else {
		for _, t := range text {
			fold(c.Out, "", t)
		}
	}
	if notShown {
		return errNotPassed
	}
	return nil
}

func typedDuration(x *cli.Context, flag string) (float64, error) {
	if !x.IsSet(flag) {
		return 0, fmt.Errorf("--%s is needed, as in --%s \"2 h\"", flag, flag)
	}
	q, err := quantity.Parse(x.String(flag), quantity.Duration)
	if err != nil {
		return 0, fmt.Errorf("--%s: %w", flag, err)
	}
	return q.Value, nil
}

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
	for _, s := range r.Sentences {
		fold(c.Out, "", s)
	}
	for _, s := range r.Assumptions {
		fold(c.Out, "", "Assumed: "+s)
	}
	for _, s := range r.Settle {
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
	o.Start, o.Ambient, o.Limit, o.RatedAmbient = temperature("start"), temperature("ambient"), temperature("limit"), temperature("rated-ambient")
	o.U, o.AmbientU = n.parse("u", x.String("u")), n.parse("ambient-u", x.String("ambient-u"))
	drift, derr := quantity.Parse(x.String("drift"), quantity.TemperatureRate)
	o.Drift = thermal.Drift{Change: drift.Value * 3600, Per: 3600}
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
	at := func(quantity string) int {
		return slices.IndexFunc(m.Columns, func(col logs.Column) bool { return col.Quantity == quantity })
	}
	times, temp := at("time"), at("temperature")
	if temp < 0 {
		return temperatureColumn{}, noColumn(name, m, "no column holds a temperature")
	}
	if times < 0 {
		return temperatureColumn{}, noColumn(name, m, "no column holds the time")
	}
	others := []int{at("ambient"), at("power"), at("memory-temperature"), at("core-clock"), at("fps")}
	sum, err := c.streamLog(name, m, func(b *logs.Batch) error {
		for i := range b.Len() {
			value := func(column int) float64 {
				if column < 0 {
					return math.NaN()
				}
				return b.Columns[column][i]
			}
			rows.Add(thermal.Row{Time: value(times), Temp: value(temp), Ambient: value(others[0]), Power: value(others[1]), Second: value(others[2]), Clock: value(others[3]), FPS: value(others[4])})
		}
		return nil
	})
	if err != nil {
		return temperatureColumn{}, err
	}
	return temperatureColumn{sum.Columns[temp].Resolution, m.Columns[temp].Place}, nil
}

// mapFor returns the map of --map, or the one that the log itself suggests.
func (c *Console) mapFor(x *cli.Context, name string) (logs.Map, error) {
	if x.String("map") != "" {
		shop, _ := c.shopDir(x)
		return c.logMap(shop, x.String("map"))
	}
	f, err := os.Open(c.path(name))
	if err != nil {
		return logs.Map{}, err
	}
	defer f.Close()
	m, _, err := logs.Sniff(name, f)
	return m, err
}

func (c *Console) streamLog(name string, m logs.Map, each func(*logs.Batch) error) (logs.Summary, error) {
	f, err := os.Open(c.path(name))
	if err != nil {
		return logs.Summary{}, err
	}
	defer f.Close()
	return logs.Read(logs.Input{Name: name, Reader: f}, m, each)
}

// columnOf finds the first column of a quantity in a map; −1 when there is none.
func columnOf(m logs.Map) func(quantity string) int {
	return func(quantity string) int {
		return slices.IndexFunc(m.Columns, func(col logs.Column) bool { return col.Quantity == quantity })
	}
}
