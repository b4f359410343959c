package logs

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"proveout/harness/reading"
	"proveout/plans/document"
)

// TestNumbersAreThoseOfStrconv: the short way gives bit for bit what
// strconv.ParseFloat gives for the same text with the exponent shifted.
func TestNumbersAreThoseOfStrconv(t *testing.T) {
	check := func(text string, shift int) error {
		v, _, ok := parseNumber([]byte(text), '.', shift)
		mantissa, exp := text, 0
		if i := strings.IndexAny(text, "eE"); i >= 0 {
			mantissa = text[:i]
			exp, _ = strconv.Atoi(text[i+1:])
		}
		want, err := strconv.ParseFloat(fmt.Sprintf("%se%d", mantissa, exp+shift), 64)
		if (err == nil) != ok {
			return fmt.Errorf("%s: read %v, strconv says %v", text, ok, err)
		}
		if ok && math.Float64bits(v) != math.Float64bits(want) {
			return fmt.Errorf("%s × 10^%d is %b, want %b", text, shift, v, want)
		}
		return nil
	}
	for _, text := range []string{
		"0", "-0", "+1", ".5", "5.", "9007199254740993", "0.1", "123456789012345678", "1234567890123456789.25",
		"-0.000001", "1e22", "1e23", "8.5e-3", "4.9e-324", "1.7976931348623157e308", "179.5e400",
	} {
		for _, shift := range []int{0, -3, -6, -9, 3, 6, 9} {
			if err := check(text, shift); err != nil {
				t.Error(err)
			}
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringMatching(`[+-]?[0-9]{1,20}(\.[0-9]{0,20})?([eE][+-]?[0-9]{1,2})?`).Draw(t, "text")
		if err := check(text, rapid.IntRange(-9, 9).Draw(t, "shift")); err != nil {
			t.Fatal(err)
		}
	})
	for _, text := range []string{
		"", "-", ".", "1e", "e5", "0x10", "1_000", "inf", "nan", "1.2.3", "1,2", "--1", "１", "1 ", "1e+",
	} {
		if v, _, ok := parseNumber([]byte(text), '.', 0); ok {
			t.Errorf("%q was read as %g", text, v)
		}
	}
}

func TestDatesAreThoseOfPackageTime(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		unix := rapid.Int64Range(-62135596800, 253402300799).Draw(t, "unix")
		milliseconds := rapid.Int64Range(0, 999).Draw(t, "ms")
		zone := time.FixedZone("", 60*rapid.IntRange(-1439, 1439).Draw(t, "offset"))
		want := time.Unix(unix, milliseconds*1e6).In(zone)
		if want.Year() < 0 || want.Year() > 9999 {
			t.Skip("no four-digit year")
		}
		text := want.Format(time.RFC3339Nano)
		c, err := newClock(TimeDate)
		if err != nil {
			t.Fatal(err)
		}
		got, _, ok := c.read([]byte(text))
		if !ok || math.Abs(got-float64(want.Nanosecond())/1e9) > 1e-12 {
			t.Fatalf("%s: %g s from it, %v", text, got, ok)
		}
	})
}

