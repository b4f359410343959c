package picture

import (
	"encoding/json"
	"errors"

	"proveout/scoring/picture/pattern"
)

// A memo is a result as it is kept beside a job, with what [Combine] needs of it
// and nobody is shown. Without that a kept result would be combined to another
// judgement than a fresh one.
type memo struct {
	Result *Result         `json:"result"`
	Named  pattern.Pattern `json:"named"`
	Shows  pattern.Pattern `json:"shows"`
	Glance *glance         `json:"glance,omitempty"`
	Solid  []int           `json:"solid,omitempty"` // findings that one solid picture told alone
}

// Memo writes a result down, without its transfer curves and pictures.
func (r *Result) Memo() ([]byte, error) {
	kept := *r
	kept.Transfer = nil
	m := memo{Result: &kept, Named: r.named, Shows: r.shows, Glance: r.glance}
	for i, f := range r.Findings {
		if f.fromSolid {
			m.Solid = append(m.Solid, i)
		}
	}
	return json.Marshal(m)
}

// ReadMemo reads what Memo wrote.
func ReadMemo(text []byte) (*Result, error) {
	var m memo
	if err := json.Unmarshal(text, &m); err != nil {
		return nil, err
	}
	r := m.Result
	if r == nil {
		return nil, errors.New("no result was written down")
	}
	r.named, r.shows, r.glance = m.Named, m.Shows, m.Glance
	for _, i := range m.Solid {
		if i < 0 || i >= len(r.Findings) {
			return nil, errors.New("a finding was written down that there is not")
		}
		r.Findings[i].fromSolid = true
	}
	return r, nil
}
