package command

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"regexp"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/plans"
	"proveout/plans/fact"
	"proveout/plans/quantity"
	"proveout/scoring"
	"proveout/scoring/bus"
	"proveout/scoring/conformity"
)

// A clockQuestion is what calc clock is asked.
type clockQuestion struct {
	bus.ClockReading
	made  plans.Synthesizer // as far as flags say how the clock is made
	own   string            // variant of the card
	ends  map[string]int    // of the synthesizer's ranges, by flag
	gate  float64
	pairs []bus.ClockPair

	counts  int64 // of a test output
	divider float64
}

func (c *Console) calcClock() *cli.Command {
	q := &clockQuestion{ends: map[string]int{}, divider: 1}
	end := func(name, usage string) cli.Flag {
		return whole(name, usage, 0, func(n int) { q.ends[name] = n })
	}
	clock := func(name, usage string, hz *float64) *typed {
		return frequency(name, "MHz", usage, hz, new(float64))
	}
	return &cli.Command{
		Name:  "clock",
		Usage: "judge a clock readout: nominal, nearest setting, another variant, or drift",
		Description: "The last digit of --reading is its resolution; \"137\" is known to ±0.5 MHz.\n" +
			"A clock is made as reference x N / (M x 2^K); the reference is 315/22 MHz unless\n" +
			"--reference says otherwise. With --family the values come from a board family.",
		Flags: []cli.Flag{shopFlag, jsonFlag,
			clock("nominal", "nominal `CLOCK`, as in 137MHz", &q.NominalHz),
			frequency("reading", "MHz", "the `CLOCK` that was read, with the digits shown", &q.ReadHz, &q.ResolutionHz),
			usualFlag("tolerance", "`LIMITS` of the clock, as in 1% or 100ppm", "1%"),
			textFlag("instrument", "`LIMITS` of the instrument, as in 50ppm or 0.1MHz"),
			textFlag("synth", "`RANGES` of the synthesizer, as in \""+synthExample+"\""),
			end("n-min", "least N"), end("n-max", "largest N"),
			end("m-min", "least M"), end("m-max", "largest M"),
			end("k-min", "least K"), end("k-max", "largest K"),
			clock("reference", "reference `CLOCK` of the synthesizer", &q.made.Reference),
			clock("vco-min", "slowest `CLOCK` of reference x N / M", &q.made.VCOMin),
			clock("vco-max", "fastest `CLOCK` of reference x N / M", &q.made.VCOMax),
			clock("compare-min", "slowest `CLOCK` of reference / M", &q.made.CompareMin),
			typedListFlag("variant-clock", "clock of another variant, `NAME=MHZ`; may be repeated", q.otherVariant),
			typedListFlag("variant", "the same, or with --family the `NAME` of the card's variant", q.variant),
			textFlag("family", "take the values of the board family `ID`"),
			usualFlag("name", "which clock of the family: `NAME`", "core"),
			whole("counts", "`N` counts of a test output, in place of --reading", 1, to(&q.counts)),
			amount("gate", quantity.Duration, "", "gate `TIME` of --counts", value(to(&q.gate))).or("1s"),
			number("divider", "the test output is the clock divided by `D`", to(&q.divider)).or("1"),
			typedListFlag("pair", "core and memory read together, `CORE/MEMORY`; may be repeated at other settings", q.pair),
		},
		Action: func(x *cli.Context) error {
			if err := c.settleClock(x, q); err != nil {
				return err
			}
			a, err := q.judge()
			if err != nil {
				return err
			}
			return c.give(x, a, a.Verdict == conformity.Pass, a.print)
		},
	}
}

// variant takes the clock of another variant, or the name of the card's own.
func (q *clockQuestion) variant(text string) error {
	if strings.Contains(text, "=") {
		return q.otherVariant(text)
	}
	q.own = text
	return nil
}

// otherVariant takes the clock of another variant.
func (q *clockQuestion) otherVariant(text string) error {
	name, clock, ok := strings.Cut(text, "=")
	if !ok {
		return fmt.Errorf("write NAME=MHZ, as in 112=112, not %q", text)
	}
	hz, err := parseAmount(clock, quantity.Frequency, "MHz")
	if err != nil || !(hz.Value > 0) {
		return fmt.Errorf("%q is not a clock", clock)
	}
	q.Variants = append(q.Variants, bus.ClockVariant{Name: strings.TrimSpace(name), Hz: hz.Value})
	return nil
}

