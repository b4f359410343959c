package reference

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"proveout/scoring/conformity"
)

// MinScores is the fewest known-good scores that give a verdict, and
// FewScores the number below which a set is called small (common practice, no
// source).
const (
	MinScores = 5
	FewScores = 10
)

// A Direction says which scores are good.
type Direction string

// The directions. The zero value means TwoSided.
const (
	TwoSided       Direction = "two-sided"
	HigherIsBetter Direction = "higher is better"
	LowerIsBetter  Direction = "lower is better"
)

// A Scale says in which scale scores are taken to be normal.
type Scale string

// The scales. The zero value means Linear.
const (
	Linear Scale = "linear"
	Log    Scale = "log"
)

// An OutlierAnswer is what the technician said of an outlier in the set.
type OutlierAnswer string

// The answers. An outlier that is taken out is taken out of the set itself.
const (
	OutlierUnanswered OutlierAnswer = ""
	OutlierKept       OutlierAnswer = "kept"
)

// A Set holds the scores of known-good cards of one family on one bench.
type Set struct {
	Bench  string    // empty means the bench of the new score
	Unit   string    // printed after figures, as in "fps"; may be empty
	Scores []float64 // one per card
	Names  []string  // one per score, or none: how a person finds the card
}

// Options choose how a score is judged. The zero value judges two-sided, in a
// linear scale, at 95 % throughout, with an exact score, on the bench of the
// set.
type Options struct {
	Bench     string       // bench of the new score; empty means that of the set
	Control   *ControlRuns // needed when the benches differ
	Signals   []Signal     // of this bench's control card, not yet answered
	Direction Direction
	Scale     Scale
	// Confidence of the prediction interval, Coverage and ToleranceConfidence of
	// the tolerance interval; zero means 0.95.
	Confidence          float64
	Coverage            float64
	ToleranceConfidence float64
	// OutlierSignificance and NormalitySignificance are those of the two tests;
	// zero means 0.05.
	OutlierSignificance   float64
	NormalitySignificance float64
	Outliers              OutlierAnswer
	// Uncertainty is that of the new score beyond the scatter from card to card
	// and run to run, which the set holds already. Rule is how it enters; empty
	// means guarded.
	Uncertainty conformity.Uncertainty
	Rule        conformity.Rule
}

// A Prediction is the range in which the next good card is expected.
type Prediction struct {
	conformity.Limits
	// Confidence is what the range reaches; below the one asked for when Needed
	// is above the size of the set.
	Confidence float64 `json:"confidence"`
	Method     string  `json:"method"`
	// DoF is that of the Student t distribution; 0 for a distribution-free range.
	DoF float64 `json:"dof,omitempty"`
	// Needed is the number of scores a distribution-free range of the confidence
	// asked for needs; 0 for a normal one.
	Needed int `json:"needed,omitempty"`
}

// A Tolerance is the range that covers a share of all good cards. Its limits
// are nil where it is open or cannot be given.
type Tolerance struct {
	conformity.Limits
	K          *float64 `json:"k"` // nil for a distribution-free range
	Coverage   float64  `json:"coverage"`
	Confidence float64  `json:"confidence"`
	Method     string   `json:"method"`
	Needed     int      `json:"needed,omitempty"` // scores a distribution-free range needs
}

// The methods of a range.
const (
	MethodNormal           = "normal"
	MethodDistributionFree = "distribution-free"
)

// A Remedy is something that would settle an open result.
type Remedy struct {
	Do string `json:"do"`
	// Cards is the number of further known-good cards, Runs the number of
	// further runs of the control card on a bench, LargestU the largest
	// expanded uncertainty of the score; zero and nil where not meant.
	Cards    int      `json:"cards,omitempty"`
	Runs     int      `json:"runs,omitempty"`
	LargestU *float64 `json:"largest_expanded_uncertainty,omitempty"`
}

// An Outcome is the verdict on a score and all that it rests on.
type Outcome struct {
	Verdict conformity.Verdict `json:"verdict"`
	Value   *float64           `json:"value"` // nil when it is not a number
	Unit    string             `json:"unit,omitempty"`
	// Description is that of the set as given, on its own bench.
	Description
	Scale      Scale       `json:"scale"`
	Direction  Direction   `json:"direction"`
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
	Sentence   string             `json:"sentence"`
	Notes      []string           `json:"notes"`
	Settle     []Remedy           `json:"settle"`
}

