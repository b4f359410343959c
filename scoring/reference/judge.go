package reference

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"proveout/scoring/conformity"
)

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
	j, err := newJudgement(set, value, o)
	if err != nil {
		return Outcome{}, err
	}
	switch {
	case j.basis.N < MinScores:
		j.tooFew()
	case j.blocked != nil:
		j.noTransfer()
	default:
		if err := j.decide(); err != nil {
			return Outcome{}, err
		}
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
	switch {
	case j.basis.N < MinScores:
		j.tooFew()
	case j.blocked != nil:
		j.noTransfer()
	default:
		j.noteSet()
		for _, outlier := range j.out.Outliers {
			j.noteOutlier(outlier)
		}
		j.out.Sentence = sentenceCase(j.expectation()) + "."
	}
	return j.out, nil
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
		Unit: set.Unit, Scale: o.Scale, Direction: o.Direction,
		Outliers: []Outlier{}, Notes: []string{}, Settle: []Remedy{},
	}}
	if !math.IsNaN(value) && !math.IsInf(value, 0) {
		j.out.Value = &value
	}
	if len(set.Scores) == 0 {
		j.out.Normality = Normality{Significance: o.NormalitySignificance, Why: "there are no scores"}
		return j, nil
	}
	if err := j.describe(); err != nil {
		return nil, err
	}
	return j, j.ranges()
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

// ranges fills in the prediction, the tolerance and the percentile.
func (j *judgement) ranges() error {
	if j.basis.N < 2 || j.blocked != nil {
		return nil
	}
	doubtful := j.out.Normality.Doubtful
	prediction, err := predict(j.basis, doubtful, j.options.Confidence)
	if err != nil {
		return err
	}
	j.out.Prediction = &prediction
	tolerance, err := tolerate(j.basis, doubtful, j.options)
	if err != nil {
		return err
	}
	j.out.Tolerance = &tolerance
	j.out.Percentile = percentile(j.basis, doubtful, j.value)
	return nil
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
