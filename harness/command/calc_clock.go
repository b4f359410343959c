package command

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/plans"
	"proveout/plans/fact"
	"proveout/plans/quantity"
	"proveout/scoring/bus"
	"proveout/scoring/conformity"
)

func (c *Console) calcClock() *cli.Command {
	whole := func(name, what string) cli.Flag { return &cli.IntFlag{Name: name, Usage: what} }
	return &cli.Command{
		Name:  "clock",
		Usage: "judge a clock readout: nominal, nearest setting, another variant, or drift",
		Description: "The last digit of --reading is its resolution; \"166\" is known to ±0.5 MHz.\n" +
			"A clock is made as reference x N / (M x 2^K); the reference is 315/22 MHz unless\n" +
			"--reference says otherwise. With --family the values come from a board family.",
		Flags: []cli.Flag{shopFlag, jsonFlag,
			&cli.StringFlag{Name: "nominal", Usage: "nominal `CLOCK`, as in 166MHz"},
			&cli.StringFlag{Name: "reading", Usage: "the `CLOCK` that was read, with the digits shown"},
			&cli.StringFlag{Name: "tolerance", Usage: "`LIMITS` of the clock, as in 1% or 100ppm", Value: "1%"},
			&cli.StringFlag{Name: "instrument", Usage: "`LIMITS` of the instrument, as in 50ppm or 0.1MHz"},
			&cli.StringFlag{Name: "synth", Usage: "`RANGES` of the synthesizer, as in \"N 8-129, M 2-31, K 0-3\""},
			whole("n-min", "least N"), whole("n-max", "largest N"),
			whole("m-min", "least M"), whole("m-max", "largest M"),
			whole("k-min", "least K"), whole("k-max", "largest K"),
			&cli.StringFlag{Name: "reference", Usage: "reference `CLOCK` of the synthesizer"},
			&cli.StringFlag{Name: "vco-min", Usage: "slowest `CLOCK` of reference x N / M"},
			&cli.StringFlag{Name: "vco-max", Usage: "fastest `CLOCK` of reference x N / M"},
			&cli.StringFlag{Name: "compare-min", Usage: "slowest `CLOCK` of reference / M"},
			&cli.StringSliceFlag{Name: "variant-clock", Usage: "clock of another variant, `NAME=MHZ`; may be repeated"},
			&cli.StringSliceFlag{Name: "variant", Usage: "the same, or with --family the `NAME` of the card's variant"},
			&cli.StringFlag{Name: "family", Usage: "take the values of the board family `ID`"},
			&cli.StringFlag{Name: "name", Usage: "which clock of the family: `NAME`", Value: "core"},
			&cli.Int64Flag{Name: "counts", Usage: "`N` counts of a test output, in place of --reading"},
			&cli.StringFlag{Name: "gate", Usage: "gate `TIME` of --counts", Value: "1s"},
			&cli.Float64Flag{Name: "divider", Usage: "the test output is the clock divided by `D`", Value: 1},
			&cli.StringSliceFlag{
				Name:  "pair",
				Usage: "core and memory read together, `CORE/MEMORY`; may be repeated at other settings",
			},
		},
		Action: c.runClock,
	}
}

// clockAnswer is what calc clock prints.
type clockAnswer struct {
	NominalHz float64 `json:"nominal_hz"`
	ReadHz    float64 `json:"reading_hz"`
	bus.ClockReport
	Settings []bus.Setting `json:"settings,omitempty"` // nearest to nominal, best first
	Coupling *bus.Coupling `json:"coupling,omitempty"`
}

