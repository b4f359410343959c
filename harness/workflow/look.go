package workflow

import (
	"bytes"
	"time"

	"proveout/harness/logs"
	"proveout/report/content"
	"proveout/report/document"
	"proveout/report/record"
	"proveout/report/seal/check"
	"proveout/report/seal/pdffile"
	"proveout/scoring"
)

// judging is what records are judged again by.
var judging = record.Judging{Score: scoring.Rescore, Files: logs.Files}

// Remake makes the pages of a certificate again from its record, for a program
// of that name and version. Pages of another version, or of the same built by
// another compiler, are to be compared by their values.
func Remake(e *record.Examiner, c check.Contents, tool string) ([]byte, error) {
	r, err := e.Record(c)
	if err != nil {
		return nil, err
	}
	if r.Tool != tool || r.Built != record.Built() || r.Schema != record.Schema {
		return e.Look(c)
	}
	jpegs, err := pdffile.JPEGs(c.Pages)
	if err != nil {
		return nil, err
	}
	d, err := e.Document(c, jpegs)
	if err != nil {
		return nil, err
	}
	paper, err := document.PaperNamed(r.Paper)
	if err != nil {
		return nil, err
	}
	pages, err := content.Build(d)
	if err != nil {
		return nil, err
	}
	var buf bytes.Buffer
	err = document.Write(&buf, d, pages, paper)
	return buf.Bytes(), err
}

// Verify looks at a certificate with all that this program can do: o says what
// is known of signers, e where log files are, tool what this program is. Made
// certificates take a fraction of a second; what takes longer than the limit is
// not good. On a computer that is busy with other things, the limit is of the
// processor time that this program gets.
func Verify(pdf []byte, o check.Options, e *record.Examiner, tool string, limit time.Duration) check.Report {
	e.Judging, e.Tool = judging, tool
	remake := func(c check.Contents) ([]byte, error) { return Remake(e, c, tool) }
	o.Further = append(e.Questions(remake), o.Further...)
	began := time.Now()
	before, _ := spent()
	timer := time.NewTimer(limit)
	defer timer.Stop()
	done := make(chan check.Report, 1)
	own := bytes.Clone(pdf) // a look that is given up on goes on reading
	go func() { done <- check.Verify(own, o) }()
	for {
		select {
		case r := <-done:
			return r
		case <-timer.C:
			now, known := spent()
			left := limit - (now - before)
			if !known || left < time.Millisecond || time.Since(began) >= mostBusy*limit {
				return check.TookTooLong()
			}
			timer.Reset(left)
		}
	}
}

// mostBusy is how many times the limit a look may take on a busy computer.
const mostBusy = 8
