package memory

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// A FailureFormat says how a plain list of failing addresses is written. The
// zero value takes the first three columns (address, written, read) or what a
// heading line says, all in hexadecimal, and infers the width of a value from
// its digits.
type FailureFormat struct {
	Bits    int    // width of a value; 0: from the most digits of the first lines
	Base    int64  // address of byte 0 of the memory in the list
	Columns []Role // what each column holds; nil: from the heading, or the default
}

// A Role is what a column of a list holds.
type Role int

// The roles of columns.
const (
	Ignored Role = iota
	AddressColumn
	WrittenColumn
	ReadColumn
	SecondsColumn
	CelsiusColumn
	PatternColumn
)

// A ListError is a line of a list that cannot be read.
type ListError struct {
	Line int64 // from 1
	What string
}

func (e *ListError) Error() string { return fmt.Sprintf("line %d: %s", e.Line, e.What) }

const (
	listBlock   = 256 << 10
	maxListLine = 4096
	maxListErrs = 20
)

// ReadList reads a plain text list of failing addresses into f: a row a line,
// columns separated by commas, semicolons, tabs or spaces, hexadecimal as
// "1f", "0x1F", "1fh" or "$1f", an optional heading, "#" before a remark. It
// streams: memory does not grow with the list. Lines it cannot read are
// reported together, and more than 20 of them end the reading.
func (f *Failures) ReadList(r io.Reader, format FailureFormat) error {
	l := listReader{f: f, format: format, row: Failure{Seconds: math.NaN(), Celsius: math.NaN()}}
	buf := make([]byte, listBlock)
	held := 0
	for {
		n, err := r.Read(buf[held:])
		held += n
		rest := buf[:held]
		for !l.full() {
			i := bytes.IndexByte(rest, '\n')
			if i < 0 {
				break
			}
			l.take(rest[:i])
			rest = rest[i+1:]
		}
		switch {
		case l.full():
			return l.problems("too many unreadable lines: ")
		case err == io.EOF:
			if len(rest) > 0 {
				l.take(rest)
			}
			return l.problems("")
		case err != nil:
			return errors.Join(l.problems(""), fmt.Errorf("reading the failure list: %w", err))
		case len(rest) >= maxListLine && len(rest) == held:
			return errors.Join(l.problems(""), &ListError{l.line + 1, "the line is longer than 4096 characters"})
		}
		held = copy(buf, rest)
	}
}

type listReader struct {
	f      *Failures
	format FailureFormat
	roles  []Role
	plain  bool // the roles are address, written, read
	line   int64
	errs   []error
	row    Failure
	digits int    // most digits of a value so far
	text   []byte // the pattern name of the row before
	name   string
}

func (l *listReader) full() bool { return len(l.errs) >= maxListErrs }

func (l *listReader) problems(prefix string) error {
	if len(l.errs) == 0 {
		return nil
	}
	if prefix != "" {
		return fmt.Errorf("%s%w", prefix, errors.Join(l.errs...))
	}
	return errors.Join(l.errs...)
}

func (l *listReader) problem(text string, args ...any) {
	l.errs = append(l.errs, &ListError{l.line, fmt.Sprintf(text, args...)})
}

// kindOf classes the bytes of a list: the value of a hexadecimal digit, a
// separator, or anything else.
var kindOf = [256]byte{
	'0': 16, '1': 1, '2': 2, '3': 3, '4': 4, '5': 5, '6': 6, '7': 7, '8': 8, '9': 9,
	'a': 10, 'b': 11, 'c': 12, 'd': 13, 'e': 14, 'f': 15, 'A': 10, 'B': 11, 'C': 12, 'D': 13, 'E': 14, 'F': 15,
	',': aSeparator, ';': aSeparator, '\t': aSeparator, ' ': aSeparator, '\r': aSeparator, '|': aSeparator,
}

// Classes beside the digits; the digit 0 is written as 16 so that bytes not in
// the table are 0.
const (
	aZero      = 16
	aSeparator = 32
)

func separator(c byte) bool { return kindOf[c] == aSeparator }

// three reads a line that begins with address, written and read value as plain
// or 0x-prefixed numbers: nearly every line of nearly every list.
func three(line []byte) (v [3]uint64, digits int, ok bool) {
	i := 0
	for k := range v {
		for i < len(line) && kindOf[line[i]] == aSeparator {
			i++
		}
		if i+1 < len(line) && line[i] == '0' && line[i+1]|0x20 == 'x' {
			i += 2
		}
		start, x := i, uint64(0)
		for i < len(line) {
			d := kindOf[line[i]]
			if d-1 > 15 {
				break
			}
			x = x<<4 | uint64(d&15)
			i++
		}
		n := i - start
		if n == 0 || n > 16 || i < len(line) && kindOf[line[i]] != aSeparator {
			return v, 0, false
		}
		v[k] = x
		if k > 0 && n > digits {
			digits = n
		}
	}
	return v, digits, true
}

