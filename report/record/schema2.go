package record

import (
	"encoding/json"
	"fmt"
	"time"

	"proveout/report/content"
)

// This file reads records of the schemas 1 and 2, as proveout 1.0.0 wrote them.
// The types below are what that version wrote, name by name: they never change
// again, whatever becomes of the types that records are made of today. Only
// [schema2Record.record], which tells how they are understood now, follows
// those.

// decodeSchema2 reads a record of schema 1 or 2.
func decodeSchema2(text []byte) (*content.Record, error) {
	var old schema2Record
	if err := decodeStrictly(text, &old); err != nil {
		return nil, err
	}
	return old.record()
}

// record is the record in the types of today. What has another name or another
// place now is moved; all else is written and read again.
func (old *schema2Record) record() (*content.Record, error) {
	now, err := generic(old)
	if err != nil {
		return nil, err
	}
	top := now.(map[string]any)
	shop := top["shop"].(map[string]any)
	if bench, ok := shop["bench"]; ok {
		shop["benches"] = []any{bench}
	}
	steps, _ := top["job"].(map[string]any)["attempts"].(map[string]any)
	for _, step := range steps {
		attempts, _ := step.([]any)
		for _, attempt := range attempts {
			each(attempt, "readings", func(r any) { rename(r, "after_s", "after") })
		}
	}
	asFacts(top["job"], "warnings")
	sentencesAsFacts(top["outcome"])
	text, err := json.Marshal(now)
	if err != nil {
		return nil, err
	}
	r := &content.Record{}
	if err := json.Unmarshal(text, r); err != nil {
		return nil, fmt.Errorf("the record cannot be read: %w", err)
	}
	return r, nil
}

// sentencesAsFacts makes facts of the sentences of an outcome, which say just
// that.
func sentencesAsFacts(outcome any) {
	asFacts(outcome, "reason", "in_the_way", "warnings")
	each(outcome, "causes", func(cause any) { asFacts(cause, "text", "look") })
	each(outcome, "steps", func(step any) {
		asFacts(step, "reason", "findings", "warnings")
		each(step, "causes", func(cause any) { asFacts(cause, "text", "look") })
		each(step, "conditions", func(condition any) { asFacts(condition, "name", "text") })
		each(step, "figures", figureAsFacts)
		each(step, "pictures", func(picture any) { asFacts(picture, "title", "caption") })
		each(step, "checks", func(check any) {
			asFacts(check, "title", "text", "reason", "settle", "source")
			each(check, "budget", func(line any) {
				asFacts(line, "name")
				rename(line, "half_width", "value")
				rename(line, "standard", "standard_uncertainty")
			})
			if c, ok := check.(map[string]any); ok {
				asFacts(c["limits"], "text")
			}
		})
	})
}

// figureAsFacts makes facts of the texts of a figure.
func figureAsFacts(figure any) {
	asFacts(figure, "title", "alt", "source")
	for _, list := range []string{"series", "limits", "bands"} {
		each(figure, list, func(item any) { asFacts(item, "name") })
	}
	each(figure, "marks", func(mark any) { asFacts(mark, "label") })
	if f, ok := figure.(map[string]any); ok {
		asFacts(f["x"], "name", "categories")
		asFacts(f["y"], "name", "categories")
	}
}

// each calls do with the items of a list of an object.
func each(object any, list string, do func(item any)) {
	m, _ := object.(map[string]any)
	items, _ := m[list].([]any)
	for _, item := range items {
		do(item)
	}
}

// rename gives a field of an object the name that it has now.
func rename(object any, was, is string) {
	m, _ := object.(map[string]any)
	if v, ok := m[was]; ok {
		delete(m, was)
		m[is] = v
	}
}

// asFacts makes facts of the texts and lists of texts of an object. An empty
// text says nothing.
func asFacts(object any, fields ...string) {
	m, ok := object.(map[string]any)
	if !ok {
		return
	}
	said := func(v any) any {
		if v == "" {
			return map[string]any{"fact": ""}
		}
		return map[string]any{"fact": "text", "args": map[string]any{"text": v}}
	}
	for _, field := range fields {
		switch v := m[field].(type) {
		case string:
			m[field] = said(v)
		case []any:
			for i := range v {
				v[i] = said(v[i])
			}
		}
	}
}

