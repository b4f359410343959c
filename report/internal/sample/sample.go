// Package sample builds invented documents for the tests of the report: one
// accepted, one failed, one inconclusive. Shops, cards, people and numbers are
// made up.
package sample

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/quantity"
	"proveout/report/record"
	"proveout/scoring"
	"proveout/scoring/conformity"
	"proveout/scoring/figure"
)

var zone = time.FixedZone("", 3600)

// IssuedAt is the time of issue of every sample.
var IssuedAt = time.Date(2026, 11, 5, 16, 20, 0, 0, zone)

func at(day, hour, minute int) time.Time {
	return time.Date(2026, 11, day, hour, minute, 0, 0, zone)
}

func num(v float64) *scoring.Number { n := scoring.Number(v); return &n }

func q(dim quantity.Dimension, v float64, text string) quantity.Quantity {
	return quantity.Quantity{Dimension: dim, Value: v, Text: text}
}

func fakeHash(n uint64) string {
	r := rand.New(rand.NewPCG(n, 17))
	return fmt.Sprintf("%016x%016x%016x%016x", r.Uint64(), r.Uint64(), r.Uint64(), r.Uint64())
}

// Accepted is a certificate with figures and six photos.
func Accepted() *record.Document {
	d := base()
	d.Kind = record.Certificate
	d.Number = "HW-2026-0042"
	d.AuthorisedBy = "Marit Osk"
	return d
}

// Failed is a test report of a card whose picture and memory fail.
func Failed() *record.Document {
	d := base()
	d.Number = "HW-2026-0043"
	d.Job.Number = "2026-0043"
	d.Job.Card.Serial = ""
	o := d.Outcome
	o.Accepted, o.Verdict = false, conformity.Fail
	o.Reason = "2 of 8 required steps failed on their last attempt: memory size and 2D picture."
	o.Standing = []string{
		"Memory size: 8 MiB of 16 MiB found; bank 1 (U5 to U8) is missing.",
		"2D picture: data line D19 is stuck low in every mode; vertical stripes in the red channel.",
		"Thermal soak: not run, because a required step before it failed.",
	}
	o.Causes = []scoring.Cause{
		{Text: "Data line D19 open or shorted to ground at U2", Step: "image", Confidence: 0.86, Look: "Pin 14 of U2 and the series resistor R112; look for a lifted pin or a bridge to the pin beside it."},
		{Text: "Chip select of bank 1 not driven", Step: "memory", Confidence: 0.74, Look: "Trace from the graphics chip to pins 18 of U5–U8; the via beside C77."},
		{Text: "One dead memory chip of bank 1 (less likely: all four would have to fail together)", Step: "memory", Confidence: 0.11, Look: "U5, U6, U7, U8 with a freeze-and-warm test."},
	}
	for i := range o.Steps {
		switch s := &o.Steps[i]; s.ID {
		case "memory":
			s.Verdict, s.Reason = conformity.Fail, "Half of the memory is missing."
			s.Checks[0].Verdict, s.Checks[0].Text, s.Checks[0].Value = conformity.Fail, "8 MiB", num(8)
			s.Checks[0].Reason = "8 MiB of 16 MiB: exactly one of two banks answers. Bank 1 is U5, U6, U7, U8."
		case "image":
			s.Verdict, s.Reason = conformity.Fail, "Stripes every 16 pixels in all modes fit one stuck data line."
			s.Checks[0].Verdict = conformity.Fail
			s.Checks[0].Reason = "412 880 of 786 432 pixels differ from the pattern; bit 3 of red is 0 in every second pixel."
			s.Checks[0].Text = "52.5 % of pixels"
			s.Attempts, s.Earlier = 2, []scoring.Verdict{conformity.Fail}
		case "soak":
			s.Verdict, s.Reason, s.Checks, s.Figures, s.Attempts = conformity.NotRun, "Not run: a gate before it failed.", nil, nil, 0
			delete(d.Job.Attempts, "soak")
		}
	}
	d.Job.Attempts["image"] = []reading.Attempt{
		{Number: 1, Started: at(4, 15, 2), Ended: at(4, 15, 9), By: "mo"},
		{Number: 2, Started: at(5, 9, 40), Ended: at(5, 9, 48), By: "mo", Notes: []reading.Note{{At: at(5, 9, 48), By: "mo", Text: "Same stripes with another cable and another monitor."}}},
	}
	d.AuthorisedBy = ""
	return d
}