// take reads one line.
func (l *listReader) take(line []byte) {
	l.line++
	if l.plain {
		if v, digits, ok := three(line); ok {
			l.digits = max(l.digits, digits)
			l.address(v[0])
			l.row.Written, l.row.Read = v[1], v[2]
			l.file()
			return
		}
	}
	i := 0
	for i < len(line) && separator(line[i]) {
		i++
	}
	if i == len(line) || line[i] == '#' {
		return
	}
	if l.roles == nil && l.begin(line) {
		return
	}
	seen := 0
	for column := 0; i < len(line) && column < len(l.roles); column++ {
		j := i
		for j < len(line) && !separator(line[j]) {
			j++
		}
		if role := l.roles[column]; role != Ignored {
			if !l.field(role, line[i:j]) {
				return
			}
			if role <= ReadColumn {
				seen |= 1 << uint(role)
			}
		}
		for i = j; i < len(line) && separator(line[i]); i++ {
		}
	}
	if seen != 1<<AddressColumn|1<<WrittenColumn|1<<ReadColumn {
		l.problem("address, written and read value are not all there")
		return
	}
	l.file()
}

// file hands the row on.
func (l *listReader) file() {
	l.row.Bits = l.format.Bits
	if l.row.Bits == 0 {
		l.row.Bits = widthOf(l.digits)
	}
	l.f.Add(&l.row)
}

func (l *listReader) address(v uint64) {
	l.row.Address = -1
	if v <= math.MaxInt64 {
		l.row.Address = int64(v) - l.format.Base
	}
}

// widthOf returns the width that so many hexadecimal digits speak of.
func widthOf(digits int) int {
	switch {
	case digits <= 2:
		return 8
	case digits <= 4:
		return 16
	case digits <= 8:
		return 32
	}
	return 64
}

// begin settles the columns; it reports true when the line was a heading.
func (l *listReader) begin(line []byte) bool {
	fields := strings.FieldsFunc(string(line[:min(len(line), maxListLine)]), func(r rune) bool { return r < 128 && separator(byte(r)) })
	l.roles = l.format.Columns
	named, found := make([]Role, len(fields)), 0
	for i, f := range fields {
		named[i] = roleOf(f)
		if r := named[i]; r == AddressColumn || r == WrittenColumn || r == ReadColumn {
			found |= 1 << uint(r)
		}
	}
	heading := found == 1<<AddressColumn|1<<WrittenColumn|1<<ReadColumn
	if l.roles == nil {
		l.roles = []Role{AddressColumn, WrittenColumn, ReadColumn}
		if heading {
			l.roles = named
		}
	}
	l.plain = slices.Equal(l.roles, []Role{AddressColumn, WrittenColumn, ReadColumn})
	return heading
}

// roleOf names the role of a heading.
func roleOf(heading string) Role {
	h := strings.ToLower(strings.Trim(heading, "\"'"))
	h, _, _ = strings.Cut(h, "_")
	h, _, _ = strings.Cut(h, "(")
	switch h {
	case "address", "addr", "offset":
		return AddressColumn
	case "written", "write", "wrote", "expected":
		return WrittenColumn
	case "read", "actual", "got":
		return ReadColumn
	case "time", "seconds", "t":
		return SecondsColumn
	case "temperature", "temp", "celsius":
		return CelsiusColumn
	case "pattern", "test":
		return PatternColumn
	}
	return Ignored
}

// field reads one column into the row.
func (l *listReader) field(role Role, b []byte) bool {
	switch role {
	case AddressColumn, WrittenColumn, ReadColumn:
		v, digits, ok := hexValue(b)
		if !ok {
			l.problem("%q is not a hexadecimal number", b[:min(len(b), 40)])
			return false
		}
		switch role {
		case AddressColumn:
			l.address(v)
		case WrittenColumn:
			l.row.Written = v
			l.digits = max(l.digits, digits)
		default:
			l.row.Read = v
			l.digits = max(l.digits, digits)
		}
	case SecondsColumn:
		l.row.Seconds = seconds(b)
	case CelsiusColumn:
		l.row.Celsius = math.NaN()
		if x, err := strconv.ParseFloat(string(b), 64); err == nil {
			l.row.Celsius = x
		}
	case PatternColumn:
		if !bytes.Equal(b, l.text) {
			l.text = append(l.text[:0], b...)
			l.name = string(b)
		}
		l.row.PatternName = l.name
	}
	return true
}

// hexValue reads a hexadecimal number in the usual spellings.
func hexValue(b []byte) (v uint64, digits int, ok bool) {
	switch {
	case len(b) > 2 && b[0] == '0' && b[1]|0x20 == 'x':
		b = b[2:]
	case len(b) > 1 && b[0] == '$':
		b = b[1:]
	case len(b) > 1 && b[len(b)-1]|0x20 == 'h':
		b = b[:len(b)-1]
	}
	if len(b) == 0 || len(b) > 16 {
		return 0, 0, false
	}
	for _, c := range b {
		d := kindOf[c]
		if d == 0 || d > aZero {
			return 0, 0, false
		}
		v = v<<4 | uint64(d&15)
	}
	return v, len(b), true
}

// seconds reads a time: seconds as a number, or RFC 3339. NaN when neither.
func seconds(b []byte) float64 {
	if x, err := strconv.ParseFloat(string(b), 64); err == nil {
		return x
	}
	if t, err := time.Parse(time.RFC3339Nano, string(b)); err == nil {
		return float64(t.UnixNano()) / 1e9
	}
	return math.NaN()
}