func (o Options) withDefaults() Options {
	for _, p := range []*float64{&o.Confidence, &o.Coverage, &o.ToleranceConfidence} {
		if *p == 0 {
			*p = 0.95
		}
	}
	for _, p := range []*float64{&o.OutlierSignificance, &o.NormalitySignificance} {
		if *p == 0 {
			*p = 0.05
		}
	}
	if o.Direction == "" {
		o.Direction = TwoSided
	}
	if o.Scale == "" {
		o.Scale = Linear
	}
	if o.Rule == "" {
		o.Rule = conformity.Guarded
	}
	return o
}

func (o Options) check() error {
	var problems []error
	if !slices.Contains([]Direction{TwoSided, HigherIsBetter, LowerIsBetter}, o.Direction) {
		problems = append(problems, fmt.Errorf("no such direction: %q", string(o.Direction)))
	}
	if o.Scale != Linear && o.Scale != Log {
		problems = append(problems, fmt.Errorf("no such scale: %q", string(o.Scale)))
	}
	if o.Outliers != OutlierUnanswered && o.Outliers != OutlierKept {
		problems = append(problems, fmt.Errorf("no such answer to an outlier: %q", string(o.Outliers)))
	}
	if !(o.Confidence > 0 && o.Confidence < 1) {
		problems = append(problems, fmt.Errorf("a confidence lies between 0 and 1, not at %g", o.Confidence))
	}
	if err := checkShares(o.Coverage, o.ToleranceConfidence); err != nil {
		problems = append(problems, err)
	}
	if !(o.OutlierSignificance > 0 && o.OutlierSignificance < 1) {
		problems = append(problems, fmt.Errorf("a significance lies between 0 and 1, not at %g", o.OutlierSignificance))
	}
	if _, err := andersonCritical(o.NormalitySignificance); err != nil {
		problems = append(problems, err)
	}
	if _, err := conformity.Judge(0, o.Uncertainty, conformity.AtLeast(0), o.Rule); err != nil {
		problems = append(problems, err)
	}
	return errors.Join(problems...)
}

// Judge decides whether the score value belongs with set, by the two-sided
// prediction interval for one new value. With HigherIsBetter or LowerIsBetter
// the end on the good side does not count against a card, but is remarked.
//
// Fewer than [MinScores] scores, or a set of another bench without a control
// card run on both, give no verdict (NotRun). An open signal on the bench, an
// unanswered outlier on which the verdict hangs, a score that is not a number,
// and a failure that the set is too small or too even to support give
// Inconclusive. Scores that are not finite numbers, or not above zero in a log
// scale, and options out of range are errors.
func Judge(set Set, value float64, o Options) (Outcome, error) {
	o = o.withDefaults()
	if err := o.check(); err != nil {
		return Outcome{}, err
	}
	if len(set.Names) != 0 && len(set.Names) != len(set.Scores) {
		return Outcome{}, fmt.Errorf("%d names do not fit %d scores", len(set.Names), len(set.Scores))
	}
	j := &judgement{set: set, options: o, value: value, out: Outcome{
		Unit: set.Unit, Scale: o.Scale, Direction: o.Direction,
		Outliers: []Outlier{}, Notes: []string{}, Settle: []Remedy{},
	}}
	if !math.IsNaN(value) && !math.IsInf(value, 0) {
		j.out.Value = &value
	}
	if len(set.Scores) == 0 {
		j.tooFew()
		return j.out, nil
	}
	if err := j.describe(); err != nil {
		return Outcome{}, err
	}
	if err := j.decide(); err != nil {
		return Outcome{}, err
	}
	return j.out, nil
}

// A judgement is one call of Judge on its way.
type judgement struct {
	set     Set
	options Options
	value   float64
	basis   basis
	out     Outcome
	foreign bool   // the set is of another bench
	blocked error  // why it cannot be moved to this one
	lead    string // score and expectation in words, without the verdict
}

// describe fills in all that concerns the set alone.
func (j *judgement) describe() error {
	d, err := Describe(j.set.Scores)
	if err != nil {
		return err
	}
	j.out.Description = d
	j.foreign = j.options.Bench != "" && j.set.Bench != "" && j.options.Bench != j.set.Bench
	var transfer *Transfer
	if j.foreign {
		if j.options.Control == nil {
			j.blocked = errors.New("there is no control card that ran on both")
		} else if t, err := j.options.Control.Transfer(); err != nil {
			j.blocked = err
		} else {
			transfer = &t
			j.out.Transfer = &t
		}
	}
	if j.basis, err = newBasis(j.set.Scores, j.options.Scale, transfer); err != nil {
		return err
	}
	return j.testSet()
}

