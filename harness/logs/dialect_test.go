package logs

import (
	"bytes"
	"encoding/binary"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/text/encoding/charmap"

	"proveout/harness/reading"
)

// table collects all rows of a log.
type collected struct {
	runs  []int
	lines []int64
	cols  map[string][]float64
}

func collect(t *testing.T, data []byte, m Map) (Summary, collected, error) {
	t.Helper()
	got := collected{cols: map[string][]float64{}}
	var columns [][]float64
	sum, err := Read("log", bytes.NewReader(data), m, func(row reading.Row) error {
		got.runs = append(got.runs, row.Run)
		got.lines = append(got.lines, row.Line)
		columns = append(columns, make([][]float64, len(row.Values)-len(columns))...)
		for c, v := range row.Values {
			columns[c] = append(columns[c], v)
		}
		return nil
	})
	if err != nil {
		return sum, got, err
	}
	for c, col := range sum.Columns {
		got.cols[col.Name] = columns[c]
	}
	return sum, got, nil
}

func utf16Bytes(order binary.AppendByteOrder, text string) []byte {
	var b []byte
	for _, u := range utf16.Encode([]rune(text)) {
		b = order.AppendUint16(b, u)
	}
	return b
}

func codePage(t *testing.T, c *charmap.Charmap, text string) []byte {
	t.Helper()
	b, err := c.NewEncoder().Bytes([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestDialects writes one log in every way it may come and reads the same rows
// from each. The code pages are those of golang.org/x/text, which generates them
// from the tables at encoding.spec.whatwg.org and unicode.org.
func TestDialects(t *testing.T) {
	want := map[string][]float64{
		"time": {0, 1.5, 3}, "temperature": {20.25, 21, -3.5}, "ambient": {21.5, math.NaN(), 21.6},
	}
	comma := "Time [s],Core temp [°C],Raum/Ambient (°C),Gerät\n0,20.25,21.5,x\n1.5,21,,y\n3.0,-3.50,21.6,z\n"
	comma = strings.Replace(comma, "Raum/Ambient", "Ambient", 1)
	german := strings.NewReplacer(",", ";", ".", ",").Replace(comma)
	tab := strings.ReplaceAll(comma, ",", "\t")
	crlf := strings.ReplaceAll(comma, "\n", "\r\n")
	quoted := `"Time [s]","Core temp [°C]","Ambient (°C)","Say ""x"", y"
"0","20.25","21.5","a,b"
1.5, 21 ,n/a,
"3.0",-3.50,+21.6,""""
`
	units := "Time,Core temp,Ambient,Note\ns,[°C],°C,\n0,20.25,21.5,x\n1.5,21,,y\n3.0,-3.50,21.6,z\n"
	objects := `{"time_s":0,"core_temp_c":20.25,"ambient_c":"21.5","deep":{"temp_c":[1,{}]}}` + "\r\n\n" +
		`{"core_temp_c":2.1e1,"time_s":1.5,"ambient_c":null}` + "\n" +
		`{"time_s":3,"core\u005ftemp_c":-3.5,"ambient_c":21.6}`
	for _, tt := range []struct {
		name     string
		data     []byte
		encoding Encoding
	}{
		{"comma", []byte(comma), UTF8},
		{"byte order mark", []byte("\ufeff" + comma), UTF8},
		{"semicolon, decimal comma", []byte(german), UTF8},
		{"tab", []byte(tab), UTF8},
		{"tab, decimal comma", []byte(strings.ReplaceAll(german, ";", "\t")), UTF8},
		{"carriage returns", []byte(crlf), UTF8},
		{"no line feed at the end", []byte(strings.TrimSuffix(comma, "\n")), UTF8},
		{"blank lines", []byte(strings.ReplaceAll(crlf, "\r\n1", "\r\n\r\n \r\n1")), UTF8},
		{"quotes", []byte(quoted), UTF8},
		{"units below the header", []byte(units), UTF8},
		{"remarks", []byte(strings.ReplaceAll(comma, "\n1", "\n# fan on\n1")), UTF8},
		{"lines above the header", []byte("Bench log 3\nstarted by hand, all well\n\n" + comma), UTF8},
		{"UTF-16 LE with mark", utf16Bytes(binary.LittleEndian, "\ufeff"+german), UTF16LE},
		{"UTF-16 BE with mark", utf16Bytes(binary.BigEndian, "\ufeff"+crlf), UTF16BE},
		{"UTF-16 LE without mark", utf16Bytes(binary.LittleEndian, comma), UTF16LE},
		{"UTF-16 BE without mark", utf16Bytes(binary.BigEndian, comma), UTF16BE},
		{"Windows 1252", codePage(t, charmap.Windows1252, german), Windows1252},
		{"code page 850", codePage(t, charmap.CodePage850, german), CodePage850},
		{"code page 437", codePage(t, charmap.CodePage437, strings.Replace(german, "Gerät", "Ωσ┤", 1)), ""},
		{"JSON lines", []byte(objects), UTF8},
	} {
		t.Run(tt.name, func(t *testing.T) {
			sum, got, err := collect(t, tt.data, Map{})
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(want, got.cols, cmp.Comparer(same)); d != "" {
				t.Error(d)
			}
			if tt.encoding != "" && sum.Map.Encoding != tt.encoding {
				t.Errorf("encoding %s, want %s", sum.Map.Encoding, tt.encoding)
			}
			// the map of the sniffer, written and read again, reads the same
			var b bytes.Buffer
			if err := sum.Map.Write(&b); err != nil {
				t.Fatal(err)
			}
			m, problems := ParseMap("m.toml", b.Bytes())
			if len(problems) > 0 {
				t.Fatal(problems[0], b.String())
			}
			if d := cmp.Diff(sum.Map, m); d != "" {
				t.Error(d)
			}
		})
	}
}

func same(a, b float64) bool { return a == b || (a != a && b != b) }

func TestHeaders(t *testing.T) {
	for _, tt := range []struct{ header, quantity, unit, place string }{
		{"temp_c", "temperature", "°C", ""},
		{"Core temp [°C]", "temperature", "°C", "die"},
		{"CoreTempC", "temperature", "°C", "die"},
		{"GPU Temperature (degC)", "temperature", "°C", "die"},
		{"heatsink_temp_f", "temperature", "°F", "heatsink"},
		{"case temperature / K", "temperature", "K", "case"},
		{"Board °C", "temperature", "°C", "board"},
		{"memory_temp_c", "memory-temperature", "°C", ""},
		{"ambient_c", "ambient", "°C", ""},
		{"Room temperature [°C]", "ambient", "°C", ""},
		{"frame_ms", "frame-time", "ms", ""},
		{"Frame time (ms)", "frame-time", "ms", ""},
		{"frametime_us", "frame-time", "µs", ""},
		{"FrameTimeMs", "frame-time", "ms", ""},
		{"fps", "fps", "", ""},
		{"FPS", "fps", "", ""},
		{"frames per second", "fps", "", ""},
		{"frame rate [1/s]", "fps", "1/s", ""},
		{"avg fps", "fps", "", ""},
		{"elapsed_s", "time", "s", ""},
		{"time", "time", "", ""},
		{"Time [ms]", "time", "ms", ""},
		{"timestamp", "time", "", ""},
		{"elapsed [min]", "time", "min", ""},
		{"power_w", "power", "W", ""},
		{"Board power [W]", "power", "W", ""},
		{"core_clock_mhz", "core-clock", "MHz", ""},
		{"CoreClockMHz", "core-clock", "MHz", ""},
		{"Memory clock (MHz)", "memory-clock", "MHz", ""},
		{"busy_percent", "busy", "%", ""},
		{"Load [%]", "busy", "%", ""},
		{"fan_rpm", "fan-speed", "rpm", ""},
		{"Fan [%]", "fan-duty", "%", ""},
		{"core_voltage_mv", "voltage", "mV", ""},
		{"current [A]", "current", "A", ""},
		{"score", "score", "", ""},
		{"frames", "frames", "", ""},
		// and those that must not be taken for something they are not
		{"cpu_temp_c", "", "", ""},
		{"disk temp [°C]", "", "", ""},
		{"temp", "temperature", "", ""}, // its unit is found out or asked for
		{"clock_mhz", "", "", ""},
		{"frame", "", "", ""},
		{"phase", "", "", ""},
		{"temp_mhz", "", "", ""},
		{"", "", "", ""},
		{"c", "", "", ""},
	} {
		if g := recognise(tt.header); g.quantity != tt.quantity || g.unit != tt.unit || g.place != tt.place {
			t.Errorf("%q is %+v, want %s %s %s", tt.header, g, tt.quantity, tt.unit, tt.place)
		}
	}
}

func TestUnits(t *testing.T) {
	// Degree Fahrenheit and kelvin: NIST SP 811 (2008), appendix B.8 and B.9; the
	// rest are decimal prefixes and minutes.
	log := "time_min,temp_f,ambient_k,frame_us,core_clock_mhz,fan_rpm,busy_percent,power_mw\n" +
		"0,212,273.15,16666,137,1200,95,2500\n" +
		"1.5,32,300.15,16667,137,1230,9.5,2501\n"
	sum, got, err := collect(t, []byte(log), Map{})
	if err != nil {
		t.Fatal(err)
	}
	want := map[string][]float64{
		"time": {0, 90}, "temperature": {100, 0}, "ambient": {0, 27}, "frame-time": {0.016666, 0.016667},
		"core-clock": {137e6, 137e6}, "fan-speed": {20, 20.5}, "busy": {0.95, 0.095}, "power": {2.5, 2.501},
	}
	near := func(a, b float64) bool { return math.Abs(a-b) < 1e-12*max(1, math.Abs(a)) }
	if d := cmp.Diff(want, got.cols, cmp.Comparer(near)); d != "" {
		t.Error(d)
	}
	steps := map[string]float64{
		"time": 6, "temperature": 5.0 / 9, "ambient": 0.01, "frame-time": 1e-6,
		"core-clock": 1e6, "fan-speed": 1.0 / 60, "busy": 0.001, "power": 0.001,
	}
	for _, c := range sum.Columns {
		if !near(c.Resolution, steps[c.Name]) {
			t.Errorf("one step of %s is %g, want %g", c.Name, c.Resolution, steps[c.Name])
		}
	}
}

func TestResolutionOfPaddedDigits(t *testing.T) {
	var few, many strings.Builder
	few.WriteString("temp_c\n20.0\n21.0\n")
	many.WriteString("temp_c\n")
	for i := range 40 {
		many.WriteString([]string{"20.0\n", "21.0\n"}[i%2])
	}
	for _, tt := range []struct {
		log  string
		want float64
	}{{few.String(), 0.1}, {many.String(), 1}, {many.String() + "20.5\n", 0.1}, {many.String() + "\"20.25\"\n", 0.01}} {
		sum, _, err := collect(t, []byte(tt.log), Map{})
		if err != nil || sum.Columns[0].Resolution != tt.want {
			t.Errorf("%v: one step is %g, want %g", err, sum.Columns[0].Resolution, tt.want)
		}
	}
}

func TestTimes(t *testing.T) {
	for _, tt := range []struct {
		name, log, form string
		want            []float64
	}{
		{"RFC 3339", "time,temp_c\n2026-03-29T01:59:59.5+01:00,20\n" +
			"2026-03-29T03:00:00.25+02:00,21\n2026-03-29T01:00:02Z,22\n", TimeDate, []float64{0, 0.75, 2.5}},
		{"date and time", "timestamp,temp_c\n2024-02-28 23:59:58,20\n2024-02-29 00:00:01,21\n", TimeDate, []float64{0, 3}},
		{"a leap second", "timestamp,temp_c\n2016-12-31 23:59:58Z,20\n2016-12-31 23:59:60Z,21\n2017-01-01 00:00:01Z,22\n", TimeDate, []float64{0, 2, 3}},
		{"over midnight", "Time,temp_c\n23:59:58.5,20\n0:00:01,21\n00:00:02,22\n", TimeClock, []float64{0, 2.5, 3.5}},
		{"day first", "time;temp_c\n31.12.2025 23:59:59;20\n01.01.2026 00:00:00,5;21\n", "DD.MM.YYYY hh:mm:ss",
			[]float64{0, 1.5}},
		{"minutes", "elapsed,temp_c\n00:59.5,20\n01:00.5,21\n", "mm:ss", []float64{59.5, 60.5}},
		{"seconds beside a clock", "timestamp,elapsed_s,temp_c\n10:00:00,4,20\n10:00:01,5,21\n", "", []float64{4, 5}},
		{"epoch in ms", "timestamp_ms,temp_c\n1774000000123,20\n1774000000623,21\n", "",
			[]float64{1774000000.123, 1774000000.623}},
	} {
		sum, got, err := collect(t, []byte(tt.log), Map{})
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
			continue
		}
		if d := cmp.Diff(tt.want, got.cols["time"]); d != "" {
			t.Errorf("%s: %s", tt.name, d)
		}
		if f := sum.Map.Columns[0].Time; f != tt.form && tt.form != "" {
			t.Errorf("%s: read as %q", tt.name, f)
		}
	}
}

func TestRuns(t *testing.T) {
	two := "t,fps,run\n0,60,a\n1,61,a\n0,50,b\n2,51,b\n"
	two = strings.Replace(two, "t,", "time_s,", 1)
	base := Map{Format: Delimited, Encoding: UTF8, Delimiter: ",", Decimal: ".", Header: 1,
		Columns: []Column{{Header: "time_s", Quantity: "time"}, {Header: "fps", Quantity: "fps"}}}
	for _, tt := range []struct {
		name, log string
		split     Split
	}{
		{"column", two, Split{By: SplitColumn, Column: "run"}},
		{"time back", two, Split{By: SplitBack}},
		{"marker", strings.Replace(two, "0,50", "=== begin ===\n0,50", 1), Split{By: SplitMarker, Marker: "=== begin"}},
		{"marker first", "time_s,fps,run\nrun 1\n0,60,a\n1,61,a\nrun 2\nrun 2 again\n0,50,b\n2,51,b\nrun 3\n",
			Split{By: SplitMarker, Marker: "run "}},
		{"header", strings.Replace(two, "0,50", "time_s,fps,run\n0,50", 1), Split{By: SplitHeader}},
	} {
		m := base
		m.Split = tt.split
		if m.Split.Marker == "run " {
			tt.log = strings.Replace(tt.log, "time_s,fps,run", "time_s,fps,which", 1)
		}
		sum, got, err := collect(t, []byte(tt.log), m)
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
			continue
		}
		if d := cmp.Diff([]int{1, 1, 2, 2}, got.runs); d != "" {
			t.Errorf("%s: %s", tt.name, d)
		}
		if len(sum.Runs) != 2 || sum.Runs[0].Seconds != 1 || sum.Runs[1].Seconds != 2 || sum.Runs[1].Count != 2 {
			t.Errorf("%s: %+v", tt.name, sum.Runs)
		}
	}
}

func TestFreeText(t *testing.T) {
	text := "session opened\nt=00:00:10 sensors:\n  temp: 55,5 C\n  fan ok\n  rate 61 frames\n" +
		"t=00:00:20 sensors:\n  temp: 56 C\n  rate 60 frames\n"
	m := Map{Format: Text, Encoding: UTF8, Decimal: ",",
		Pattern: `^t=(?P<at>\S+)|temp: (?P<temp>[0-9,]+)|rate (?P<rate>\S+)`,
		Columns: []Column{
			{Header: "at", Quantity: "time", Time: TimeClock},
			{Header: "temp", Quantity: "temperature", Unit: "°C", Place: "die"},
			{Header: "rate", Quantity: "fps"},
		}}
	sum, got, err := collect(t, []byte(text), m)
	if err != nil {
		t.Fatal(err)
	}
	nan := math.NaN()
	want := map[string][]float64{"time": {0, 0, 10, 10}, "temperature": {55.5, nan, 56, nan}, "fps": {nan, 61, nan, 60}}
	if d := cmp.Diff(want, got.cols, cmp.Comparer(same)); d != "" {
		t.Error(d)
	}
	if d := cmp.Diff([]int64{3, 5, 7, 8}, got.lines); d != "" || sum.Runs[0].Seconds != 10 {
		t.Error(d, sum.Runs)
	}
}

func TestBadRowsUnderALimit(t *testing.T) {
	m, err := Settle("x", strings.NewReader("time_s,temp_c\n0,20\n"), Map{}, Hints{})
	if err != nil {
		t.Fatal(err)
	}
	log := "time_s,temp_c\n0,20\n1,oops\n2,21\n1.5,22\n3,23\n4,24,9\n5,25\n"
	m.MaxBad = 50
	sum, got, err := collect(t, []byte(log), m)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff([]float64{20, 21, 23, 25}, got.cols["temperature"]); d != "" || sum.Bad != 3 || sum.Count != 4 {
		t.Error(d, sum.Bad)
	}
	var at []int
	for _, b := range sum.BadRows {
		at = append(at, b.Line, b.Column)
	}
	if d := cmp.Diff([]int{3, 3, 5, 1, 7, 6}, at); d != "" {
		t.Error(d)
	}
	m.MaxBad = 40
	_, _, err = collect(t, []byte(log), m)
	if err == nil || !strings.Contains(err.Error(), "3 of 7 rows are bad, more than the 40 % the map allows") {
		t.Error(err)
	}
}

// TestRealRecording reads the recordings in testdata/logs/real and compares with
// a plain reading of the same text.
func TestRealRecording(t *testing.T) {
	data, err := os.ReadFile("../../testdata/logs/real/server-card-part-load.csv")
	if err != nil {
		t.Fatal(err)
	}
	sum, got, err := collect(t, data, Map{})
	if err != nil {
		t.Fatal(err)
	}
	if sum.Count != 151 || len(sum.Columns) != 7 || sum.Runs[0].Seconds != 150.03 ||
		len(sum.Ignored) != 1 || sum.Ignored[0].Header != "phase" {
		t.Errorf("%+v", sum)
	}
	if c := sum.Columns[1]; c.Name != "temperature" || c.Place != "die" || c.Unit != "°C" || c.Resolution != 1 {
		t.Errorf("%+v", c)
	}
	lines := strings.Split(strings.TrimSpace(string(data)), "\n")[1:]
	for i, l := range lines {
		f := strings.Split(l, ",")
		for k, name := range map[int]string{0: "time", 2: "temperature", 3: "power", 7: "memory-temperature"} {
			if v := got.cols[name][i]; v != parse(t, f[k]) {
				t.Fatalf("row %d, %s: %g, file %s", i, name, v, f[k])
			}
		}
	}
}

func parse(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}
