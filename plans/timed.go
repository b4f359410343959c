package plans

import (
	"strings"

	"proveout/plans/document"
	"proveout/plans/fact"
	"proveout/plans/quantity"
)

// Timed is what the timed kinds of step say alike.
type Timed struct {
	Duration     *quantity.Quantity // how long it must run
	Runs         int                // how often; 1 at the least
	LogMap       string             // name of the shop's log map for the step's logs; empty when the header says
	Prove        string             // "intermittent fault gone"
	Confidence   *quantity.Quantity // with Prove
	Improvement  float64            // with Prove: times the interval of the complaint
	ThrottleFail bool               // throttling is a failure, not a remark
}

func (t *Timed) timed() *Timed { return t }

// Timed returns how a timed step runs, nil for a step of another kind.
func (st *Step) Timed() *Timed {
	if of, ok := st.Spec.(interface{ timed() *Timed }); ok {
		return of.timed()
	}
	return nil
}

// LogMap returns the name of the log map that the step names, empty for none.
func (st *Step) LogMap() string {
	if t := st.Timed(); t != nil {
		return t.LogMap
	}
	return ""
}

func (t *Timed) durationKey(example string) key {
	to := exactly(&t.Duration, quantity.Duration)
	return key{Name: "duration", To: to, Needed: example, What: "how long it must run"}
}

// laterKeys are the keys that stand behind those of the kind.
func (t *Timed) laterKeys() []key {
	prove := ""
	if t.Prove != "" {
		prove = t.Prove + ", confidence " + t.Confidence.String()
	}
	return []key{
		{Name: "log_map", To: document.Checked(&t.LogMap, "name", isLogMap), Absent: "the log's header says",
			What: "a log map of the shop's logmaps folder, for the step's logs and what its command prints"},
		{Name: "prove", To: document.Word(&t.Prove, "intermittent fault gone"), Says: prove,
			What: `"intermittent fault gone": the run must be long enough to show it`},
		{Name: "confidence", To: exactly(&t.Confidence, quantity.Ratio), Label: "-",
			Absent: usualConfidence, What: "with prove"},
		{Name: "improvement", To: document.Number(&t.Improvement), Label: "-", Absent: "1",
			What: "with prove: times the interval of the complaint"},
		{Name: "throttle_fails", To: document.Flag(&t.ThrottleFail), Label: "throttling", Says: when(t.ThrottleFail, "fails"),
			What: "slowing down from heat is a failure, not a remark"},
	}
}

const usualConfidence = "90 %"

// isLogMap refuses what is no name of a file in the shop's folder, such as a
// path.
func isLogMap(name string) (what, fix string) {
	if !strings.ContainsAny(name, `/\:`) && !strings.HasPrefix(name, ".") && !strings.HasSuffix(name, ".toml") {
		return "", ""
	}
	return document.Quoted(name) + " is no name of a log map",
		`write its name in the shop's logmaps folder, such as "soak" for logmaps/soak.toml`
}

// check finds what contradicts itself, and settles what prove leaves open.
func (t *Timed) check(s *section) {
	if t.Confidence != nil && t.Confidence.Value >= 1 {
		s.Problem("confidence", document.Quoted(t.Confidence.Text)+" is not below 100 %", `write "90 %"`)
	}
	for _, key := range []string{"confidence", "improvement"} {
		if s.Has(key) && !s.Has("prove") {
			s.Problem(key, "means nothing without prove", `add prove = "intermittent fault gone", or remove it`)
		}
	}
	if t.Prove == "" {
		return
	}
	if t.Confidence == nil {
		usual, _ := quantity.Parse(usualConfidence, quantity.Ratio) // cannot fail
		t.Confidence = &usual
	}
	if t.Improvement == 0 {
		t.Improvement = 1
	}
}

func (t *Timed) durationField(ask fact.Fact) Field {
	return Field{Name: "duration", Ask: ask, Dimension: quantity.Duration, Unit: "min", Required: true,
		Expected: fact.New("ask.at-least", "value", fact.AsWritten(t.Duration.Text)), Nominal: t.Duration.Value}
}

func when(so bool, text string) string {
	if so {
		return text
	}
	return ""
}