func newBasis(scores []float64, scale Scale, transfer *Transfer) (basis, error) {
	sorted := slices.Sorted(slices.Values(scores))
	if scale == Log {
		for i, x := range sorted {
			if x <= 0 {
				return basis{}, fmt.Errorf("a log scale needs scores above zero, not %g", x)
			}
			sorted[i] = math.Log(x)
		}
	}
	d, err := Describe(sorted)
	return basis{Description: d, scores: sorted, log: scale == Log, transfer: transfer}, err
}

// testSet looks for an outlier and asks for normality, in the judging scale.
func (j *judgement) testSet() error {
	n := j.basis.N
	if n >= 3 {
		scores := j.set.Scores
		if j.basis.log {
			scores = slices.Clone(scores)
			for i, x := range scores {
				scores[i] = math.Log(x)
			}
		}
		outlier, flagged, err := Grubbs(scores, j.options.OutlierSignificance)
		if err != nil {
			return err
		}
		if flagged {
			outlier.Value = j.set.Scores[outlier.Index]
			if len(j.set.Names) > 0 {
				outlier.Name = j.set.Names[outlier.Index]
			}
			j.out.Outliers = append(j.out.Outliers, outlier)
		}
	}
	normality, err := testNormality(j.basis, j.options.NormalitySignificance)
	j.out.Normality = normality
	return err
}

func testNormality(b basis, alpha float64) (Normality, error) {
	switch {
	case b.N < minNormality:
		return Normality{Significance: alpha, Why: fmt.Sprintf("%d scores are too few to test; %d are needed", b.N, minNormality)}, nil
	case b.SD == 0:
		return Normality{Significance: alpha, Why: errSpread.Error()}, nil
	}
	return AndersonDarling(b.scores, alpha)
}

// decide fills in the ranges and the verdict.
func (j *judgement) decide() error {
	if j.basis.N >= 2 && j.blocked == nil {
		prediction, err := predict(j.basis, j.out.Normality.Doubtful, j.options.Confidence)
		if err != nil {
			return err
		}
		j.out.Prediction = &prediction
		tolerance, err := tolerate(j.basis, j.out.Normality.Doubtful, j.options)
		if err != nil {
			return err
		}
		j.out.Tolerance = &tolerance
		j.out.Percentile = percentile(j.basis, j.out.Normality.Doubtful, j.value)
	}
	switch {
	case j.basis.N < MinScores:
		j.tooFew()
		return nil
	case j.blocked != nil:
		j.noTransfer()
		return nil
	}
	verdict, result, err := compare(j.basis, *j.out.Prediction, j.value, j.options)
	if err != nil {
		return err
	}
	j.out.Verdict, j.out.Conformity = verdict, &result
	j.noteSet()
	j.tellComparison()
	if err := j.askOutlier(); err != nil {
		return err
	}
	j.holdForSignals()
	return nil
}

// compare judges value by a prediction. A failure needs a range of the full
// confidence and a set with a spread.
func compare(b basis, p Prediction, value float64, o Options) (conformity.Verdict, conformity.Result, error) {
	limits := p.Limits
	switch o.Direction {
	case HigherIsBetter:
		limits.High = nil
	case LowerIsBetter:
		limits.Low = nil
	}
	r, err := conformity.Judge(value, o.Uncertainty, limits, o.Rule)
	if err != nil {
		return conformity.NotRun, r, err
	}
	verdict := r.Verdict
	if verdict == conformity.Fail && (p.Needed > b.N || b.SD == 0) {
		verdict = conformity.Inconclusive
	}
	return verdict, r, nil
}

// askOutlier names an outlier of the set, and holds the verdict when it hangs
// on an outlier that nobody has answered for.
func (j *judgement) askOutlier() error {
	if len(j.out.Outliers) == 0 {
		return nil
	}
	outlier := j.out.Outliers[0]
	j.noteOutlier(outlier)
	if j.options.Outliers == OutlierKept {
		return nil
	}
	without := conformity.NotRun // too few scores would be left
	if j.basis.N-1 >= MinScores {
		rest := slices.Delete(slices.Clone(j.set.Scores), outlier.Index, outlier.Index+1)
		var err error
		if without, err = j.verdictOf(rest); err != nil {
			return err
		}
	}
	if without != j.out.Verdict {
		j.holdForOutlier(outlier, without)
	}
	return nil
}

