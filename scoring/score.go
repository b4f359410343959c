package scoring

import (
	"slices"
	"sort"
	"strings"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
)

// Score judges every step of the plan by its last attempt and the job as a
// whole. It is accepted when every required step passed on its last attempt.
func Score(in reading.Input) outcome.Outcome { return Rescore(in, nil) }

// Rescore is [Score] for a job whose files are not all at hand: the steps in
// taken are not judged again but taken as they are given, by their id. The
// gates and the job as a whole are decided anew.
func Rescore(in reading.Input, taken map[string]outcome.StepOutcome) outcome.Outcome {
	out := outcome.Outcome{
		Job:      in.Job.Number,
		Plan:     in.Plan.ID,
		Family:   in.Family.ID,
		Variant:  in.Family.Variant,
		Standing: []fact.Fact{},
		Warnings: slices.Clone(in.Job.Warnings),
	}
	for i := range in.Plan.Steps {
		step := &in.Plan.Steps[i]
		judged, ok := taken[step.ID]
		if ok {
			frame(&judged, step, in.Job)
		} else {
			judged = scoreStep(in, step)
		}
		out.Steps = append(out.Steps, judged)
	}
	settleMemoryDisplay(&out)
	holdBehindGates(in.Plan, &out)
	decide(&out)
	return out
}

// ScoreStep judges one step alone, as the bench shows it right after entry.
func ScoreStep(in reading.Input, step *plans.Step) outcome.StepOutcome {
	out := scoreStep(in, step)
	one := outcome.Outcome{Steps: []outcome.StepOutcome{out}}
	settleMemoryDisplay(&one)
	return one.Steps[0]
}

func scoreStep(in reading.Input, step *plans.Step) outcome.StepOutcome {
	attempts := in.Job.Attempts[step.ID]
	out := outcome.StepOutcome{Checks: []outcome.Check{}, Reason: fact.New("outcome.no-attempt")}
	var earlier []conformity.Verdict
	for i := range attempts {
		if i > 0 {
			earlier = append(earlier, out.Verdict)
		}
		out = scoreAttempt(in, step, &attempts[i])
	}
	out.Earlier = earlier
	frame(&out, step, in.Job)
	return out
}

// frame puts into the judgement of a step what the plan says of it.
func frame(out *outcome.StepOutcome, step *plans.Step, job *reading.Job) {
	out.ID, out.Kind, out.Title, out.Gate = step.ID, string(step.Kind), step.Title, step.Gate
	out.Required, out.WhyNeeded = step.Needed(job.Work)
	out.Attempts = len(job.Attempts[step.ID])
}

func scoreAttempt(in reading.Input, step *plans.Step, attempt *reading.Attempt) outcome.StepOutcome {
	j := &judge{in: in, step: step, attempt: attempt, out: outcome.StepOutcome{Checks: []outcome.Check{}}}
	switch {
	case attempt.Skipped != "":
		j.out.Reason = fact.New("outcome.skipped", "why", endSentence(attempt.Skipped))
		return j.out
	case attempt.Cut != "":
		j.out.Reason = fact.New("outcome.cut", "why", endSentence(attempt.Cut))
		j.out.Warnings = append(j.out.Warnings, fact.New("outcome.cut-kept", "attempt", attempt.Number))
		return j.out
	}
	judgement, known := judgements[step.Kind]
	if !known {
		j.out.Reason = fact.New("outcome.unknown-kind", "kind", string(step.Kind))
		return j.out
	}
	judgement(j)
	j.conclude()
	return j.out
}

// judgements are the judgements of the kinds of step.
var judgements = map[plans.Kind]func(*judge){}

// judges makes the judgement of a kind known; it gets what the step says as one
// of its kind. It is called by the file of the kind.
func judges[T any](kind plans.Kind, judgement func(*judge, *T)) bool {
	judgements[kind] = func(j *judge) { judgement(j, plans.SpecOf[T](j.step)) }
	return true
}

// A judge works on one attempt at one step.
type judge struct {
	in      reading.Input
	step    *plans.Step
	attempt *reading.Attempt
	out     outcome.StepOutcome
}

func (j *judge) check(c outcome.Check) { j.out.Checks = append(j.out.Checks, c) }

// suspect adds a probable fault, with what to look at on the board.
func (j *judge) suspect(confidence float64, text, look fact.Fact) {
	j.out.Causes = append(j.out.Causes, outcome.Cause{Text: text, Step: j.step.ID, Confidence: confidence, Look: look})
}

// finding adds a remark that decides nothing.
func (j *judge) finding(f fact.Fact) { j.out.Findings = append(j.out.Findings, f) }

// warning adds a doubt about the data.
func (j *judge) warning(f fact.Fact) { j.out.Warnings = append(j.out.Warnings, f) }

// circumstance adds a condition of the test that documents state.
func (j *judge) circumstance(name, text fact.Fact) {
	j.out.Conditions = append(j.out.Conditions, outcome.Condition{Name: name, Text: text})
}