// TestWhatIsWrittenIsRead writes random rows in a random dialect and reads them
// back, bit for bit and with the right line numbers.
func TestWhatIsWrittenIsRead(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		delim := rapid.SampledFrom([]string{",", ";", "\t", "|"}).Draw(t, "delimiter")
		decimal := "."
		if delim != "," && rapid.Bool().Draw(t, "comma") {
			decimal = ","
		}
		end := rapid.SampledFrom([]string{"\n", "\r\n"}).Draw(t, "end")
		m := Map{Format: Delimited, Encoding: UTF8, Delimiter: delim, Decimal: decimal, Header: 1, Columns: []Column{
			{Header: "elapsed", Quantity: "time", Unit: "s"},
			{Header: "frame", Quantity: "frame-time", Unit: "ms"},
			{Header: "die", Quantity: "temperature", Unit: "°C"},
		}}
		var b bytes.Buffer
		fmt.Fprint(&b, strings.Join([]string{"elapsed", "note", "frame", "die"}, delim), end)
		n := rapid.SampledFrom([]int{1, 7, 300, 300, 4000}).Draw(t, "rows")
		seed := rapid.Uint64().Draw(t, "seed")
		next := func(k uint64) uint64 {
			seed = seed*6364136223846793005 + 1442695040888963407
			return seed >> 33 % k
		}
		var want [3][]float64
		var lines []int64
		line, now := int64(1), 0.0
		number := func(v float64, places int) string {
			s := strconv.FormatFloat(v, 'f', places, 64)
			if next(9) == 0 {
				return `"` + strings.Replace(s, ".", decimal, 1) + `"`
			}
			return strings.Replace(s, ".", decimal, 1)
		}
		for range n {
			line++
			if next(50) == 0 {
				b.WriteString(end)
				line++
			}
			now += float64(next(1000)) / 100
			vals := [3]string{number(now, 2), number(float64(next(100000))/1000, 3), number(float64(next(2000))/10-50, 1)}
			if next(20) == 0 {
				vals[2] = ""
			}
			fmt.Fprint(&b, strings.Join([]string{vals[0], strings.Repeat("x", int(next(30))), vals[1], vals[2]}, delim), end)
			for c, s := range vals {
				s = strings.Replace(strings.Trim(s, `"`), decimal, ".", 1)
				v := math.NaN()
				if s != "" {
					if c == 1 {
						s += "e-3"
					}
					v, _ = strconv.ParseFloat(s, 64)
				}
				want[c] = append(want[c], v)
			}
			lines = append(lines, line)
		}
		i := 0
		sum, err := Read("x", &oddReader{&b, next}, m, func(row reading.Row) error {
			for c := range want {
				if !same(row.Values[c], want[c][i]) {
					return fmt.Errorf("row %d column %d: %g, want %g", i, c, row.Values[c], want[c][i])
				}
			}
			if row.Line != lines[i] {
				return fmt.Errorf("row %d stands on line %d, want %d", i, row.Line, lines[i])
			}
			i++
			return nil
		})
		all := func(v []float64) bool {
			for _, x := range v {
				if x == x {
					return false
				}
			}
			return true
		}
		if all(want[2]) {
			if err == nil {
				t.Fatal("an empty column was accepted")
			}
			return
		}
		if err != nil || i != n || sum.Count != int64(n) {
			t.Fatalf("%v: %d rows of %d, counted %d", err, i, n, sum.Count)
		}
	})
}

// oddReader gives what it reads in pieces of odd lengths.
type oddReader struct {
	b    *bytes.Buffer
	next func(uint64) uint64
}

func (o *oddReader) Read(p []byte) (int, error) {
	return o.b.Read(p[:min(len(p), 1+int(o.next(9000)))])
}

func TestMapsComeBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringMatching(`[ -~äΩ°]{1,12}`)
		m := Map{
			Format:    Delimited,
			Encoding:  rapid.SampledFrom([]Encoding{UTF8, UTF16LE, CodePage437, Windows1252}).Draw(t, "encoding"),
			Delimiter: rapid.SampledFrom([]string{";", "\t", "|"}).Draw(t, "delimiter"),
			Decimal:   rapid.SampledFrom([]string{".", ","}).Draw(t, "decimal"),
			Header:    rapid.IntRange(1, 40).Draw(t, "header"),
			MaxBad:    float64(rapid.IntRange(0, 400).Draw(t, "bad")) / 4,
			Columns: []Column{
				{Header: text.Draw(t, "a"), Quantity: "time", Time: TimeClock},
				{Header: text.Draw(t, "b"), Quantity: "temperature", Unit: "°C", Place: "die"},
			},
			Split: Split{By: SplitMarker, Marker: text.Draw(t, "marker")},
		}
		var b bytes.Buffer
		m.Write(&b)
		got, problems := ParseMap("m.toml", b.Bytes())
		if len(problems) > 0 {
			t.Fatalf("%v\n%s", problems[0], b.String())
		}
		if d := cmp.Diff(m, got); d != "" {
			t.Fatal(d)
		}
	})
}