// verdictOf is the verdict on the score by another choice of reference scores.
func (j *judgement) verdictOf(scores []float64) (conformity.Verdict, error) {
	b, err := newBasis(scores, j.options.Scale, j.basis.transfer)
	if err != nil {
		return conformity.NotRun, err
	}
	normality, err := testNormality(b, j.options.NormalitySignificance)
	if err != nil {
		return conformity.NotRun, err
	}
	p, err := predict(b, normality.Doubtful, j.options.Confidence)
	if err != nil {
		return conformity.NotRun, err
	}
	verdict, _, err := compare(b, p, j.value, j.options)
	return verdict, err
}

func predict(b basis, doubtful bool, confidence float64) (Prediction, error) {
	if !doubtful {
		centre, u, dof := b.predictive()
		half := studentQuantile((1+confidence)/2, dof) * u
		return Prediction{
			Limits: limits(b.back(centre-half), b.back(centre+half)), Confidence: confidence, Method: MethodNormal, DoF: dof,
		}, nil
	}
	needed, err := PredictionN(confidence)
	if err != nil {
		return Prediction{}, err
	}
	rank, reached, ok := PredictionRank(b.N, confidence)
	if !ok {
		rank, reached = 1, float64(b.N-1)/float64(b.N+1)
	}
	low, high := b.order(rank, confidence)
	return Prediction{Limits: limits(b.back(low), b.back(high)), Confidence: reached, Method: MethodDistributionFree, Needed: needed}, nil
}

// tolerate builds the tolerance range. The uncertainty of a move to another
// bench is added to the standard deviation in quadrature.
func tolerate(b basis, doubtful bool, o Options) (Tolerance, error) {
	sides := BothSides
	if o.Direction != TwoSided {
		sides = OneSide
	}
	t := Tolerance{Coverage: o.Coverage, Confidence: o.ToleranceConfidence, Method: MethodNormal}
	var low, high float64
	if doubtful {
		t.Method = MethodDistributionFree
		needed, err := DistributionFreeN(o.Coverage, o.ToleranceConfidence, sides)
		if err != nil {
			return t, err
		}
		t.Needed = needed
		rank, reached, ok := DistributionFreeRank(b.N, o.Coverage, o.ToleranceConfidence, sides)
		if !ok {
			return t, nil
		}
		t.Confidence = reached
		low, high = b.order(rank, o.ToleranceConfidence)
	} else {
		factor := TwoSidedFactor
		if sides == OneSide {
			factor = OneSidedFactor
		}
		k, err := factor(b.N, o.Coverage, o.ToleranceConfidence)
		if err != nil {
			return t, err
		}
		t.K = &k
		half := k * math.Hypot(b.sd(), b.moveError(b.Mean))
		low, high = b.move(b.Mean)-half, b.move(b.Mean)+half
	}
	t.Limits = limits(b.back(low), b.back(high))
	switch o.Direction {
	case HigherIsBetter:
		t.High = nil
	case LowerIsBetter:
		t.Low = nil
	}
	return t, nil
}

// limits leaves a side open that is not finite.
func limits(low, high float64) conformity.Limits {
	var l conformity.Limits
	if !math.IsInf(low, 0) && !math.IsNaN(low) {
		l.Low = &low
	}
	if !math.IsInf(high, 0) && !math.IsNaN(high) {
		l.High = &high
	}
	return l
}

func percentile(b basis, doubtful bool, value float64) *float64 {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return nil
	}
	x := value
	if b.log {
		x = math.Log(math.Max(value, 0))
	}
	var p float64
	if doubtful {
		var below, same float64
		for _, score := range b.scores {
			switch moved := b.move(score); {
			case moved < x:
				below++
			case moved == x:
				same++
			}
		}
		p = 100 * (below + (same+1)/2) / float64(b.N+1)
	} else {
		centre, u, dof := b.predictive()
		if u == 0 {
			return nil
		}
		p = 100 * studentCDF((x-centre)/u, dof)
	}
	return &p
}
