package logs

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"proveout/harness/reading"
)

// tearing are ways in which programs write rows; whole says that the last row is
// shown to be whole when only its line end is missing.
var tearing = map[string]struct {
	head  string
	m     Map
	row   func(n int, v float64) string
	whole bool
}{
	"fixed decimals":   {"time_s,temp_c\n", Map{}, row("%d,%.1f"), true},
	"as short as may":  {"time_s,temp_c\n", Map{}, func(n int, v float64) string { return fmt.Sprintf("%d,%g", n, v) }, false},
	"quarters":         {"time_s,temp_c\n", Map{}, func(n int, v float64) string { return fmt.Sprintf("%d,%g", n, math.Round(v*4)/4) }, false},
	"whole degrees":    {"time_s,temp_c\n", Map{}, row("%d,%.0f"), true},
	"whole frames":     {"time_s,fps\n", Map{}, row("%d,%.0f"), false},
	"time last":        {"temp_c,time_s\n", Map{}, func(n int, v float64) string { return fmt.Sprintf("%.1f,%d", v, 95+n) }, false},
	"time of day last": {"temp_c,time\n", Map{}, func(n int, v float64) string { return fmt.Sprintf("%.1f,10:%02d:%02d", v, n/60, n%60) }, true},
	"quoted":           {"time_s,temp_c\n", Map{}, row("\"%d\",\"%.1f\""), true},
	"delimiter last":   {"time_s,temp_c\n", Map{}, row("%d,%.1f,"), true},
	"remark last":      {"time_s,temp_c,remark\n", Map{}, row("%d,%.1f,on the bench"), true},
	"exponents":        {"time_s,temp_c\n", Map{}, row("%d,%.3e"), false},
	"objects":          {"", Map{}, row(`{"time_s":%d,"temp_c":%.1f}`), true},
	"decimal comma": {"time_s;temp_c\n", Map{}, func(n int, v float64) string {
		return strings.Replace(fmt.Sprintf("%d;%.2f", n, v), ".", ",", 1)
	}, true},
	"free text": {"", Map{
		Format: Text, Pattern: `at (?P<t>\d+) s the die has (?P<temp>[0-9.]+)( C)?`,
		Columns: []Column{{Header: "t", Quantity: "time", Unit: "s"}, {Header: "temp", Quantity: "temperature", Unit: "C"}},
	}, row("at %d s the die has %.1f C"), true},
	"free text that ends in its value": {"", Map{
		Format: Text, Pattern: `at (?P<t>\d+) s the die has (?P<temp>[0-9.]+)`,
		Columns: []Column{{Header: "t", Quantity: "time", Unit: "s"}, {Header: "temp", Quantity: "temperature", Unit: "C"}},
	}, row("at %d s the die has %.1f"), true},
}

func row(format string) func(int, float64) string {
	return func(n int, v float64) string { return fmt.Sprintf(format, n, v) }
}

// rowsIn are the rows of a log, and whether it could be read.
func rowsIn(text string, m Map) (rows [][]float64, sum Summary, err error) {
	sum, err = Read("log", strings.NewReader(text), m, func(r reading.Row) error {
		rows = append(rows, slices.Clone(r.Values))
		return nil
	})
	return rows, sum, err
}

// However a file is cut, no value comes out that the whole file does not have.
func TestTornRowsGiveNoValue(t *testing.T) {
	for name, tt := range tearing {
		rnd := rand.New(rand.NewPCG(1, 2))
		var lines []string
		for n := range 30 {
			lines = append(lines, tt.row(n*3, 38+30*(1-math.Exp(-float64(n)/9))+rnd.NormFloat64()))
		}
		text := tt.head + strings.Join(lines, "\n") + "\n"
		whole, _, err := rowsIn(text, tt.m)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		for cut := len(tt.head); cut < len(text); cut++ {
			if cut > len(tt.head)+50 && cut < len(text)-80 {
				continue
			}
			rows, sum, err := rowsIn(text[:cut], tt.m)
			if err != nil {
				if len(rows) > 1 {
					t.Errorf("%s, cut at %d: %v", name, cut, err)
				}
				continue
			}
			if len(rows) > len(whole) || !slices.EqualFunc(rows, whole[:len(rows)], slices.Equal) {
				t.Fatalf("%s: of %q came %v", name, text[:cut], rows[len(rows)-1])
			}
			ended := strings.HasSuffix(text[:cut], "\n")
			if said := strings.Count(text[len(tt.head):cut], "\n") + 1; tt.m.Format != Text && !ended && len(rows) < said && sum.Torn == nil {
				t.Errorf("%s, cut at %d: a row is missing and nothing said", name, cut)
			}
		}
		rows, sum, err := rowsIn(strings.TrimSuffix(text, "\n"), tt.m)
		if got := len(rows) == len(whole); err != nil || got != tt.whole || got != (sum.Torn == nil) {
			t.Errorf("%s: the last row without a line end is whole: %v, %v", name, got, err)
		}
	}
}

