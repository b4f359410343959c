package logs

import (
	"bytes"
	"fmt"

	"proveout/harness/reading"
)

// FailureOptions say of a list of failing addresses what its text does not.
type FailureOptions = reading.FailureOptions

// A FailureSummary says what a list of failing addresses holds.
type FailureSummary struct {
	Rows    int64    // read
	Bad     int64    // set aside
	BadRows []BadRow // the first of them
	Bits    int      // width of the values, unless a row has more digits
	Columns []reading.Column
	lines   int64 // of the file
}

// Record is the list as the job keeps it; o is what it was read with.
func (s *FailureSummary) Record(o FailureOptions) reading.Log {
	return reading.Log{Part: 1, Columns: s.Columns, Count: s.Rows, Bad: s.Bad, Failures: &o}
}

// maxBadShare is the share of rows that may be unreadable before the list is
// refused as a whole: a closing remark is set aside, another kind of file is
// not taken for a list. Common practice, no source.
const maxBadShare = 0.01

// ReadFailures reads a list of failing addresses, gives its rows to each in the
// order of the file, and says what it holds. A list may be separated by commas,
// semicolons, tabs, bars or blanks; its columns are found by their headers, and
// without a header they are address, written, read. Numbers are hexadecimal in
// the usual spellings. each may be nil; the rows it is given are valid until it
// returns, and an error it returns ends the reading. Errors are of type
// *Problem where the list is at fault.
//
// The memory it takes does not depend on the length of the list: blocks are
// parsed on as many processors as there are, while each takes in the rows
// before.
func ReadFailures(in Input, o FailureOptions, each func([]reading.Failure) error) (FailureSummary, error) {
	if err := checkWidth(o.Bits); err != nil {
		return FailureSummary{}, err
	}
	file := newTap(in)
	s, err := file.sample()
	if err != nil {
		return FailureSummary{}, err
	}
	layout, problem := sniffFailures(in.Name, s, o)
	if problem != nil {
		return FailureSummary{}, problem
	}
	lines := file.lines(layout.encoding)
	first := newBlock[failureRows]()
	if lines.fill(&first.piece); first.err != nil {
		return FailureSummary{}, first.err
	}
	first.text = bytes.TrimPrefix(first.text, byteOrderMark)
	sum := layout.summary()
	for range layout.first {
		if len(first.text) > 0 {
			_, first.text = cutLine(first.text)
			sum.lines++
		}
	}
	err = inBlocks(lines, first, layout.parse, func(b *block[failureRows]) error {
		sum.add(&b.out)
		if each == nil || len(b.out.rows) == 0 {
			return nil
		}
		return each(b.out.rows)
	})
	if err != nil {
		return FailureSummary{}, placed(err, sum.lines+1)
	}
	if problem := sum.unreadable(in.Name); problem != nil {
		return FailureSummary{}, problem
	}
	return sum, nil
}

func checkWidth(bits int) error {
	switch bits {
	case 0, 8, 16, 32, 64:
		return nil
	}
	return fmt.Errorf("values of %d bits: the width is 8, 16, 32 or 64", bits)
}

// add counts the rows of the next block.
func (s *FailureSummary) add(r *failureRows) {
	for _, bad := range r.bad {
		if len(s.BadRows) < keptBad {
			bad.Line += s.lines + 1
			s.BadRows = append(s.BadRows, bad)
		}
	}
	s.Bad += r.badCount
	s.Rows += int64(len(r.rows))
	s.lines += r.lines
}

// unreadable refuses a list of which too much cannot be read. One unreadable
// line may be a closing remark; a list of nothing else is none.
func (s *FailureSummary) unreadable(name string) *Problem {
	few := s.Bad == 1 || float64(s.Bad) <= maxBadShare*float64(s.Rows+s.Bad)
	if s.Bad == 0 || s.Rows > 0 && few {
		return nil
	}
	p := s.BadRows[0].problem(name)
	if s.Bad > 1 {
		p.What += fmt.Sprintf("; and %d more rows cannot be read", s.Bad-1)
	}
	return p
}
