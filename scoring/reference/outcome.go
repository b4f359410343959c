package reference

import (
	"proveout/plans/fact"
	"proveout/scoring/conformity"
)

// The fewest known-good scores that give a verdict, the number below which a
// set is called small, and one that is ample (common practice, no source).
const (
	MinScores   = 5
	fewScores   = 10
	ampleScores = 20
)

// A Direction says which scores are good, in the words of families and flags.
type Direction string

// The directions. The zero value means TwoSided.
const (
	TwoSided       Direction = "both"
	HigherIsBetter Direction = "higher"
	LowerIsBetter  Direction = "lower"
)

// judged are the limits that a score is judged by: the end of the prediction on
// the bad side, and on the good side where scores are too good.
func (d Direction) judged(p Prediction) conformity.Limits {
	l := p.Limits
	switch d {
	case HigherIsBetter:
		l.High = p.TooGood
	case LowerIsBetter:
		l.Low = p.TooGood
	}
	return l
}

// open leaves the good side of a range open.
func (d Direction) open(l conformity.Limits) conformity.Limits {
	switch d {
	case HigherIsBetter:
		l.High = nil
	case LowerIsBetter:
		l.Low = nil
	}
	return l
}

// A Set holds the scores of known-good cards of one family on one bench.
type Set struct {
	Bench  string    // empty means the bench of the new score
	Unit   string    // printed after figures, as in "fps"; may be empty
	Scores []float64 // one per card
	Names  []string  // one per score, or none: how a person finds the card
	Kept   []int     // places of scores that stand off and were found good
}

// Options choose how a score is judged. The zero value judges two-sided, in a
// linear scale, at 95 % throughout, with an exact score, on the bench of the
// set.
type Options struct {
	Bench     string       // bench of the new score; empty means that of the set
	Control   *ControlRuns // needed when the benches differ
	Signals   []Signal     // of this bench's control card, not yet answered
	Direction Direction
	Log       bool // the logarithms of scores are taken to be normal
	// Confidence is that of the prediction and of the tolerance interval,
	// Coverage that of the latter; zero means 0.95.
	Confidence float64
	Coverage   float64
	// Failing is the confidence of a wider range: between the two a score is rare
	// for a good card and does not fail yet. Zero means as Confidence.
	Failing float64
	// Uncertainty is that of the new score beyond the scatter from card to card
	// and run to run, which the set holds already. Rule is how it enters; empty
	// means guarded.
	Uncertainty conformity.Uncertainty
	Rule        conformity.Rule
	// Mistakes says what to look at where a score is too good; empty means what any
	// score may suffer from.
	Mistakes fact.Fact
}

// A Prediction is the range in which the next good card is expected.
type Prediction struct {
	conformity.Limits
	// Confidence is what the range reaches; below the one asked for when Needed
	// is above the size of the set.
	Confidence float64 `json:"confidence"`
	Method     string  `json:"method"`
	// Needed is the number of scores a distribution-free range of the confidence
	// asked for needs; 0 for a normal one.
	Needed int `json:"needed,omitempty"`
	// TooGood is where, on the good side, no good card is to be expected any more;
	// nil where no side is the better one.
	TooGood *float64 `json:"too_good,omitempty"`
	// Failing are the limits outside which a score fails; nil where those of the
	// range do.
	Failing *conformity.Limits `json:"failing,omitempty"`
}

// A Tolerance is the range that covers a share of all good cards. Its limits
// are nil where it is open or cannot be given.
type Tolerance struct {
	conformity.Limits
	Coverage   float64 `json:"coverage"`
	Confidence float64 `json:"confidence"`
	Needed     int     `json:"needed,omitempty"` // scores a distribution-free range needs
}

// The methods of a range.
const (
	methodNormal           = "normal"
	methodDistributionFree = "distribution-free"
)

// An Outcome is the verdict on a score and all that it rests on.
type Outcome struct {
	Verdict conformity.Verdict `json:"verdict"`
	Value   *float64           `json:"value"` // nil when only the set is described
	Unit    string             `json:"unit,omitempty"`
	// Description is that of the set as given, on its own bench.
	Description
	Outliers   []Outlier   `json:"outliers"`
	Normality  Normality   `json:"normality"`
	Prediction *Prediction `json:"prediction"` // on the bench of the new score
	Tolerance  *Tolerance  `json:"tolerance"`  // on the bench of the new score
	// Percentile is where the score sits among good cards, 0 to 100: by the
	// predictive Student t distribution, or, distribution-free, by its mid-rank
	// in the set with itself added. nil when it cannot be told.
	Percentile *float64           `json:"percentile"`
	Transfer   *Transfer          `json:"transfer,omitempty"`
	Conformity *conformity.Result `json:"conformity,omitempty"`
	Sentence   fact.Fact          `json:"sentence"`
	Notes      []fact.Fact        `json:"notes"`
	Settle     []fact.Fact        `json:"settle"` // what would settle an open result
}