// A torn row is no bad row that a map must allow, and is said.
func TestTornRowIsSetAside(t *testing.T) {
	const text = "time_s,temp_c\n0,20.5\n900,47.6\n1800,47.6\n2700,23.0,4"
	for _, tt := range []struct {
		text string
		rows int
		line int
	}{
		{text, 3, 5},
		{strings.TrimSuffix(text, ",4"), 3, 5}, // three rows do not show how the program writes
		{strings.Replace(text, "\n2700,23.0,4", "\n2700,4", 1), 3, 5},
		{strings.Replace(text, "\n2700,23.0,4", "\n2700,", 1), 3, 5},
		{strings.Replace(text, "\n2700,23.0,4", "\n27", 1), 3, 5},
		{strings.Replace(text, "\n2700,23.0,4", "\n2700,23.0\r", 1), 4, 0}, // half of CR LF
		{strings.Replace(text, "\n2700,23.0,4", "\n", 1), 3, 0},
		{"\xff\xfe" + wideText("time_s,temp_c\n0,20\n1,21"), 1, 3},
		{("\xff\xfe" + wideText("time_s,temp_c\n0,20\n1,21"))[:47], 1, 3}, // half of a character
	} {
		rows, sum, err := rowsIn(tt.text, Map{})
		line := 0
		if sum.Torn != nil {
			line = sum.Torn.Line
		}
		if err != nil || len(rows) != tt.rows || line != tt.line || sum.Bad != 0 {
			t.Errorf("%q: %d rows, torn on line %d, %d bad, %v", tt.text, len(rows), line, sum.Bad, err)
		}
	}
	if _, _, err := rowsIn("time_s,temp_c\n0,20", Map{}); err == nil || !strings.Contains(err.Error(), "no end") {
		t.Errorf("a log of one torn row: %v", err)
	}
}

func wideText(s string) string {
	var b strings.Builder
	for _, c := range []byte(s) {
		b.WriteByte(c)
		b.WriteByte(0)
	}
	return b.String()
}

// A list of failing addresses whose only row is torn is not one without failures.
func TestTornFailures(t *testing.T) {
	head := "address,written,read\n"
	var rows []string
	for n := range 12 {
		rows = append(rows, fmt.Sprintf("0x%08x,0xff,0x%02x", 64*n, 0xff&^(1<<(n%8))))
	}
	text := head + strings.Join(rows, "\n")
	whole, _, err := readFailures(text+"\n", FailureOptions{})
	if err != nil || len(whole) != len(rows) {
		t.Fatal(len(whole), err)
	}
	for cut := len(head); cut < len(text); cut++ {
		got, sum, err := readFailures(text[:cut], FailureOptions{})
		switch ended := strings.HasSuffix(text[:cut], "\n"); {
		case err != nil && len(got) > 0, err == nil && len(got) == 0 && cut > len(head):
			t.Fatalf("of %q came %d rows, %v", text[:cut], len(got), err)
		case err == nil && !ended && sum.Torn == nil && (len(got) < 9 || (cut-len(head)+1)%len(rows[0]+"\n") > 0):
			t.Errorf("cut at %d: nothing said", cut)
		}
		for i := range got {
			if got[i].Read != whole[i].Read || got[i].Address != whole[i].Address {
				t.Fatalf("of %q came %+v", text[:cut], got[i])
			}
		}
	}
	if got, sum, err := readFailures(text, FailureOptions{}); err != nil || len(got) != len(rows) || sum.Torn != nil {
		t.Errorf("whole, without a line end: %d rows, %+v, %v", len(got), sum.Torn, err)
	}
	for _, short := range []string{head + "0x10,0xff,0xf", head + "0x10", head + "0x00000010,0xff,0xfe"} {
		if got, _, err := readFailures(short, FailureOptions{}); err == nil {
			t.Errorf("%q gives %d failures and no error", short, len(got))
		}
	}
}
