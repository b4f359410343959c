package workflow

import (
	"os"
	"path/filepath"
	"strings"
	"time"

	"proveout/harness/job"
	"proveout/scoring/conformity"
)

// A Standing is how a job stands, as job list and status --json tell it.
type Standing struct {
	Job      string             `json:"job"`
	Opened   time.Time          `json:"opened"`
	Card     string             `json:"card"`
	Serial   string             `json:"serial,omitempty"`
	Customer string             `json:"customer,omitempty"`
	Plan     string             `json:"plan"`
	Verdict  conformity.Verdict `json:"verdict"`
	Accepted bool               `json:"accepted"`
	WaitsFor string             `json:"waits_for,omitempty"`
	Trouble  string             `json:"trouble,omitempty"` // why it cannot be read
}

// JobNumbers are the numbers of all jobs of the shop, whatever their state.
func (s *Shop) JobNumbers() (numbers []string) {
	folders, _ := os.ReadDir(filepath.Join(s.Dir, "jobs"))
	for _, f := range folders {
		if f.IsDir() && !strings.HasPrefix(f.Name(), ".") {
			numbers = append(numbers, f.Name())
		}
	}
	return numbers
}

// Jobs tells how all jobs of the shop stand, oldest number first.
func (s *Shop) Jobs() ([]Standing, error) {
	briefs, err := job.List(s.Dir)
	if err != nil {
		return nil, err
	}
	all := []Standing{}
	for _, b := range briefs {
		all = append(all, s.standing(b))
	}
	return all, nil
}

func (s *Shop) standing(b job.Brief) Standing {
	line := Standing{Job: b.Number}
	j, err := (*Job)(nil), b.Err
	if err == nil {
		j, err = s.Job(b.Number)
	}
	if err != nil {
		line.Trouble = firstLine(err)
		return line
	}
	of, o := j.Input.Job, j.Outcome()
	line.Opened, line.Plan, line.Customer = of.Opened, of.Plan, of.Customer
	line.Card, line.Serial = of.Card.Title, of.Card.Serial
	line.Verdict, line.Accepted, line.WaitsFor = o.Verdict, o.Accepted, j.WaitsFor()
	return line
}

func firstLine(err error) string {
	first, _, _ := strings.Cut(err.Error(), "\n")
	return first
}