// Inconclusive is a test report of a card whose clock could not be judged.
func Inconclusive() *record.Document {
	d := base()
	d.Number = "HW-2026-0044"
	d.Job.Number = "2026-0044"
	o := d.Outcome
	o.Accepted, o.Verdict = false, conformity.Inconclusive
	o.Reason = "The memory clock lies too near its limit for the instrument that was used."
	o.Standing = []string{"Clocks: memory clock 164.8 MHz ± 1.2 MHz reaches over the lower limit of 164.34 MHz."}
	for i := range o.Steps {
		if s := &o.Steps[i]; s.ID == "clocks" {
			s.Verdict, s.Reason = conformity.Inconclusive, "One clock could not be decided."
			c := &s.Checks[1]
			c.Verdict, c.Value, c.U, c.Probability = conformity.Inconclusive, num(164.8), num(1.2), num(0.7783)
			c.Reason = "The interval 163.6 MHz to 166.0 MHz reaches over the lower limit 164.34 MHz."
			c.Settle = "Measure with a counter whose U is below 0.4 MHz, or average at least 9 readings."
		}
	}
	d.AuthorisedBy = ""
	return d
}

func base() *record.Document {
	card := reading.Card{
		Family: "quellan-v16", Variant: "166", Title: "Quellan Vantor 16 AGP", Serial: "QV16-0773-4410",
		Marks: []reading.Mark{{Name: "Date code U1", Value: "0031"}, {Name: "Date code U2–U9", Value: "0027 ×8"}, {Name: "Sticker on back", Value: "KX 118-204"}},
	}
	d := &record.Document{
		Record: record.Record{
			IssuedAt:   IssuedAt,
			Tool:       "proveout 0.1.0",
			Technician: "Marit Osk",
			Shop: &plans.Shop{
				Name: "Hollow Willow Bench Works", Address: []string{"14 Tannery Lane", "Eastmere"}, Contact: "bench@hollow-willow.example",
				Benches:     []plans.Bench{bench()},
				Technicians: []plans.Technician{{ID: "mo", Name: "Marit Osk", Sign: true}},
			},
			Job: &reading.Job{
				Number: "2026-0042", Opened: at(2, 10, 12), Plan: "full-acceptance", Card: card, Bench: "agp-1", Technician: "mo",
				Complaint: "Picture breaks up after about ten minutes; sometimes only half the memory is found.",
				Condition: "Light dust, heatsink loose on one pin, earlier repair visible at U4 (flux left behind).",
				Work:      []string{"memory chips replaced", "pins resoldered", "thermal compound renewed"},
				WorkNotes: "U4 replaced by a chip of the same type and speed; pins 31 to 34 of U1 resoldered; two bridges at U2 cleared.",
				Customer:  "C-2291",
				Attempts:  attempts(),
			},
			Outcome: &scoring.Outcome{
				Job: "2026-0042", Plan: "full-acceptance", Family: "quellan-v16", Variant: "166", Accepted: true, Verdict: conformity.Pass,
				Reason: "All 8 required steps passed on their last attempt.", Steps: steps(),
			},
		},
		Plan: &plans.Plan{
			ID: "full-acceptance", Title: "Full acceptance", Rule: plans.Guarded, Source: "id = \"full-acceptance\"\n",
			Steps: planSteps(),
		},
		Family: family(),
	}
	d.Photos = photos(6, 240, 180)
	for i, p := range d.Photos {
		d.Job.Card.Photos = append(d.Job.Card.Photos, reading.Evidence{SHA256: p.SHA256, Name: fmt.Sprintf("IMG_%04d.jpg", 2100+i), Size: 2_831_224 + int64(i)*91_113, Role: p.Role, Caption: p.Caption})
	}
	return d
}

func bench() plans.Bench {
	return plans.Bench{
		ID: "agp-1", Title: "AGP bench 1", Host: "tower 3, 512 MiB, 700 MHz", Slot: plans.Slot{Kind: "AGP", Key: "3.3 V", Rates: []string{"1x", "2x"}},
		Instruments: []plans.Instrument{
			{ID: "dmm", Title: "Bench multimeter, 4½ digits", Measures: []quantity.Dimension{quantity.Voltage, quantity.Resistance}, Limits: q(quantity.Ratio, 0.0005, "±0.05 %"), Floor: ptr(q(quantity.Voltage, 0.002, "2 mV")), LastCheck: "2026-03-14", NextCheck: "2027-03-14"},
			{ID: "tc", Title: "Type K thermometer", Measures: []quantity.Dimension{quantity.Temperature}, Limits: q(quantity.Difference, 1.5, "±1.5 °C"), Place: "heatsink", LastCheck: "2026-06-02"},
			{ID: "ctr", Title: "Frequency counter", Measures: []quantity.Dimension{quantity.Frequency}, Limits: q(quantity.Ratio, 2e-5, "±20 ppm"), Coverage: 2, LastCheck: "2026-01-20", NextCheck: "2028-01-20"},
		},
	}
}