type schema2Record struct {
	Schema       int                   `json:"schema"`
	Tool         string                `json:"tool"`
	Built        string                `json:"built"`
	Kind         string                `json:"kind"`
	Number       string                `json:"number"`
	IssuedAt     time.Time             `json:"issued_at"`
	Language     string                `json:"language"`
	Paper        string                `json:"paper"`
	Technician   string                `json:"technician"`
	AuthorisedBy string                `json:"authorised_by"`
	Replaces     string                `json:"replaces,omitempty"`
	Because      string                `json:"because,omitempty"`
	Signer       *schema2Signer        `json:"signer,omitempty"`
	Shop         schema2Shop           `json:"shop"`
	Job          schema2Job            `json:"job"`
	Plan         string                `json:"plan"`
	Family       string                `json:"family"`
	References   []schema2ReferenceSet `json:"references,omitempty"`
	Control      []schema2ControlRun   `json:"control_runs,omitempty"`
	Answers      []schema2SignalAnswer `json:"signal_answers,omitempty"`
	Outcome      schema2Outcome        `json:"outcome"`
	Photos       []schema2Photo        `json:"photos,omitempty"`
	Logo         string                `json:"logo_sha256,omitempty"`
}

type schema2Signer struct {
	Name        string `json:"name"`
	Fingerprint string `json:"fingerprint"`
}

type schema2Photo struct {
	Caption string `json:"caption"`
	Role    string `json:"role,omitempty"`
	SHA256  string `json:"sha256,omitempty"`
	Printed string `json:"printed_sha256"`
	Width   int    `json:"width"`
	Height  int    `json:"height"`
}

type schema2Shop struct {
	Name        string              `json:"name"`
	Address     []string            `json:"address,omitempty"`
	Contact     string              `json:"contact,omitempty"`
	Bench       *schema2Bench       `json:"bench,omitempty"`
	Technicians []schema2Technician `json:"technicians,omitempty"`
}

type schema2Technician struct {
	ID   string `json:"id"`
	Name string `json:"name"`
	Sign bool   `json:"sign,omitempty"`
}

type schema2Bench struct {
	ID          string              `json:"id"`
	Title       string              `json:"title"`
	Host        string              `json:"host,omitempty"`
	Slot        schema2Slot         `json:"slot"`
	Ambient     *schema2Quantity    `json:"ambient,omitempty"`
	Instruments []schema2Instrument `json:"instruments"`
	ControlCard string              `json:"control_card,omitempty"`
}

type schema2Slot struct {
	Kind      string            `json:"kind"`
	Signaling []schema2Quantity `json:"signaling,omitempty"`
	Key       string            `json:"key,omitempty"`
	Rates     []string          `json:"rates,omitempty"`
}

type schema2Instrument struct {
	ID         string           `json:"id"`
	Title      string           `json:"title"`
	Measures   []string         `json:"measures"`
	Limits     schema2Quantity  `json:"limits"`
	Floor      *schema2Quantity `json:"floor,omitempty"`
	Coverage   float64          `json:"coverage,omitempty"`
	Resolution *schema2Quantity `json:"resolution,omitempty"`
	Place      string           `json:"place,omitempty"`
	LastCheck  string           `json:"last_check,omitempty"`
	NextCheck  string           `json:"next_check,omitempty"`
}

type schema2Quantity struct {
	Dimension  string  `json:"dimension"`
	Value      float64 `json:"value"`
	Minus      float64 `json:"minus,omitempty"`
	Plus       float64 `json:"plus,omitempty"`
	Tolerated  bool    `json:"tolerated,omitempty"`
	Resolution float64 `json:"resolution,omitempty"`
	Unit       string  `json:"unit"`
	Text       string  `json:"text"`
}

type schema2ReferenceSet struct {
	Workload string                  `json:"workload"`
	Bench    string                  `json:"bench"`
	Unit     string                  `json:"unit"`
	Better   string                  `json:"better"`
	Source   string                  `json:"source,omitempty"`
	Scores   []schema2ReferenceScore `json:"scores"`
}

type schema2ReferenceScore struct {
	Card  string  `json:"card"`
	Value float64 `json:"value"`
	Job   string  `json:"job,omitempty"`
	By    string  `json:"by,omitempty"`
	When  string  `json:"when,omitempty"`
}

type schema2ControlRun struct {
	Seq      int       `json:"seq"`
	Bench    string    `json:"bench"`
	Workload string    `json:"workload"`
	Card     string    `json:"card,omitempty"`
	Unit     string    `json:"unit"`
	Value    float64   `json:"value"`
	At       time.Time `json:"at"`
	By       string    `json:"by,omitempty"`
}

type schema2SignalAnswer struct {
	Bench    string    `json:"bench"`
	Workload string    `json:"workload"`
	UpTo     int       `json:"up_to"`
	By       string    `json:"by,omitempty"`
	Text     string    `json:"text"`
	At       time.Time `json:"at"`
}

