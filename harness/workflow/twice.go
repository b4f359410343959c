package workflow

import (
	"bytes"
	"maps"
	"path/filepath"
	"slices"

	"proveout/harness/job"
	"proveout/harness/reading"
	"proveout/plans/fact"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
)

// A Twice refuses a file that was taken as evidence before, in this job or in
// another one of the shop: two runs never leave the same bytes, so one of the two
// is the log of another card or another run. [Import.Again] says why it is right.
type Twice struct{ What fact.Fact }

func (t *Twice) Error() string { return t.What.Err().Error() }

// Unwrap is the error in words.
func (t *Twice) Unwrap() error { return t.What.Err() }

// refuseTwice refuses a file that was taken before, unless the technician says
// why; then the note of it is returned. What may be alike by rights may be taken
// again: dumps of two cards of a family, lists without a failure, captures
// without an error, pictures that nothing is judged from, and what this program
// has just written.
func (im *importing) refuseTwice(one *Imported, before []job.Entry) (notes []job.Entry, err error) {
	if one.repeats {
		return nil, nil
	}
	what := im.takenBefore(reading.Evidence{Name: one.File, SHA256: one.SHA256}, before)
	switch {
	case what.IsZero():
		return nil, nil
	case im.Again == "":
		return nil, &Twice{what}
	}
	text := english(fact.New("import.again", "what", what, "why", im.Again))
	return []job.Entry{{Kind: job.Remark, Text: text}}, nil
}

// takenBefore says where a file was taken as evidence of a step; nothing when it
// was not. before is what this import has taken.
func (im *importing) takenBefore(file reading.Evidence, before []job.Entry) fact.Fact {
	for _, e := range before {
		if e.File != nil && e.File.SHA256 == file.SHA256 {
			return fact.New("import.twice-at-once", "file", file.Name)
		}
	}
	here := im.Input.Job
	if step := stepWith(here, file.SHA256); step != "" {
		return fact.New("import.twice-here", "file", file.Name, "step", step)
	}
	for _, number := range im.home.JobNumbers() {
		dir := filepath.Join(im.home.Dir, "jobs", number)
		if number == here.Number || !job.HasEvidence(dir, file.SHA256) {
			continue
		}
		other, _, err := job.Load(dir)
		if err != nil {
			return fact.New("import.twice", "file", file.Name, "job", number)
		}
		if step := stepWith(other, file.SHA256); step != "" {
			return fact.New("import.twice-elsewhere", "file", file.Name, "job", number, "step", step)
		}
	}
	return fact.Fact{}
}

// stepWith is the step of a job that has a file as evidence; empty when none has.
func stepWith(j *reading.Job, sum string) string {
	for _, step := range slices.Sorted(maps.Keys(j.Attempts)) {
		for i := range j.Attempts[step] {
			for _, e := range j.Attempts[step][i].Files() {
				if e.SHA256 == sum {
					return step
				}
			}
		}
	}
	return ""
}

// exact reports whether a capture is its test picture to the last bit, as a
// digital capture of a good card is: such captures are alike by rights.
func exact(p *raster.RGB, shows pattern.Pattern) bool {
	frame, err := shows.Render()
	if err != nil || frame.Mode.Width != p.Width || frame.Mode.Height != p.Height {
		return false
	}
	return bytes.Equal(frame.RGB().Pix, p.Pix)
}
