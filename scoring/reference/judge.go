package reference

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"proveout/plans/fact"
	"proveout/scoring/conformity"
)

func (o Options) withDefaults() Options {
	if o.Confidence == 0 {
		o.Confidence = 0.95
	}
	if o.Coverage == 0 {
		o.Coverage = 0.95
	}
	if o.Direction == "" {
		o.Direction = TwoSided
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
	if !(o.Confidence > 0 && o.Confidence < 1) {
		problems = append(problems, fmt.Errorf("a confidence lies between 0 and 1, not at %g", o.Confidence))
	}
	if o.Failing != 0 && !(o.Failing >= o.Confidence && o.Failing < 1) {
		problems = append(problems,
			fmt.Errorf("a failing range has a confidence from %g up to 1, not %g", o.Confidence, o.Failing))
	}
	if !(o.Coverage >= 0.5 && o.Coverage < 1) {
		problems = append(problems, fmt.Errorf("a coverage lies from 0.5 up to 1, not at %g", o.Coverage))
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
// Fewer than five scores, or a set of another bench without a control card run
// on both, give no verdict (NotRun). A score too good for a good card, an open
// signal on the bench, unanswered outliers on which the verdict hangs, and a failure
// that the set is too small or too even to support give Inconclusive. Scores that are not finite numbers, or not
// above zero in a log scale, and options out of range are errors.
func Judge(set Set, value float64, o Options) (Outcome, error) {
	if !finite(value) {
		return Outcome{}, errors.New("the score is not a number")
	}
	j, err := newJudgement(set, value, o)
	if err == nil && j.ready() {
		err = j.decide()
	}
	if err != nil {
		return Outcome{}, err
	}
	return j.out, nil
}

// Ranges describes a set and works out its ranges without a new score: the
// verdict is NotRun. Errors are those of [Judge].
func Ranges(set Set, o Options) (Outcome, error) {
	j, err := newJudgement(set, math.NaN(), o)
	if err != nil {
		return Outcome{}, err
	}
	if j.ready() {
		j.noteSet()
		j.noteOutliers()
		j.out.Sentence = fact.New("reference.expectation", "expected", j.expected())
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
	blocked fact.Fact // why the set cannot be moved to the bench of the score
}

// newJudgement checks what came in and works out all that does not need a
// verdict.
func newJudgement(set Set, value float64, o Options) (*judgement, error) {
	o = o.withDefaults()
	if err := o.check(); err != nil {
		return nil, err
	}
	if len(set.Names) != 0 && len(set.Names) != len(set.Scores) {
		return nil, fmt.Errorf("%d names do not fit %d scores", len(set.Names), len(set.Scores))
	}
	j := &judgement{set: set, options: o, value: value, out: Outcome{
		Unit: set.Unit, Normality: testNormality(nil, Description{}),
		Outliers: []Outlier{}, Notes: []fact.Fact{}, Settle: []fact.Fact{},
	}}
	if finite(value) {
		j.out.Value = &value
	}
	if len(set.Scores) == 0 {
		return j, nil
	}
	if err := j.describe(); err != nil {
		return nil, err
	}
	return j, j.ranges()
}

// describe fills in all that concerns the set alone.
func (j *judgement) describe() error {
	var err error
	if j.out.Description, err = describe(j.set.Scores); err != nil {
		return err
	}
	var transfer *Transfer
	if j.options.Bench != "" && j.set.Bench != "" && j.options.Bench != j.set.Bench {
		var moved Transfer
		if moved, j.blocked = j.options.Control.transfer(); j.blocked.IsZero() {
			transfer = &moved
		}
	}
	j.out.Transfer = transfer
	if j.basis, err = newBasis(j.set.Scores, j.options.Log, transfer); err != nil {
		return err
	}
	for _, o := range outliers(j.basis.scores) {
		o.Value, o.Kept = j.set.Scores[o.Index], slices.Contains(j.set.Kept, o.Index)
		if len(j.set.Names) > 0 {
			o.Name = j.set.Names[o.Index]
		}
		j.out.Outliers = append(j.out.Outliers, o)
	}
	j.out.Normality = testNormality(j.basis.scores, j.basis.Description)
	return nil
}

// ranges fills in the prediction, the tolerance and the percentile.
func (j *judgement) ranges() error {
	if j.basis.N < 2 || !j.blocked.IsZero() {
		return nil
	}
	doubtful := j.out.Normality.Doubtful
	prediction := predict(j.basis, doubtful, j.options)
	tolerance, err := tolerate(j.basis, doubtful, j.options)
	if err != nil {
		return err
	}
	j.out.Prediction, j.out.Tolerance = &prediction, &tolerance
	j.out.Percentile = percentile(j.basis, doubtful, j.value)
	return nil
}

// ready reports whether there is anything to judge a score by, and says so
// where there is not.
func (j *judgement) ready() bool {
	switch {
	case j.basis.N < MinScores:
		j.tooFew()
	case !j.blocked.IsZero():
		j.noTransfer()
	default:
		return true
	}
	return false
}

// decide fills in the verdict and the words for it.
func (j *judgement) decide() error {
	verdict, result, err := compare(j.basis, *j.out.Prediction, j.value, j.options)
	if err != nil {
		return err
	}
	j.out.Verdict, j.out.Conformity = verdict, &result
	j.noteSet()
	j.tellComparison()
	j.noteOutliers()
	if err := j.askOutliers(); err != nil {
		return err
	}
	j.holdForSignals()
	return nil
}

// compare judges value by a prediction. What is not inside on the good side is too
// good to decide; a failure needs a range of the full confidence and a set with a
// spread.
func compare(b basis, p Prediction, value float64, o Options) (conformity.Verdict, conformity.Result, error) {
	r, err := conformity.Judge(value, o.Uncertainty, o.Direction.judged(p), o.Rule)
	if err != nil {
		return conformity.NotRun, r, err
	}
	verdict := r.Verdict
	unsure := tooGood(p, r, o.Direction) || p.Needed > b.N || b.SD == 0
	if verdict == conformity.Fail && (unsure || !failing(p, value, o)) {
		verdict = conformity.Inconclusive
	}
	return verdict, r, nil
}

// failing says that a value lies where it fails, and is not only rare for a good
// card.
func failing(p Prediction, value float64, o Options) bool {
	if p.Failing == nil {
		return true
	}
	wide := p
	wide.Limits = *p.Failing
	r, err := conformity.Judge(value, o.Uncertainty, o.Direction.judged(wide), o.Rule)
	return err == nil && r.Verdict == conformity.Fail
}

// tooGood says that a value better than the next good card is expected to be reaches
// to where no good card is expected any more.
func tooGood(p Prediction, r conformity.Result, d Direction) bool {
	value, w := float64(r.Value), float64(r.GuardBand)
	return p.TooGood != nil && p.better(value, d) &&
		(d == HigherIsBetter && value+w > *p.TooGood || d == LowerIsBetter && value-w < *p.TooGood)
}

// better says that a value lies beyond the range on the side that is better.
func (p *Prediction) better(value float64, d Direction) bool {
	return p.High != nil && d == HigherIsBetter && value > *p.High ||
		p.Low != nil && d == LowerIsBetter && value < *p.Low
}

// askOutliers holds the verdict when it hangs on outliers that nobody has answered
// for.
func (j *judgement) askOutliers() error {
	found := slices.DeleteFunc(slices.Clone(j.out.Outliers), func(o Outlier) bool { return o.Kept })
	if len(found) == 0 {
		return nil
	}
	without := conformity.NotRun // too few scores would be left
	if j.basis.N-len(found) >= MinScores {
		var rest []float64
		for i, score := range j.set.Scores {
			if !slices.ContainsFunc(found, func(o Outlier) bool { return o.Index == i }) {
				rest = append(rest, score)
			}
		}
		var err error
		if without, err = j.verdictOf(rest); err != nil {
			return err
		}
	}
	if without != j.out.Verdict {
		j.holdForOutliers(found, without)
	}
	return nil
}

// verdictOf is the verdict on the score by another choice of reference scores.
func (j *judgement) verdictOf(scores []float64) (conformity.Verdict, error) {
	b, err := newBasis(scores, j.options.Log, j.basis.transfer)
	if err != nil {
		return conformity.NotRun, err
	}
	doubtful := testNormality(b.scores, b.Description).Doubtful
	p := predict(b, doubtful, j.options)
	verdict, _, err := compare(b, p, j.value, j.options)
	return verdict, err
}