// detail adds the numbers behind the checks.
func (j *judge) detail(key string, numbers any) {
	if j.out.Detail == nil {
		j.out.Detail = map[string]any{}
	}
	j.out.Detail[key] = numbers
}

// conclude makes the step's verdict from its checks.
func (j *judge) conclude() {
	j.out.Verdict = outcome.Worst(j.out.Checks)
	if j.out.Reason.IsZero() {
		j.out.Reason = stepReason(j.out.Verdict, j.out.Checks)
	}
}

// stepReason is what the checks that made the verdict say, three of them at the
// most.
func stepReason(verdict conformity.Verdict, checks []outcome.Check) fact.Fact {
	var reasons []fact.Fact
	for _, c := range checks {
		if c.Verdict == verdict && !c.Informative && !c.Reason.IsZero() {
			reasons = append(reasons, c.Reason)
		}
	}
	switch {
	case verdict == conformity.Pass && len(checks) > 3:
		return fact.New("outcome.all-passed", "n", len(checks))
	case len(reasons) == 0:
		return fact.Fact{}
	case len(reasons) == 1:
		return reasons[0]
	case len(reasons) > 3:
		more := fact.New("outcome.more", "n", len(reasons)-3)
		reasons = append(reasons[:3:3], more)
	}
	return fact.Text(fact.Sentences(reasons...))
}

// holdBehindGates takes back the verdicts of powered steps behind a gate that
// failed: nobody powers a card with a solder bridge.
func holdBehindGates(plan *plans.Plan, out *outcome.Outcome) {
	held := ""
	for i := range out.Steps {
		s := &out.Steps[i]
		if held != "" && plan.Steps[i].Kind.Powered() {
			note := fact.New("outcome.held-readings", "gate", held)
			known := slices.ContainsFunc(s.Warnings, func(w fact.Fact) bool { return w.Key == note.Key })
			if s.Attempts > 0 && !known {
				s.Warnings = append(s.Warnings, note)
			}
			s.Verdict = conformity.NotRun
			s.Reason = fact.New("outcome.held", "gate", held)
			continue
		}
		if s.Gate && s.Verdict == conformity.Fail && held == "" {
			held = s.ID
		}
	}
}

// HeldBy is the first gate that failed before a powered step: nobody powers the
// card until it passes. It is empty when the step may run. Only gates are judged
// for it, which is faster than judging the job.
func HeldBy(in reading.Input, step *plans.Step) string {
	if !step.Kind.Powered() {
		return ""
	}
	for i := range in.Plan.Steps {
		before := &in.Plan.Steps[i]
		if before.ID == step.ID {
			return ""
		}
		if before.Gate && scoreStep(in, before).Verdict == conformity.Fail {
			return before.ID
		}
	}
	return ""
}

func decide(out *outcome.Outcome) {
	anyFail, anyDoubt, passed, required := false, false, 0, 0
	for _, s := range out.Steps {
		out.Causes = append(out.Causes, s.Causes...)
		if !s.Required {
			continue
		}
		required++
		switch s.Verdict {
		case conformity.Pass, conformity.NotApplicable:
			passed++
			continue
		case conformity.Fail:
			anyFail = true
		case conformity.Inconclusive:
			anyDoubt = true
		}
		out.Standing = append(out.Standing,
			fact.New("outcome.standing", "step", s.ID, "verdict", s.Verdict.Fact(), "reason", s.Reason))
	}
	sort.SliceStable(out.Causes, func(a, b int) bool { return out.Causes[a].Confidence > out.Causes[b].Confidence })
	switch {
	case required == 0:
		out.Verdict, out.Reason = conformity.NotRun, fact.New("outcome.nothing-required")
		out.Standing = append(out.Standing, out.Reason)
	case passed == required:
		out.Accepted, out.Verdict = true, conformity.Pass
		out.Reason = fact.New("outcome.accepted", "n", required)
	case anyFail:
		out.Verdict = conformity.Fail
		out.Reason = fact.New("outcome.failed", "steps", stepsWith(out.Steps, conformity.Fail))
	case anyDoubt:
		out.Verdict = conformity.Inconclusive
		out.Reason = fact.New("outcome.undecided", "steps", stepsWith(out.Steps, conformity.Inconclusive))
	default:
		out.Verdict = conformity.NotRun
		out.Reason = fact.New("outcome.not-run", "steps", stepsWith(out.Steps, conformity.NotRun))
	}
}

// stepsWith are the required steps with a verdict, by their ids.
func stepsWith(steps []outcome.StepOutcome, verdict conformity.Verdict) fact.List {
	var ids []string
	for _, s := range steps {
		if s.Required && s.Verdict == verdict {
			ids = append(ids, s.ID)
		}
	}
	return fact.Names(fact.And, ids)
}

func endSentence(s string) string {
	s = strings.TrimSpace(s)
	if s == "" || strings.HasSuffix(s, ".") || strings.HasSuffix(s, "!") || strings.HasSuffix(s, "?") {
		return s
	}
	return s + "."
}