func ptr[T any](v T) *T { return &v }

func family() *plans.Family {
	return &plans.Family{
		ID: "quellan-v16", Title: "Quellan Vantor 16", Maker: "Quellan", Variant: "166", Source: "id = \"quellan-v16\"\n",
		Bus:    plans.Bus{Kind: "AGP", Signaling: []quantity.Quantity{q(quantity.Voltage, 3.3, "3.3 V")}, Rates: []string{"1x", "2x"}},
		Memory: []plans.MemoryPool{{Total: q(quantity.Bytes, 16<<20, "16 MiB")}},
		Clocks: []plans.FamilyClock{{Name: "core", Value: q(quantity.Frequency, 143e6, "143 MHz ±1 %")}, {Name: "memory", Value: q(quantity.Frequency, 166e6, "166 MHz ±1 %")}},
	}
}

func planSteps() []plans.Step {
	var out []plans.Step
	for _, s := range steps() {
		out = append(out, plans.Step{ID: s.ID, Kind: plans.Kind(s.Kind), Title: s.Title, Required: s.Required, Gate: s.Gate, Rule: plans.Guarded})
	}
	return out
}

func attempts() map[string][]reading.Attempt {
	one := func(day, h, m, dur int) []reading.Attempt {
		return []reading.Attempt{{Number: 1, Started: at(day, h, m), Ended: at(day, h, m+dur), By: "mo"}}
	}
	a := map[string][]reading.Attempt{
		"look": one(4, 13, 5, 12), "rails": one(4, 13, 20, 15), "detect": one(4, 13, 40, 3), "memory": one(4, 13, 45, 5),
		"clocks": one(4, 13, 55, 10), "image": one(4, 14, 10, 20), "load": one(4, 14, 40, 32),
	}
	a["load"][0].Logs = []reading.Log{{Evidence: reading.Evidence{SHA256: fakeHash(1), Name: "arcade-hall-run1.csv", Size: 418_220, Role: "log"}}}
	a["image"][0].Captures = []reading.Capture{{Evidence: reading.Evidence{SHA256: fakeHash(2), Name: "1024x768x16.png", Size: 88_211, Role: "capture", Caption: "ramps at 1024×768"}}}
	a["soak"] = []reading.Attempt{
		{Number: 1, Started: at(4, 15, 30), Ended: at(4, 15, 41), By: "mo", Cut: "The bench lost power after 11 minutes.", Ran: 660},
		{Number: 2, Started: at(5, 10, 5), Ended: at(5, 10, 45), By: "mo", Ran: 2400, Logs: []reading.Log{{Evidence: reading.Evidence{SHA256: fakeHash(3), Name: "soak-2.csv", Size: 61_400, Role: "log"}}},
			Notes: []reading.Note{{At: at(5, 10, 20), By: "mo", Text: "Side panel closed."}}},
	}
	return a
}

func photoTitle(i int) (role, caption string) {
	return [...]string{"photo before", "photo before", "photo after", "photo after", "close-up", "close-up"}[i%6],
		[...]string{"component side as received", "bridges at U2", "component side after repair", "U4 replaced", "date codes of U1 and U2", "sticker on the back"}[i%6]
}

// soak is a rise towards 71 °C with a little noise, for n samples.
func soak(n int) figure.Figure {
	r := rand.New(rand.NewPCG(1, 2))
	f := figure.Figure{
		ID: "soak", Step: "soak", Title: "Temperature at the heatsink over the soak", Source: "soak-2.csv", Samples: int64(n),
		Alt: "The temperature rises from 24 °C to 70.9 °C, stays below the limit of 85 °C and is level over the last ten minutes.",
		X:   figure.Axis{Name: "time", Unit: "s"}, Y: figure.Axis{Name: "temperature", Unit: "°C"},
		Limits: []figure.Limit{{Name: "limit 85 °C", At: 85}},
		Bands:  []figure.Band{{Name: "stability window", Low: 1800, High: 2400, Vertical: true}},
	}
	temp := figure.Series{Name: "heatsink", Style: figure.Line}
	amb := figure.Series{Name: "ambient", Style: figure.Line}
	fit := figure.Series{Name: "fitted rise", Style: figure.Dashed}
	for i := range n {
		t := 2400 * float64(i) / float64(n-1)
		rise := 46.6 * (1 - math.Exp(-t/420))
		temp.X, temp.Y = append(temp.X, t), append(temp.Y, 24.2+rise+r.NormFloat64()*0.15)
		amb.X, amb.Y = append(amb.X, t), append(amb.Y, 23.8+0.4*math.Sin(t/500)+r.NormFloat64()*0.05)
		if i%10 == 0 {
			fit.X, fit.Y = append(fit.X, t), append(fit.Y, 24.2+rise)
		}
	}
	f.Series = []figure.Series{temp, amb, fit}
	return f
}