// pair takes core and memory clock that were read together.
func (q *clockQuestion) pair(text string) error {
	core, memory, ok := strings.Cut(text, "/")
	a, err1 := parseAmount(core, quantity.Frequency, "MHz")
	b, err2 := parseAmount(memory, quantity.Frequency, "MHz")
	if !ok || err1 != nil || err2 != nil {
		return fmt.Errorf("write CORE/MEMORY, as in 137.0/68.5, not %q", text)
	}
	// Half a last digit, rectangular (JCGM 100:2008, 4.3.7).
	q.pairs = append(q.pairs, bus.ClockPair{
		CoreHz: a.Value, CoreU: a.Resolution / math.Sqrt(12),
		MemoryHz: b.Value, MemoryU: b.Resolution / math.Sqrt(12),
	})
	return nil
}

// settleClock completes a reading by what the family says, and by flags that
// mean something only beside others.
func (c *Console) settleClock(x *cli.Context, q *clockQuestion) error {
	if x.String("family") != "" {
		if err := c.clockOfFamily(x, q); err != nil {
			return err
		}
	} else if x.IsSet("name") || q.own != "" {
		return errors.New("--name and --variant go with --family")
	}
	if q.NominalHz == 0 {
		return errors.New("give the nominal clock, as in: proveout calc clock --nominal 137MHz --reading 136.8MHz")
	}
	var err error
	switch {
	case x.IsSet("counts") && x.IsSet("reading"):
		return errors.New("give either --reading or --counts")
	case x.IsSet("counts"):
		q.ReadHz, q.ResolutionHz, err = bus.Counted(q.counts, q.gate, q.divider)
	case !x.IsSet("reading"):
		err = errors.New("give the clock that was read with --reading, or --counts with --gate")
	}
	if err != nil {
		return err
	}
	if q.TolerancePPM == 0 || x.IsSet("tolerance") {
		if q.TolerancePPM, err = relativeLimits(x.String("tolerance"), q.NominalHz); err != nil {
			return fmt.Errorf("--tolerance: %w", err)
		}
	}
	if x.IsSet("instrument") {
		if q.InstrumentPPM, err = relativeLimits(x.String("instrument"), q.ReadHz); err != nil {
			return fmt.Errorf("--instrument: %w", err)
		}
	}
	return q.settleSynthesizer(x)
}

// clockOfFamily takes nominal clock, tolerance, synthesizer and the other
// variants' clocks from a family, as far as flags do not give them.
func (c *Console) clockOfFamily(x *cli.Context, q *clockQuestion) error {
	family, err := c.familyVariant(x, q.own)
	if err != nil {
		return err
	}
	expected, known := scoring.ClockExpected(family, x.String("name"))
	if expected.NominalHz == 0 {
		return fmt.Errorf("family %q has no clock %q; it has: %s",
			x.String("family"), x.String("name"), strings.Join(known, ", "))
	}
	q.NominalHz = cmp.Or(q.NominalHz, expected.NominalHz)
	q.TolerancePPM, q.Synthesizer = expected.TolerancePPM, expected.Synthesizer
	q.Variants = append(q.Variants, expected.Variants...)
	return nil
}

// synthExample shows how the ranges of a synthesizer are written.
const synthExample = "N 8-129, M 2-31, K 0-3"