func (c *Console) runClock(x *cli.Context) error {
	if err := noArguments(x); err != nil {
		return err
	}
	r, err := c.clockReading(x)
	if err != nil {
		return err
	}
	report, err := bus.JudgeClock(r)
	if err != nil {
		return err
	}
	a := clockAnswer{NominalHz: r.NominalHz, ReadHz: r.ReadHz, ClockReport: report}
	if r.Synthesizer != nil {
		if a.Settings, err = bus.Nearest(*r.Synthesizer, r.NominalHz, 5); err != nil {
			return err
		}
	}
	if a.Coupling, err = coupling(x.StringSlice("pair")); err != nil {
		return err
	}
	if x.Bool("json") {
		err = c.answer(a)
	} else {
		c.printClock(&a)
	}
	if err == nil && a.Verdict != conformity.Pass {
		err = errNotPassed
	}
	return err
}

// A hertzFlags reads frequencies of flags and keeps the first error.
type hertzFlags struct {
	x   *cli.Context
	err error
}

func (h *hertzFlags) get(flag string) (value, resolution float64) {
	if !h.x.IsSet(flag) {
		return 0, 0
	}
	q, err := quantity.ParseIn(h.x.String(flag), quantity.Frequency, hertzUnit("MHz"))
	if err == nil && !(q.Value > 0) {
		err = fmt.Errorf("%q is not above 0", h.x.String(flag))
	}
	if err != nil {
		h.err = errors.Join(h.err, fmt.Errorf("--%s: %w", flag, err))
	}
	return q.Value, q.Resolution
}

func (c *Console) clockReading(x *cli.Context) (bus.ClockReading, error) {
	var r bus.ClockReading
	h := &hertzFlags{x: x}
	if id := x.String("family"); id != "" {
		if err := c.clockOfFamily(x, id, &r); err != nil {
			return r, err
		}
	} else if x.IsSet("name") {
		return r, errors.New("--name goes with --family")
	}
	if x.IsSet("nominal") {
		r.NominalHz, _ = h.get("nominal")
	}
	if r.NominalHz == 0 && h.err == nil {
		return r, errors.New("give the nominal clock, as in: proveout calc clock --nominal 166MHz --reading 165.8MHz")
	}
	switch {
	case x.IsSet("counts") && x.IsSet("reading"):
		return r, errors.New("give either --reading or --counts")
	case x.IsSet("counts"):
		gate, err := typedDuration(x, "gate")
		if !x.IsSet("gate") {
			gate, err = 1, nil
		}
		if err != nil {
			return r, err
		}
		if r.ReadHz, r.ResolutionHz, err = bus.Counted(x.Int64("counts"), gate, x.Float64("divider")); err != nil {
			return r, err
		}
	case x.IsSet("reading"):
		r.ReadHz, r.ResolutionHz = h.get("reading")
	default:
		return r, errors.New("give the clock that was read with --reading, or --counts with --gate")
	}
	if r.TolerancePPM == 0 || x.IsSet("tolerance") {
		var err error
		if r.TolerancePPM, err = relativeLimits(x.String("tolerance"), r.NominalHz); err != nil {
			return r, fmt.Errorf("--tolerance: %w", err)
		}
	}
	if x.IsSet("instrument") {
		var err error
		if r.InstrumentPPM, err = relativeLimits(x.String("instrument"), r.ReadHz); err != nil {
			return r, fmt.Errorf("--instrument: %w", err)
		}
	}
	if err := synthesizerFlags(x, h, &r); err != nil {
		return r, err
	}
	return r, errors.Join(h.err, variantFlags(x, &r))
}

// clockOfFamily takes nominal clock, tolerance, synthesizer and the other
// variants' clocks from a family.
func (c *Console) clockOfFamily(x *cli.Context, id string, r *bus.ClockReading) error {
	variant := ""
	for _, v := range x.StringSlice("variant") {
		if !strings.Contains(v, "=") {
			variant = v
		}
	}
	shop, err := c.shopDir(x)
	if err != nil && (x.String("shop") != "" || c.Getenv("PROVEOUT_SHOP") != "") {
		return err
	}
	file, err := plans.FindFamily(shop, id)
	if err != nil {
		return err
	}
	family, err := file.Variant(variant)
	if err != nil {
		return err
	}
	var names []string
	for _, k := range family.Clocks {
		names = append(names, k.Name)
		if k.Name != x.String("name") {
			continue
		}
		r.NominalHz = k.Value.Value
		r.TolerancePPM = math.Max(k.Value.Plus, k.Value.Minus) / k.Value.Value * 1e6
		r.Synthesizer = k.Synthesizer
	}
	if r.NominalHz == 0 {
		return fmt.Errorf("family %q has no clock %q; it has: %s", id, x.String("name"), strings.Join(names, ", "))
	}
	for _, v := range file.Variants() {
		other, err := file.Variant(v)
		if err != nil || v == family.Variant {
			continue
		}
		for _, k := range other.Clocks {
			if k.Name == x.String("name") {
				r.Variants = append(r.Variants, bus.ClockVariant{Name: v, Hz: k.Value.Value})
			}
		}
	}
	return nil
}

