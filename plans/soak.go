package plans

import (
	"slices"

	"proveout/plans/document"
	"proveout/plans/fact"
	"proveout/plans/quantity"
)

// SoakKind is a timed thermal run.
const SoakKind Kind = "soak"

var _ = declare(Declaration{
	Kind: SoakKind, Position: 100, What: "timed thermal run",
	Powered: true, Files: Logs, Columns: []string{"temperature"},
	New: func() Spec { return &Soak{Timed: Timed{Runs: 1}} },
})

// Soak is what a soak step says.
type Soak struct {
	Timed
	Every       *quantity.Quantity // interval of typed readings
	Ambient     *quantity.Quantity // the ambient the step is meant for, with tolerance
	Sensor      string             // where the sensor sits: die, heatsink, case, board
	MaxTemp     *quantity.Quantity // nil means the family's
	Stability   *Stability         // when it counts as stable
	AtRated     bool               // judge the prediction at the family's rated ambient too
	CompareRise bool               // compare rise or thermal resistance with the family's good cards
	EndEarly    bool               // may end when stable
}

// Stability says when a soak counts as stable: over the last Window the
// temperature moves by at most Rate.
type Stability struct {
	Window quantity.Quantity // s
	Rate   quantity.Quantity // K/s: "2 K/h", "1 K/10min"
	Source string
}

// sensorPlaces are where a temperature sensor may sit on a card.
var sensorPlaces = []string{"die", "heatsink", "case", "board"}

func (k *Soak) keys() []key {
	most := "limit of the family"
	if k.MaxTemp != nil {
		most = k.MaxTemp.String() + " at the " + k.Sensor
	}
	stable := ""
	if k.Stability != nil {
		stable = k.Stability.Rate.String() + " over " + k.Stability.Window.String()
	}
	keys := []key{
		k.durationKey(`"40 min"`),
		{Name: "every", To: exactly(&k.Every, quantity.Duration),
			Label: "readings every", What: "interval of typed readings"},
		{Name: "ambient", To: amount(&k.Ambient, quantity.Temperature, tolerated),
			What: "the ambient the step is meant for"},
		{Name: "sensor", To: document.Word(&k.Sensor, sensorPlaces...), Label: "-", Absent: "the family's",
			What: "where the sensor sits"},
		{Name: "max_temp", To: orFromFamily(amount(&k.MaxTemp, quantity.Temperature, exact)),
			Label: "at most", Says: most, Absent: "the family's", What: "hottest allowed"},
		{Name: "stability", To: document.Optional(&k.Stability, stabilityKeys, nil), Label: "stable", Says: stable,
			What: "when the soak counts as stable"},
		{Name: "at_rated", To: document.Flag(&k.AtRated), Label: "rated ambient", Says: when(k.AtRated, "judged too"),
			What: "judge the prediction at the family's rated ambient too"},
		{Name: "compare_rise", To: document.Flag(&k.CompareRise), Label: "rise",
			Says: when(k.CompareRise, "compared with good cards"), What: "compare the rise with the family's good cards"},
		{Name: "end_early", To: document.Flag(&k.EndEarly), Label: "end", Says: when(k.EndEarly, "early when stable"),
			What: "may end when stable"},
	}
	return append(keys, k.laterKeys()...)
}

func stabilityKeys(s *Stability) []key {
	return []key{
		{Name: "window", To: exactly(&s.Window, quantity.Duration), Needed: `"10 min"`,
			What: "how long the temperature must hold"},
		{Name: "rate", To: exactly(&s.Rate, quantity.TemperatureRate), Needed: `"2 K/h"`,
			What: `at most this: "2 K/h", "1 °C per 10 min"`},
		{Name: "source", To: document.Text(&s.Source), Needed: noSource, What: "where the rule comes from"},
	}
}

