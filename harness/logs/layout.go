package logs

import (
	"fmt"
	"io"
	"slices"
	"strings"
)

// layout reads the beginning of a delimited log whose header a person knows:
// it returns encoding, delimiter, decimal sign and line of the header that
// holds all the given names. The map has no columns yet.
func layout(name string, r io.Reader, headers []string) (Map, error) {
	s, err := sampleOf(name, r)
	if err != nil {
		return Map{}, err
	}
	m := Map{Format: Delimited, Encoding: detectEncoding(s.bytes)}
	lines := s.lines(m.Encoding)
	for i, line := range lines[:min(len(lines), headerLines)] {
		for _, delim := range []byte(",;\t| ") {
			fields := fieldsOf(line, delim)
			names := texts(fields)
			if fields == nil || slices.ContainsFunc(headers, func(h string) bool { return !slices.Contains(names, h) }) {
				continue
			}
			m.Header, m.Delimiter, m.Decimal = i+1, string(delim), sniffDecimal(lines[i+1:], delim)
			return m, nil
		}
	}
	return m, &Problem{
		File: name,
		What: fmt.Sprintf("no line near the beginning has the columns %s", strings.Join(headers, ", ")),
		Fix:  "write the names as the header of the log has them",
	}
}