// synthesizerFlags reads the ranges of a synthesizer.
func synthesizerFlags(x *cli.Context, h *hertzFlags, r *bus.ClockReading) error {
	s := plans.Synthesizer{N: plans.Span{Low: 1, High: 256}, M: plans.Span{Low: 1, High: 64}}
	if r.Synthesizer != nil {
		s = *r.Synthesizer
	}
	given := false
	if text := x.String("synth"); text != "" {
		given = true
		if err := parseSynth(text, &s); err != nil {
			return err
		}
	}
	for _, f := range []struct {
		flag string
		to   *int
	}{
		{"n-min", &s.N.Low}, {"n-max", &s.N.High}, {"m-min", &s.M.Low},
		{"m-max", &s.M.High}, {"k-min", &s.K.Low}, {"k-max", &s.K.High},
	} {
		if x.IsSet(f.flag) {
			given, *f.to = true, x.Int(f.flag)
		}
	}
	for _, f := range []struct {
		flag string
		to   *float64
	}{
		{"reference", &s.Reference}, {"vco-min", &s.VCOMin},
		{"vco-max", &s.VCOMax}, {"compare-min", &s.CompareMin},
	} {
		if x.IsSet(f.flag) {
			if !given && r.Synthesizer == nil {
				return fmt.Errorf("--%s needs the ranges of the synthesizer: --synth %q", f.flag, synthExample)
			}
			*f.to, _ = h.get(f.flag)
			given = true
		}
	}
	if !given {
		return nil
	}
	if err := bus.CheckSynthesizer(s); err != nil {
		return fmt.Errorf("the synthesizer: %w", err)
	}
	r.Synthesizer = &s
	return nil
}

// synthExample shows how the ranges of a synthesizer are written.
const synthExample = "N 8-129, M 2-31, K 0-3"

// parseSynth reads the ranges of a synthesizer.
func parseSynth(text string, s *plans.Synthesizer) error {
	spans := regexp.MustCompile(`(?i)\b([nmk])\s*[:=]?\s*(\d+(?:\s*(?:-|–|−|\.\.)\s*\d+)?)`)
	parts := spans.FindAllStringSubmatch(text, -1)
	if len(parts) < 2 {
		return fmt.Errorf("--synth: %q gives no ranges; write it as in %q", text, synthExample)
	}
	for _, p := range parts {
		span, err := plans.ParseSpan(p[2])
		if err != nil {
			return fmt.Errorf("--synth: %s: %w", p[1], err)
		}
		switch strings.ToLower(p[1]) {
		case "n":
			s.N = span
		case "m":
			s.M = span
		default:
			s.K = span
		}
	}
	return nil
}

// variantFlags reads clocks of other variants, NAME=MHZ.
func variantFlags(x *cli.Context, r *bus.ClockReading) error {
	for _, text := range append(x.StringSlice("variant"), x.StringSlice("variant-clock")...) {
		name, clock, ok := strings.Cut(text, "=")
		if !ok {
			if x.String("family") != "" {
				continue // the card's own
			}
			return fmt.Errorf("--variant: write NAME=MHZ, as in 143=143, not %q", text)
		}
		q, err := quantity.ParseIn(clock, quantity.Frequency, hertzUnit("MHz"))
		if err != nil || !(q.Value > 0) {
			return fmt.Errorf("--variant: %q is not a clock", clock)
		}
		r.Variants = append(r.Variants, bus.ClockVariant{Name: strings.TrimSpace(name), Hz: q.Value})
	}
	return nil
}

