package logs

import (
	"bufio"
	"fmt"
	"io"

	"proveout/harness/reading"
)

// FailureOptions say of a list of failing addresses what its text does not.
type FailureOptions = reading.FailureOptions

// A FailureSummary says what a list of failing addresses holds.
type FailureSummary struct {
	Rows int64 // read
	SetAside
	Bits    int // width of the values, unless a row has more digits
	Columns []reading.Column

	open    *Open // what the list leaves open
	uneven  int64 // rows whose address is none of a value of their width
	example reading.Failure
}

// Doubt asks what the list leaves open: whether its numbers are decimal, and
// whether addresses at which no value of its width can stand count bytes at all.
// What was recorded before is read without it.
func (s *FailureSummary) Doubt(name string) error {
	switch e := s.example; {
	case s.open != nil:
		return s.open
	case s.uneven > 0:
		return &Problem{
			File: name, Line: 1, Column: 1,
			What: fmt.Sprintf("in %d of %d rows the address, such as 0x%x, is none at which a value of %d bits can stand",
				s.uneven, s.Rows, e.Address, e.Bits),
			Fix: fmt.Sprintf("if addresses count such values, say so with --address-unit %d; if the values are "+
				"narrower than their digits, with --width BITS", e.Bits/8),
		}
	}
	return nil
}

// Record is the list as the job keeps it; o is what it was read with.
func (s *FailureSummary) Record(o FailureOptions) reading.Log {
	return reading.Log{Part: 1, Columns: s.Columns, Count: s.Rows, Bad: s.all(), Failures: &o}
}

// maxBadShare is the share of rows that may be unreadable before the list is
// refused as a whole: a closing remark is set aside, another kind of file is
// not taken for a list. Common practice, no source.
const maxBadShare = 0.01

// ReadFailures reads a list of failing addresses, gives its rows to each in the
// order of the file, and says what it holds. Messages call the list by name. A
// list may be separated by commas, semicolons, tabs, bars or blanks; its columns
// are found by their headers, and without a header they are address, written,
// read. Numbers are hexadecimal in the usual spellings. each may be nil; an
// error it returns ends the reading. Errors are of type *Problem where the list is at fault.
//
// The memory it takes does not depend on the length of the list.
func ReadFailures(
	name string, r io.Reader, o FailureOptions, each func(reading.Failure) error,
) (FailureSummary, error) {
	if err := checkWidth(o.Bits); err != nil {
		return FailureSummary{}, err
	}
	if o.Radix != 0 && o.Radix != 10 && o.Radix != 16 || o.Unit < 0 || o.Unit > 1<<20 {
		return FailureSummary{}, fmt.Errorf(
			"numbers of radix %d, addresses that count by %d bytes: neither is known", o.Radix, o.Unit)
	}
	in := bufio.NewReaderSize(r, sampleSize)
	s, err := peek(name, in)
	if err != nil {
		return FailureSummary{}, err
	}
	layout, problem := sniffFailures(name, s, o)
	if problem != nil {
		return FailureSummary{}, problem
	}
	sum := layout.summary()
	number := 0
	for line, err := range linesOf(name, in, layout.encoding) {
		if err != nil {
			return FailureSummary{}, err
		}
		if number++; number <= layout.first || layout.passesOver(line.text) {
			continue
		}
		row, at, what, fix := layout.row(line.text)
		if !line.ended && (what != "" || !layout.ends(line.text)) {
			torn := tornRow
			torn.Line, torn.Column = number, charAt(line.text, len(line.text))
			sum.Torn = &torn
			continue
		}
		if what != "" {
			sum.add(BadRow{Line: number, Column: charAt(line.text, at), What: what, Fix: fix})
			continue
		}
		layout.note()
		if layout.unit == 1 && row.Address%int64(row.Bits/8) != 0 {
			if sum.uneven++; sum.uneven == 1 {
				sum.example = row
			}
		}
		sum.Rows++
		if each == nil {
			continue
		}
		if err := each(row); err != nil {
			return FailureSummary{}, err
		}
	}
	sum.open = layout.open
	if problem := sum.unreadable(name); problem != nil {
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

// unreadable refuses a list of which too much cannot be read. One unreadable
// line may be a closing remark; a list of nothing else is none.
func (s *FailureSummary) unreadable(name string) *Problem {
	if s.Torn != nil && s.Rows == 0 {
		return s.Torn.problem(name)
	}
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