func TestMapProblems(t *testing.T) {
	const fps = "\n[[column]]\nheader = \"t\"\nquantity = \"fps\"\n"
	const delimited, objects = `format = "delimited"`, `format = "json-lines"`
	column := func(keys ...string) string { return "\n[[column]]\n" + strings.Join(keys, "\n") + "\n" }
	for _, tt := range []struct{ text, want string }{
		{`format = `, "m.toml:1:10: format: the value is missing"},
		{fps, "m.toml:1:1: format: missing"},
		{delimited, "m.toml:1:1: column: missing"},
		{delimited + "\n" + `encodng = "utf-8"` + fps, "m.toml:2:1: encodng: unknown key"},
		{delimited + fps + column(`header = "u"`, `  quantty = "fps"`), "m.toml:8:3: column.quantty: unknown key"},
		{`format = "delimitd"` + fps, `m.toml:1:10: format: "delimitd" is not known here`},
		{delimited + column(`header = "t"`, `quantity = "temperature"`),
			"m.toml:2:1: column.unit: a temperature needs a unit"},
		{delimited + column(`header = "t"`, `quantity = "temperature"`, `unit = "MHz"`),
			`m.toml:5:8: column.unit: a temperature cannot be in "MHz"`},
		{delimited + column(`header = "t"`, `quantity = "warmth"`),
			`m.toml:4:12: column.quantity: "warmth" is not known here`},
		{delimited + "\n" + `decimal = ","` + fps, `m.toml:2:11: decimal: delimiter and decimal sign are both ","`},
		{delimited + "\n" + `header = "one"` + fps, "m.toml:2:10: header: expected a number, found text"},
		{delimited + "\n" + `column = 5`, "m.toml:2:1: column: expected a list of tables, found a number"},
		{delimited + "\n" + `column = []`, "m.toml:2:10: column: no column holds a value"},
		{delimited + "\n" + `split = "column"` + fps, "m.toml:2:9: split: expected a table, found text"},
		{delimited + "\nmax_bad_percent = 101" + fps,
			"m.toml:2:19: max_bad_percent: a share of 101 % is not possible"},
		{`format = "text"` + "\n" + `pattern = "("` + fps, "m.toml:2:11: pattern: error parsing regexp"},
		{`format = "text"` + "\n" + `pattern = "(?P<u>.)"` + fps,
			`m.toml:4:10: column.header: the pattern has no group named "t"`},
		{objects + column(`header = "t"`, `quantity = "time"`), "m.toml:2:1: column: no column holds a value"},
		{objects + fps + "[split]\n" + `by = "moon"`, `m.toml:6:6: split.by: "moon" is not known here`},
		{objects + fps + "[split]\n" + `by = "marker"`, `m.toml:5:1: split.marker: the split names no marker`},
		{objects + fps + "[split]\n" + `by = "time-back"`,
			"m.toml:6:6: split.by: a split where the time goes back needs a time"},
		{objects + column(`header = "t"`, `quantity = "time"`, `time = "soon"`) + fps,
			`m.toml:5:8: column.time: time layout "soon" must hold`},
		{objects + fps + column(`header = "b"`, `quantity = "fps"`),
			"m.toml:8:12: column.quantity: columns 1 and 2 are both the fps"},
	} {
		_, problems := ParseMap("m.toml", []byte(tt.text))
		found := slices.ContainsFunc(problems, func(p document.Problem) bool {
			return strings.HasPrefix(p.Headline(), tt.want)
		})
		if !found {
			t.Errorf("%s:\n%v\nwant %s", tt.text, document.AsError(problems), tt.want)
		}
	}
}

func FuzzMap(f *testing.F) {
	f.Add([]byte("format = \"delimited\"\n[[column]]\nheader=\"t\"\nquantity=\"fps\"\n[split]\nby='header'"))
	f.Fuzz(func(t *testing.T, data []byte) {
		m, p := ParseMap("m", data)
		if len(p) > 0 {
			return
		}
		var b bytes.Buffer
		m.Write(&b)
		if again, p := ParseMap("m", b.Bytes()); len(p) > 0 || !cmp.Equal(m, again) {
			t.Fatalf("%v\n%s", p, b.String())
		}
	})
}

// FuzzRead: any bytes are read to the end or refused with a place; the rows that
// are delivered are those that are counted.
func FuzzRead(f *testing.F) {
	for _, s := range []string{
		"time_s,temp_c\n0,20\n1,21\n", "{\"temp_c\":1}\n", "\xff\xfet\x00", "time;fps\n10:00:00;1,5\n",
		"a\tfps\n\"x\"\t1\n", "time,temp_c\n2026-01-01T00:00:00Z,1\n", ";\nf;",
	} {
		f.Add([]byte(s), uint8(0))
	}
	f.Fuzz(func(t *testing.T, data []byte, bad uint8) {
		m, err := Settle("x", bytes.NewReader(data), Map{}, Hints{})
		var p *Problem
		if err != nil {
			if !errors.As(err, &p) || p.Line < 1 {
				t.Fatalf("no place: %v", err)
			}
			if len(m.Columns) == 0 {
				return
			}
		}
		m.MaxBad = float64(bad % 101)
		var rows, last int64
		sum, err := Read("x", bytes.NewReader(data), m, func(row reading.Row) error {
			rows++
			if row.Line <= last {
				t.Fatalf("line %d behind line %d", row.Line, last)
			}
			last = row.Line
			return nil
		})
		if err != nil {
			if !errors.As(err, &p) {
				t.Fatalf("not a problem: %v", err)
			}
			return
		}
		if rows != sum.Count {
			t.Fatalf("%d rows, counted %d", rows, sum.Count)
		}
		for _, c := range sum.Columns {
			if math.IsInf(c.Resolution, 0) || c.Resolution < 0 {
				t.Fatalf("one step of %g", c.Resolution)
			}
		}
	})
}