type schema2Job struct {
	Number         string                      `json:"number"`
	Opened         time.Time                   `json:"opened"`
	Plan           string                      `json:"plan"`
	Card           schema2Card                 `json:"card"`
	Bench          string                      `json:"bench"`
	Technician     string                      `json:"technician"`
	Complaint      string                      `json:"complaint,omitempty"`
	ComplaintEvery float64                     `json:"complaint_every_s,omitempty"`
	Condition      string                      `json:"condition,omitempty"`
	Work           []string                    `json:"work,omitempty"`
	WorkNotes      string                      `json:"work_notes,omitempty"`
	Customer       string                      `json:"customer,omitempty"`
	Attempts       map[string][]schema2Attempt `json:"attempts"`
	Warnings       []string                    `json:"warnings,omitempty"`
}

type schema2Card struct {
	Family  string            `json:"family"`
	Variant string            `json:"variant,omitempty"`
	Title   string            `json:"title"`
	Serial  string            `json:"serial,omitempty"`
	Marks   []schema2Mark     `json:"marks,omitempty"`
	Photos  []schema2Evidence `json:"photos,omitempty"`
}

type schema2Mark struct {
	Name  string `json:"name"`
	Value string `json:"value"`
}

type schema2Attempt struct {
	Number   int               `json:"number"`
	Started  time.Time         `json:"started,omitzero"`
	Ended    time.Time         `json:"ended,omitzero"`
	By       string            `json:"by,omitempty"`
	Readings []schema2Reading  `json:"readings,omitempty"`
	Logs     []schema2Log      `json:"logs,omitempty"`
	Captures []schema2Capture  `json:"captures,omitempty"`
	Dumps    []schema2Evidence `json:"dumps,omitempty"`
	Notes    []schema2Note     `json:"notes,omitempty"`
	Skipped  string            `json:"skipped,omitempty"`
	Cut      string            `json:"cut,omitempty"`
	Ran      float64           `json:"ran_s,omitempty"`
}

type schema2Reading struct {
	Seq        int           `json:"seq,omitempty"`
	Name       string        `json:"name"`
	Value      *float64      `json:"value,omitempty"`
	Word       string        `json:"word,omitempty"`
	Text       string        `json:"text"`
	Unit       string        `json:"unit,omitempty"`
	Resolution float64       `json:"resolution,omitempty"`
	Instrument string        `json:"instrument,omitempty"`
	Place      string        `json:"place,omitempty"`
	After      *float64      `json:"after_s,omitempty"`
	Corrects   bool          `json:"corrects,omitempty"`
	At         time.Time     `json:"at,omitzero"`
	By         string        `json:"by,omitempty"`
	Source     schema2Source `json:"source"`
}

type schema2Source struct {
	Kind     string `json:"kind"`
	Evidence string `json:"evidence,omitempty"`
	Line     int    `json:"line,omitempty"`
	Column   string `json:"column,omitempty"`
}

type schema2Evidence struct {
	SHA256  string `json:"sha256"`
	Name    string `json:"name"`
	Size    int64  `json:"size"`
	Role    string `json:"role,omitempty"`
	Caption string `json:"caption,omitempty"`
}

type schema2Capture struct {
	schema2Evidence
	Pattern string `json:"pattern,omitempty"`
	Mode    string `json:"mode,omitempty"`
	Route   string `json:"route,omitempty"`
	Base    int64  `json:"base,omitempty"`
}

type schema2Note struct {
	At   time.Time `json:"at,omitzero"`
	By   string    `json:"by,omitempty"`
	Text string    `json:"text"`
}

type schema2Log struct {
	schema2Evidence
	Instrument string          `json:"instrument,omitempty"`
	Run        int             `json:"run"`
	Columns    []schema2Column `json:"columns"`
	Count      int64           `json:"count"`
	Bad        int64           `json:"bad,omitempty"`
	Seconds    *float64        `json:"seconds,omitempty"`
	Recipe     json.RawMessage `json:"map,omitempty"`
	Failures   json.RawMessage `json:"failures,omitempty"`
	Pool       string          `json:"pool,omitempty"`
	Part       int             `json:"part"`
}

type schema2Column struct {
	Name       string  `json:"name"`
	Header     string  `json:"header"`
	Unit       string  `json:"unit,omitempty"`
	Resolution float64 `json:"resolution,omitempty"`
	Place      string  `json:"place,omitempty"`
}

type schema2Outcome struct {
	Job      string               `json:"job"`
	Plan     string               `json:"plan"`
	Family   string               `json:"family"`
	Variant  string               `json:"variant,omitempty"`
	Accepted bool                 `json:"accepted"`
	Verdict  string               `json:"verdict"`
	Reason   string               `json:"reason"`
	Standing []string             `json:"in_the_way"`
	Causes   []schema2Cause       `json:"causes,omitempty"`
	Steps    []schema2StepOutcome `json:"steps"`
	Warnings []string             `json:"warnings,omitempty"`
}

