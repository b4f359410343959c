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
// on both, give no verdict (NotRun). An open signal on the bench, an unanswered
// outlier on which the verdict hangs, and a failure that the set is too small or
// too even to support give Inconclusive. Scores that are not finite numbers, or not
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
	if outlier, flagged := grubbs(j.basis.scores, j.basis.Description); flagged {
		outlier.Value = j.set.Scores[outlier.Index]
		if len(j.set.Names) > 0 {
			outlier.Name = j.set.Names[outlier.Index]
		}
		j.out.Outliers = append(j.out.Outliers, outlier)
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
	prediction := predict(j.basis, doubtful, j.options.Confidence)
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
	case j.basis.N < minScores:
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
	if err := j.askOutlier(); err != nil {
		return err
	}
	j.holdForSignals()
	return nil
}

// compare judges value by a prediction. A failure needs a range of the full
// confidence and a set with a spread.
func compare(b basis, p Prediction, value float64, o Options) (conformity.Verdict, conformity.Result, error) {
	r, err := conformity.Judge(value, o.Uncertainty, o.Direction.open(p.Limits), o.Rule)
	if err != nil {
		return conformity.NotRun, r, err
	}
	verdict := r.Verdict
	if verdict == conformity.Fail && (p.Needed > b.N || b.SD == 0) {
		verdict = conformity.Inconclusive
	}
	return verdict, r, nil
}

// askOutlier holds the verdict when it hangs on an outlier that nobody has
// answered for.
func (j *judgement) askOutlier() error {
	if len(j.out.Outliers) == 0 || j.options.KeepOutlier {
		return nil
	}
	outlier := j.out.Outliers[0]
	without := conformity.NotRun // too few scores would be left
	if j.basis.N-1 >= minScores {
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
	b, err := newBasis(scores, j.options.Log, j.basis.transfer)
	if err != nil {
		return conformity.NotRun, err
	}
	doubtful := testNormality(b.scores, b.Description).Doubtful
	verdict, _, err := compare(b, predict(b, doubtful, j.options.Confidence), j.value, j.options)
	return verdict, err
}
