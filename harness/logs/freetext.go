package logs

import (
	"bytes"
	"fmt"
	"regexp"
)

// A freeText finds the values of free text by the named groups of a regular
// expression. Lines that do not fit are not rows and not bad. A row without a
// time takes the time last stated above it.
type freeText struct {
	re    *regexp.Regexp
	group []int // of each column of the map
	split int   // group of the column that splits the runs; -1
}

func newFreeText(m *Map) (*freeText, error) {
	re, err := regexp.Compile(m.Pattern)
	if err != nil {
		return nil, fmt.Errorf("pattern: %w", err)
	}
	t := &freeText{re: re, split: -1}
	for _, col := range m.Columns {
		t.group = append(t.group, re.SubexpIndex(col.Header))
	}
	if m.Split.By == SplitColumn {
		if t.split = re.SubexpIndex(m.Split.Column); t.split < 0 {
			return nil, &Problem{
				File: "log map",
				What: fmt.Sprintf("the pattern has no group named %q, which splits the runs", m.Split.Column),
				Fix:  "add the group to the pattern",
			}
		}
	}
	return t, nil
}

func (t *freeText) cut(line []byte, out *fields) (row bool, bad *BadRow) {
	at := t.re.FindSubmatchIndex(line)
	if at == nil {
		return false, nil
	}
	of := func(group int) field {
		from, to := at[2*group], at[2*group+1]
		if from < 0 {
			return field{}
		}
		return field{bytes.TrimSpace(line[from:to]), from}
	}
	for c, group := range t.group {
		out.found[c] = of(group)
	}
	if t.split >= 0 {
		out.split = of(t.split).text
	}
	return true, nil
}