type schema2StepOutcome struct {
	ID         string             `json:"id"`
	Kind       string             `json:"kind"`
	Title      string             `json:"title"`
	Verdict    string             `json:"verdict"`
	Required   bool               `json:"required"`
	WhyNeeded  string             `json:"why_required,omitempty"`
	Gate       bool               `json:"gate,omitempty"`
	Attempts   int                `json:"attempts"`
	Earlier    []string           `json:"earlier,omitempty"`
	Reason     string             `json:"reason"`
	Checks     []schema2Check     `json:"checks"`
	Findings   []string           `json:"findings,omitempty"`
	Warnings   []string           `json:"warnings,omitempty"`
	Causes     []schema2Cause     `json:"causes,omitempty"`
	Figures    []schema2Figure    `json:"figures,omitempty"`
	Pictures   []schema2Picture   `json:"pictures,omitempty"`
	Conditions []schema2Condition `json:"conditions,omitempty"`
	Detail     map[string]any     `json:"detail,omitempty"`
}

type schema2Condition struct {
	Name string `json:"name"`
	Text string `json:"text"`
}

type schema2Cause struct {
	Text       string  `json:"text"`
	Step       string  `json:"step"`
	Confidence float64 `json:"confidence"`
	Look       string  `json:"look"`
}

type schema2Check struct {
	Name        string                `json:"name"`
	Title       string                `json:"title"`
	Value       *float64              `json:"value"`
	Text        string                `json:"text"`
	Unit        string                `json:"unit"`
	U           *float64              `json:"expanded_uncertainty"`
	Limits      *schema2Limits        `json:"limits"`
	Rule        string                `json:"rule,omitempty"`
	Verdict     string                `json:"verdict"`
	Probability *float64              `json:"probability"`
	Reason      string                `json:"reason"`
	Settle      string                `json:"settle,omitempty"`
	Informative bool                  `json:"informative,omitempty"`
	Source      string                `json:"source,omitempty"`
	Budget      []schema2Contribution `json:"budget,omitempty"`
	Evidence    []string              `json:"evidence,omitempty"`
}

type schema2Contribution struct {
	Name         string   `json:"name"`
	HalfWidth    *float64 `json:"half_width"`
	Distribution string   `json:"distribution"`
	Standard     *float64 `json:"standard"`
}

type schema2Limits struct {
	Low  *float64 `json:"low"`
	High *float64 `json:"high"`
	Text string   `json:"text"`
}

type schema2Picture struct {
	Title   string `json:"title"`
	Caption string `json:"caption"`
	File    string `json:"file"`
	SHA256  string `json:"sha256"`
	Verdict string `json:"verdict"`
}

type schema2Figure struct {
	ID      string               `json:"id"`
	Step    string               `json:"step"`
	Title   string               `json:"title"`
	Alt     string               `json:"alt"`
	Source  string               `json:"source"`
	Samples int64                `json:"samples"`
	X       schema2Axis          `json:"x"`
	Y       schema2Axis          `json:"y"`
	Series  []schema2Series      `json:"series"`
	Limits  []schema2FigureLimit `json:"limits,omitempty"`
	Bands   []schema2FigureBand  `json:"bands,omitempty"`
	Marks   []schema2FigureMark  `json:"marks,omitempty"`
}

type schema2Axis struct {
	Name       string   `json:"name"`
	Unit       string   `json:"unit"`
	Log        bool     `json:"log,omitempty"`
	Min        float64  `json:"min,omitempty"`
	Max        float64  `json:"max,omitempty"`
	Categories []string `json:"categories,omitempty"`
}

type schema2Series struct {
	Name  string    `json:"name"`
	Style string    `json:"style"`
	X     []float64 `json:"x"`
	Y     []float64 `json:"y"`
	Low   []float64 `json:"low,omitempty"`
	High  []float64 `json:"high,omitempty"`
}

type schema2FigureLimit struct {
	Name     string  `json:"name"`
	At       float64 `json:"at"`
	Vertical bool    `json:"vertical,omitempty"`
}

type schema2FigureBand struct {
	Name     string        `json:"name"`
	Low      float64       `json:"low"`
	High     float64       `json:"high"`
	Vertical bool          `json:"vertical,omitempty"`
	Curve    *schema2Curve `json:"curve,omitempty"`
}

type schema2Curve struct {
	X    []float64 `json:"x"`
	Low  []float64 `json:"low"`
	High []float64 `json:"high"`
}

type schema2FigureMark struct {
	X     float64 `json:"x"`
	Y     float64 `json:"y"`
	Label string  `json:"label"`
}