// settleSynthesizer makes the synthesizer of the flags: that of the family,
// changed where a flag says so.
func (q *clockQuestion) settleSynthesizer(x *cli.Context) error {
	s := plans.Synthesizer{N: plans.Span{Low: 1, High: 256}, M: plans.Span{Low: 1, High: 64}}
	ends := map[string]*int{
		"n-min": &s.N.Low, "n-max": &s.N.High, "m-min": &s.M.Low,
		"m-max": &s.M.High, "k-min": &s.K.Low, "k-max": &s.K.High,
	}
	given := x.IsSet("synth")
	for name := range ends {
		given = given || x.IsSet(name)
	}
	if q.Synthesizer == nil && !given {
		for _, bound := range []string{"reference", "vco-min", "vco-max", "compare-min"} {
			if x.IsSet(bound) {
				return fmt.Errorf("--%s needs the ranges of the synthesizer: --synth %q", bound, synthExample)
			}
		}
		return nil
	}
	if q.Synthesizer != nil {
		s = *q.Synthesizer
	}
	if x.IsSet("synth") {
		if err := parseSynth(x.String("synth"), &s); err != nil {
			return fmt.Errorf("--synth: %w", err)
		}
	}
	for name, end := range ends {
		if n, set := q.ends[name]; set {
			*end = n
		}
	}
	s.Reference, s.CompareMin = cmp.Or(q.made.Reference, s.Reference), cmp.Or(q.made.CompareMin, s.CompareMin)
	s.VCOMin, s.VCOMax = cmp.Or(q.made.VCOMin, s.VCOMin), cmp.Or(q.made.VCOMax, s.VCOMax)
	if err := bus.CheckSynthesizer(s); err != nil {
		return fmt.Errorf("the synthesizer: %w", err)
	}
	q.Synthesizer = &s
	return nil
}

// parseSynth reads the ranges of a synthesizer.
func parseSynth(text string, s *plans.Synthesizer) error {
	spans := regexp.MustCompile(`(?i)\b([nmk])\s*[:=]?\s*(\d+(?:\s*(?:-|–|−|\.\.)\s*\d+)?)`)
	parts := spans.FindAllStringSubmatch(text, -1)
	if len(parts) < 2 {
		return fmt.Errorf("%q gives no ranges; write it as in %q", text, synthExample)
	}
	at := map[string]*plans.Span{"n": &s.N, "m": &s.M, "k": &s.K}
	for _, p := range parts {
		span, err := plans.ParseSpan(p[2])
		if err != nil {
			return fmt.Errorf("%s: %w", p[1], err)
		}
		*at[strings.ToLower(p[1])] = span
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

// clockAnswer is what calc clock prints.
type clockAnswer struct {
	NominalHz float64 `json:"nominal_hz"`
	ReadHz    float64 `json:"reading_hz"`
	bus.ClockReport
	Settings []bus.Setting `json:"settings,omitempty"` // nearest to nominal, best first
	Coupling fact.Fact     `json:"coupling,omitzero"`
}

func (q *clockQuestion) judge() (*clockAnswer, error) {
	report, err := bus.JudgeClock(q.ClockReading)
	if err != nil {
		return nil, err
	}
	a := &clockAnswer{NominalHz: q.NominalHz, ReadHz: q.ReadHz, ClockReport: report}
	if q.Synthesizer != nil {
		if a.Settings, err = bus.Nearest(*q.Synthesizer, q.NominalHz, 5); err != nil {
			return nil, err
		}
	}
	if len(q.pairs) > 0 {
		if a.Coupling, err = bus.CompareClocks(q.pairs); err != nil {
			return nil, err
		}
	}
	return a, nil
}

func (a *clockAnswer) print(p *printer) {
	p.verdict(a.Verdict)
	p.text(0, upperSentence(p.Tell(a.Text)))
	p.gap()
	p.label(fact.New("bus.label-read"), fact.New("bus.clock-read",
		"clock", fact.In(a.ReadHz/1e6, "MHz").Whole(), "u", fact.In(a.ReadingU/1e3, "kHz")))
	p.label(fact.New("bus.label-nominal"), fact.In(a.NominalHz/1e6, "MHz").Whole())
	p.label(fact.New("bus.label-deviation"), fact.In(a.DeviationPPM, "ppm").To(1).WithSign())
	if !a.Coupling.IsZero() {
		p.label(fact.New("bus.label-coupling"), a.Coupling)
	}
	if len(a.Settings) == 0 {
		return
	}
	p.gap()
	p.whole(fact.New("bus.nearest-settings"))
	rows := [][]string{{"N", "M", "K", "MHz", p.Tell(fact.New("bus.head-from-nominal"))}}
	for _, s := range a.Settings {
		rows = append(rows, []string{
			fmt.Sprint(s.N), fmt.Sprint(s.M), fmt.Sprint(s.K),
			p.Amount(fact.In(s.Hz/1e6, "").To(1e-6)), p.Amount(fact.In(s.PPM, "ppm").To(1).WithSign()),
		})
	}
	p.table(rows...)
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