// relativeLimits reads limits as an instrument or a tolerance states them and
// returns them in ppm of a value.
func relativeLimits(text string, value float64) (ppm float64, err error) {
	text = strings.TrimSpace(text)
	if !strings.HasPrefix(text, "±") && !strings.HasPrefix(text, "+-") && !strings.HasPrefix(text, "+/-") {
		text = "±" + text
	}
	q, floor, err := quantity.ParseLimits(text, quantity.Frequency, nil)
	if err != nil {
		return 0, err
	}
	half := q.Value
	if q.Dimension == quantity.Ratio {
		half *= value
	}
	if floor != nil {
		half += floor.Value
	}
	if !(value > 0) {
		return 0, errors.New("limits need a frequency above 0")
	}
	return half / value * 1e6, nil
}

func coupling(pairs []string) (*bus.Coupling, error) {
	if len(pairs) == 0 {
		return nil, nil
	}
	var read []bus.ClockPair
	for _, text := range pairs {
		core, memory, ok := strings.Cut(text, "/")
		a, err1 := quantity.ParseIn(core, quantity.Frequency, hertzUnit("MHz"))
		b, err2 := quantity.ParseIn(memory, quantity.Frequency, hertzUnit("MHz"))
		if !ok || err1 != nil || err2 != nil {
			return nil, fmt.Errorf("--pair: write CORE/MEMORY, as in 166.0/83.0, not %q", text)
		}
		// Half a last digit, rectangular (JCGM 100:2008, 4.3.7).
		read = append(read, bus.ClockPair{
			CoreHz: a.Value, CoreU: a.Resolution / math.Sqrt(12),
			MemoryHz: b.Value, MemoryU: b.Resolution / math.Sqrt(12),
		})
	}
	c, err := bus.CompareClocks(read)
	return &c, err
}

func (c *Console) printClock(a *clockAnswer) {
	say := c.words()
	fmt.Fprintln(c.Out, strings.ToUpper(a.Verdict.String()))
	fold(c.Out, "", upperSentence(say.Tell(a.Text)))
	fmt.Fprintln(c.Out)
	l := c.labelled()
	l.add(fact.New("bus.label-read"), fact.New("bus.clock-read",
		"clock", fact.In(a.ReadHz/1e6, "MHz").Whole(), "u", fact.In(a.ReadingU/1e3, "kHz")))
	l.add(fact.New("bus.label-nominal"), fact.In(a.NominalHz/1e6, "MHz").Whole())
	l.add(fact.New("bus.label-deviation"), fact.In(a.DeviationPPM, "ppm").To(1).WithSign())
	if a.Coupling != nil {
		l.add(fact.New("bus.label-coupling"), a.Coupling.Text)
	}
	if len(a.Settings) == 0 {
		return
	}
	fmt.Fprintf(c.Out, "\n%s\n", say.Tell(fact.New("bus.nearest-settings")))
	rows := [][]string{{"N", "M", "K", "MHz", say.Tell(fact.New("bus.head-from-nominal"))}}
	for _, s := range a.Settings {
		rows = append(rows, []string{
			fmt.Sprint(s.N), fmt.Sprint(s.M), fmt.Sprint(s.K),
			say.Amount(fact.In(s.Hz/1e6, "").To(1e-6)), say.Amount(fact.In(s.PPM, "ppm").To(1).WithSign()),
		})
	}
	table(c.Out, rows)
}

// upperSentence begins a text with a capital and ends it with a full stop.
func upperSentence(s string) string {
	if s == "" {
		return ""
	}
	r := []rune(s)
	s = strings.ToUpper(string(r[0])) + string(r[1:])
	if !strings.HasSuffix(s, ".") {
		s += "."
	}
	return s
}