// check finds what contradicts itself.
func (k *Soak) check(s *section) {
	k.Timed.check(s)
	if k.Ambient != nil && k.MaxTemp != nil && k.MaxTemp.Value <= k.Ambient.Value {
		s.Problem("max_temp", "the limit "+k.MaxTemp.Text+" is not above the ambient "+k.Ambient.Text, "")
	}
	if k.MaxTemp != nil && !s.Has("sensor") {
		s.Problem("max_temp", "a limit says where it applies", `add sensor = "heatsink"`)
	}
	if k.EndEarly && !s.Has("stability") {
		s.Problem("end_early", "nothing says when the soak is stable",
			`add stability = { window = "10 min", rate = "2 K/h", source = "…" }`)
	}
	if k.Duration == nil {
		return
	}
	if k.Every != nil && k.Every.Value > k.Duration.Value {
		s.Problem("every", "readings every "+k.Every.Text+" do not fit into a soak of "+k.Duration.Text,
			`write a shorter interval, such as "2 min"`)
	}
	if k.Stability != nil && k.Stability.Window.Value > k.Duration.Value {
		what := "the soak of " + k.Duration.Text + " is shorter than its stability window of " + k.Stability.Window.Text
		s.Problem("duration", what, "soak at least twice the window")
	}
}

func (k *Soak) against(x *crossCheck) {
	t := &x.family.Thermal
	switch {
	case k.MaxTemp == nil && t.MaxTemp == nil:
		x.problem("max_temp", x.card()+" states no highest temperature, and neither does the step",
			`add max_temp = "…" to one of them`)
	case k.MaxTemp != nil && t.MaxRating != nil && k.MaxTemp.Value > t.MaxRating.Value:
		x.problem("max_temp", "the limit "+k.MaxTemp.Text+" is above the maximum rating of "+x.card()+", "+t.MaxRating.Text,
			`write a limit below the rating, or "from family"`)
	case k.MaxTemp == nil && k.Sensor != "" && t.Sensor != "" && k.Sensor != t.Sensor:
		x.problem("sensor", "the sensor sits at the "+k.Sensor+", and the limit of "+x.card()+" is for the "+t.Sensor,
			"measure there, or state a limit for the "+k.Sensor+" in the step")
	}
	if k.AtRated && t.RatedAmbient == nil {
		x.problem("at_rated", x.card()+" states no rated ambient", "add rated_ambient to the family, or remove at_rated")
	}
	if k.Ambient != nil && t.RatedAmbient != nil && k.Ambient.Low() > t.RatedAmbient.Value {
		what := "the ambient " + k.Ambient.Text + " is hotter than " + x.card() + " is meant for, " + t.RatedAmbient.Text
		x.problem("ambient", what, "")
	}
}

// Limit returns the hottest temperature allowed and the place it applies to, as
// the plan says, else as the family says.
func (k *Soak) Limit(family *Family) (limit *quantity.Quantity, place string) {
	if k.MaxTemp != nil {
		return k.MaxTemp, k.Place(family)
	}
	return family.Thermal.MaxTemp, family.Thermal.Sensor
}

// Place returns where the sensor sits: as the plan says, else where the family's
// limit applies.
func (k *Soak) Place(family *Family) string {
	if k.Sensor != "" {
		return k.Sensor
	}
	return family.Thermal.Sensor
}

// AtPlace is a place of a sensor as part of a sentence; one that only a log or a
// shop names is told by its name.
func AtPlace(place string) fact.Fact {
	if slices.Contains(sensorPlaces, place) {
		return fact.New("place.at-" + place)
	}
	return fact.New("place.at", "place", place)
}

func (k *Soak) fields(family *Family) []Field {
	place := k.Place(family)
	ask := fact.New("ask.temperature")
	if place != "" {
		ask = fact.New("ask.temperature-there", "there", AtPlace(place))
	}
	out := []Field{
		{Name: "ambient", Ask: fact.New("ask.ambient"), Dimension: quantity.Temperature, Unit: "°C",
			Required: true, Many: true, Place: "ambient"},
		{Name: "temperature", Ask: ask, Dimension: quantity.Temperature, Unit: "°C",
			Required: true, Many: true, Place: place},
		{Name: "power", Ask: fact.New("ask.power"), Dimension: quantity.Power, Unit: "W", Many: true},
	}
	if k.Duration != nil {
		out = append(out, k.durationField(fact.New("ask.soaked")))
	}
	return out
}
