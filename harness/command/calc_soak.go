package command

import (
	"errors"

	"github.com/urfave/cli/v2"

	"proveout/plans/quantity"
	"proveout/scoring/conformity"
	"proveout/scoring/endurance"
)

// A soakQuestion is what calc soak-length is asked: about a run that must not
// fail, or about passes of which each may.
type soakQuestion struct {
	endurance.Question
	hot              endurance.HotSoak
	runs             []endurance.Run
	reliability      float64
	passes, failures int
}

func (c *Console) calcSoakLength() *cli.Command {
	q, n := &soakQuestion{}, &numbers{}
	ran := func(text string) error {
		d, err := quantity.Parse(text, quantity.Duration)
		q.runs = append(q.runs, endurance.Run{Seconds: d.Value})
		return err
	}
	return &cli.Command{
		Name:  "soak-length",
		Usage: "how long a failure-free run must last to call an intermittent fault gone",
		Flags: []cli.Flag{
			amount("every", quantity.Duration, "", "the fault came back about every `DURATION` before the repair",
				value(to(&q.Interval))),
			number("times", "show `M` times that interval", to(&q.Multiple)).or("1"),
			number("confidence", "confidence `C`", to(&q.Confidence)).or("0.9"),
			whole("allowed", "`R` failures let pass", 0, to(&q.Allowed)),
			typedListFlag("ran", "a run of `DURATION` after the repair, may be repeated", ran),
			whole("failures", "`N` failures in those runs", 0, to(&q.failures)),
			whole("passes", "count passes instead: `N` of them were made", 0, to(&q.passes)),
			number("reliability", "chance `R` of a good pass to show, with --passes or alone", to(&q.reliability)),
			n.flag("activation-energy", "`EV` of a hot soak, an assumption", to(&q.hot.ActivationEnergy)),
			amount("use-temp", quantity.Temperature, "", "`TEMPERATURE` in ordinary use, with --activation-energy",
				value(to(&q.hot.UseC))),
			amount("soak-temp", quantity.Temperature, "", "`TEMPERATURE` in the soak, with --activation-energy",
				value(to(&q.hot.SoakC))),
			jsonFlag,
		},
		Action: func(x *cli.Context) error {
			if x.IsSet("reliability") || x.IsSet("passes") {
				return c.soakPasses(x, q)
			}
			return c.soakLength(x, q)
		},
	}
}

func (c *Console) soakLength(x *cli.Context, q *soakQuestion) error {
	if !x.IsSet("every") {
		return errors.New(`--every is needed, as in --every "2 h"`)
	}
	if x.IsSet("activation-energy") {
		if !x.IsSet("use-temp") || !x.IsSet("soak-temp") {
			return errors.New("--activation-energy needs --use-temp and --soak-temp")
		}
		q.Hot = &q.hot
	}
	if len(q.runs) > 0 {
		q.runs[0].Failures = q.failures
	}
	o, err := endurance.Judge(q.Question, q.runs)
	if err != nil {
		return err
	}
	passed := len(q.runs) == 0 || o.Verdict == conformity.Pass
	return c.give(x, o, passed, func(p *printer) {
		p.verdict(o.Verdict)
		p.say(o.Sentence)
		p.say(o.TellNeeded())
		p.lead("To settle it: ", o.Settle)
	})
}

// passesAnswer is what calc soak-length prints of passes: how many are needed,
// and what those that were made have shown.
type passesAnswer struct {
	Confidence  float64  `json:"confidence"`
	Failures    int      `json:"failures"`
	Needed      *int     `json:"needed_passes,omitempty"`
	Passes      *int     `json:"passes,omitempty"`
	Reliability *float64 `json:"reliability,omitempty"`
	Shown       *float64 `json:"shown_reliability,omitempty"`
}

func (c *Console) soakPasses(x *cli.Context, q *soakQuestion) error {
	a := passesAnswer{Confidence: q.Confidence, Failures: q.failures}
	passed := true
	if x.IsSet("reliability") {
		needed, err := endurance.NeededPasses(q.reliability, q.Confidence, q.Allowed)
		if err != nil {
			return err
		}
		a.Needed, a.Reliability = &needed, &q.reliability
		passed = !x.IsSet("passes") || q.passes >= needed && q.failures <= q.Allowed
	}
	if x.IsSet("passes") {
		shown, err := endurance.ShownReliability(q.passes, q.failures, q.Confidence)
		if err != nil {
			return err
		}
		a.Passes, a.Shown = &q.passes, &shown
	}
	return c.give(x, a, passed, func(p *printer) {
		if a.Needed != nil {
			p.say(endurance.TellPasses(*a.Needed, q.Allowed, q.reliability, q.Confidence))
		}
		if a.Shown != nil {
			p.say(endurance.TellShown(q.passes, q.failures, *a.Shown, q.Confidence))
		}
	})
}