func frames(n int) figure.Figure {
	r := rand.New(rand.NewPCG(3, 4))
	f := figure.Figure{
		ID: "frames", Step: "load", Title: "Frame times of run 1", Source: "arcade-hall-run1.csv", Samples: int64(n),
		Alt:    "Frame times lie around 21 ms; two stalls of 96 ms and 88 ms are marked, both within what the plan allows.",
		X:      figure.Axis{Name: "time", Unit: "s"},
		Y:      figure.Axis{Name: "frame time", Unit: "ms"},
		Limits: []figure.Limit{{Name: "stall above 63 ms", At: 63}},
	}
	s := figure.Series{Name: "frame time", Style: figure.Line}
	t := 0.0
	for i := range n {
		ms := 21 + 2.5*math.Sin(float64(i)/300) + r.ExpFloat64()*0.8
		if i == n/3 {
			ms = 96
			f.Marks = append(f.Marks, figure.Mark{X: t, Y: ms, Label: "stall 96 ms"})
		}
		if i == n*7/10 {
			ms = 88
			f.Marks = append(f.Marks, figure.Mark{X: t, Y: ms, Label: "stall 88 ms"})
		}
		t += ms / 1000
		s.X, s.Y = append(s.X, t), append(s.Y, ms)
	}
	f.Series = []figure.Series{s}
	return f
}

func reference() figure.Figure {
	return figure.Figure{
		ID: "reference", Step: "load", Title: "Score against known-good cards of the family", Source: "family quellan-v16", Samples: 7,
		Alt: "The card scored 47.3 fps. Seven known-good cards scored 45.9 to 48.8 fps; a new good card is expected between 44.5 and 50.1 fps.",
		X:   figure.Axis{Name: "workload arcade hall", Unit: "fps"},
		Y:   figure.Axis{Categories: []string{"this card", "known-good cards"}},
		Series: []figure.Series{
			{Name: "known-good cards", Style: figure.Points, X: []float64{45.9, 46.7, 47.1, 47.2, 47.8, 48.1, 48.8}, Y: []float64{1, 1, 1, 1, 1, 1, 1}},
			{Name: "this card", Style: figure.Points, X: []float64{47.3}, Y: []float64{0}},
		},
		Bands: []figure.Band{{Name: "95 % prediction interval", Low: 44.5, High: 50.1, Vertical: true}},
	}
}

func histogram() figure.Figure {
	f := figure.Figure{
		ID: "histogram", Step: "load", Title: "How often each frame time occurred", Source: "arcade-hall-run1.csv", Samples: 87_412,
		Alt: "Most frames took 19 to 24 ms; the scale of counts is logarithmic.",
		X:   figure.Axis{Name: "frame time", Unit: "ms"}, Y: figure.Axis{Name: "frames", Log: true},
	}
	s := figure.Series{Name: "frames", Style: figure.Bars}
	for i := range 24 {
		x := 14 + float64(i)
		s.X, s.Y = append(s.X, x), append(s.Y, math.Max(1, math.Round(20000*math.Exp(-(x-21)*(x-21)/9))))
	}
	f.Series = []figure.Series{s}
	return f
}

func runs() figure.Figure {
	return figure.Figure{
		ID: "runs", Step: "load", Title: "Mean frame rate of the runs", Source: "arcade-hall-run1.csv and 4 more", Samples: 5,
		Alt: "Five runs between 47.1 and 47.5 fps, each with its uncertainty.",
		X:   figure.Axis{Name: "run", Categories: []string{"run 1", "run 2", "run 3", "run 4", "run 5"}}, Y: figure.Axis{Name: "frame rate", Unit: "fps", Min: 45, Max: 50},
		Series: []figure.Series{{Name: "mean with U", Style: figure.Points, X: []float64{0, 1, 2, 3, 4}, Y: []float64{47.3, 47.1, 47.5, 47.4, 47.2},
			Low: []float64{47, 46.8, 47.2, 47.1, 46.9}, High: []float64{47.6, 47.4, 47.8, 47.7, 47.5}}},
		Limits: []figure.Limit{{Name: "at least 45.5 fps", At: 45.5}},
	}
}
