package logs

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"proveout/harness/reading"
)

// rowsOf writes n rows of a log below its header.
func rowsOf(head string, n int, row func(i int) string) string {
	var b strings.Builder
	b.WriteString(head + "\n")
	for i := range n {
		b.WriteString(row(i) + "\n")
	}
	return b.String()
}

// What a log leaves open is found out only where its rows are certain. For each
// log, what the time (or the frame times) of its last row is in s, or which
// question is asked. (The cases by hand.)
func TestSettle(t *testing.T) {
	f := fmt.Sprintf
	warm := func(i int) float64 { return 23 + 20*(1-math.Exp(-float64(i)/20)) }
	for _, tt := range []struct {
		name, log, quantity string
		last                float64
		asked               string
	}{
		{"seconds nobody named", rowsOf("time,temp_c", 30, func(i int) string { return f("%d,%.1f", i, warm(i)) }), "time", 0, "time=s"},
		{"milliseconds nobody named", rowsOf("time,temp_c", 30, func(i int) string { return f("%d,%.1f", 1000*i, warm(i)) }), "time", 0, "time=s"},
		{"minutes nobody named", rowsOf("elapsed,temp_c", 61, func(i int) string { return f("%d,%.1f", i, warm(i)) }), "time", 0, "time=s"},
		{"a clock beside", rowsOf("time,clock time,temp_c", 30, func(i int) string {
			return f("%d,10:00:%02d,%.1f", 1000*i, i, warm(i))
		}), "time", 0, ""},
		{"a date beside", rowsOf("t,timestamp,temp_c", 30, func(i int) string {
			return f("%.3f,2026-11-24T23:59:%02d,%.1f", float64(i)/60, i, warm(i))
		}), "time", 0, ""},
		{"numbers beside frames", rowsOf("t,frame_ms", 30, func(i int) string { return f("%.1f,16.7", 16.7*float64(i)) }), "time", 29 * .0167, ""},
		{"seconds since 1970", rowsOf("t,temp_c", 30, func(i int) string { return f("%d,%.1f", 1774000000+i, warm(i)) }), "time", 1774000029, ""},
		{"milliseconds since 1970", rowsOf("t,temp_c", 30, func(i int) string { return f("%d,%.1f", 1774000000000+500*i, warm(i)) }), "time", 1774000014.5, ""},
		{"microseconds since the start", rowsOf("t,temp_c", 30, func(i int) string { return f("%d,%.1f", 1774000000+500000*i, warm(i)) }), "time", 0, "time=s"},
		{"hours and minutes by the header", rowsOf("Time (h:min),temp_c", 30, func(i int) string { return f("12:%02d,%.1f", i, warm(i)) }), "time", 29 * 60, ""},
		{"minutes and seconds by the header", rowsOf("Time (mm:ss),temp_c", 30, func(i int) string { return f("12:%02d,%.1f", i, warm(i)) }), "time", 12*60 + 29, ""},
		{"hours or minutes", rowsOf("Time,temp_c", 30, func(i int) string { return f("12:%02d,%.1f", i, warm(i)) }), "time", 0, "time=hh:mm"},
		{"no hour 25", rowsOf("Time,temp_c", 30, func(i int) string { return f("25:%02d,%.1f", i, warm(i)) }), "time", 25*60 + 29, ""},
		{"afternoon", rowsOf("Time,temp_c", 3, func(i int) string {
			return f("%s,%.1f", []string{"11:59:00 AM", "12:00:00 PM", "1:00:00 p.m."}[i], warm(i))
		}), "time", 3660, ""},
		{"afternoon in minutes", rowsOf("Time,temp_c", 3, func(i int) string { return f("%s,%.1f", []string{"11:59 AM", "12:00 PM", "1:00 PM"}[i], warm(i)) }), "time", 3660, ""},
		{"past midnight", rowsOf("Time,temp_c", 3, func(i int) string {
			return f("%s,%.1f", []string{"11:59:00 PM", "12:00:00 AM", "12:01:00 AM"}[i], warm(i))
		}), "time", 120, ""},
		{"month first, for there is no month 24", rowsOf("Time,temp_c", 3, func(i int) string { return f("11/24/2026 1:0%d:00 PM,%.1f", i, warm(i)) }), "time", 120, ""},
		{"month or day", rowsOf("Time,temp_c", 3, func(i int) string { return f("11/12/2026 13:0%d:00,%.1f", i, warm(i)) }), "time", 0, "DD/MM/YYYY hh:mm:ss"},
		{"stamps of frames", rowsOf("time", 30, func(i int) string { return f("%.2f", 16.67*float64(i)) }), "frame-stamp", 29 * .01667, ""},
		{"stamps that may be two things", rowsOf("time", 30, func(i int) string { return f("%d", i) }), "frame-stamp", 0, "frame-stamp=ms"},
		{"frame times", rowsOf("frametime", 30, func(i int) string { return "16.7" }), "frame-time", .0167, ""},
		{"frame times in s", rowsOf("frametime", 30, func(i int) string { return "0.0167" }), "frame-time", .0167, ""},
		{"a rate without time", rowsOf("frame,fps", 30, func(i int) string { return f("%d,60.1", i) }), "time", 0, "--row-every"},
		{"averages", rowsOf("time_s,Frametime avg [ms]", 30, func(i int) string { return f("%d,16.7", i) }), "time", 0, "average of several frames"},
		{"frames once a second", rowsOf("time_s,frame_ms", 30, func(i int) string { return f("%d,16.7", i) }), "time", 0, "add up to"},
		{"frames with a freeze", rowsOf("time_s,frame_ms", 30, func(i int) string {
			return f("%.3f,%d", []float64{.016 * float64(i), .016*float64(i) + 5}[i/20], []int{16, 5016}[min(i/20, 1)*(1-min(1, i%20))])
		}), "time", 29*.016 + 5, ""},
		{"every second frame left out", rowsOf("time_s,frame_ms", 30, func(i int) string { return f("%.3f,16", .032*float64(i)) }), "time", 29 * .032, ""},
		{"a bad row among them", rowsOf("time,temp_c", 30, func(i int) string {
			return f("%s,%.1f", []string{"10:00:0" + f("%d", i%10), "oops"}[i/29], warm(i))
		}), "time", 0, ""},
	} {
		m, err := Settle("log", strings.NewReader(tt.log), Map{}, Hints{})
		if tt.asked != "" {
			if err == nil || !strings.Contains(err.Error(), tt.asked) {
				t.Errorf("%s: asked %v, want %q", tt.name, err, tt.asked)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
			continue
		}
		last := math.NaN()
		if m.Place(tt.quantity) < 0 {
			t.Errorf("%s: read with %+v", tt.name, m.Columns)
			continue
		}
		m.MaxBad = 10
		_, err = Read("log", strings.NewReader(tt.log), m, func(r reading.Row) error {
			last = r.Values[m.Place(tt.quantity)]
			return nil
		})
		switch want := map[string]float64{"a clock beside": 29, "a date beside": 29}[tt.name]; {
		case err != nil && tt.name != "a bad row among them":
			t.Errorf("%s: %v", tt.name, err)
		case want > 0 && last != want && math.Abs(last-want) > 0.1, want == 0 && tt.last > 0 && math.Abs(last-tt.last) > 1e-6*tt.last:
			t.Errorf("%s: the last row is at %g s, want %g, read with %+v", tt.name, last, max(want, tt.last), m.Columns)
		}
	}
}

func TestSettleTemperature(t *testing.T) {
	for _, tt := range []struct {
		from, to float64
		unit     string // empty: asked
	}{
		{21, 64, "°C"}, {38, 85, "°C"}, {295, 340, "K"}, {22500, 64000, "mC"},
		{70, 150, ""}, {60, 61, ""}, {46, 90, ""}, {0, 0, ""}, {-127, 20, ""}, {21, 160, ""}, {100, 300, ""},
	} {
		log := rowsOf("time_s,temp", 20, func(i int) string { return fmt.Sprintf("%d,%g", i, tt.from+(tt.to-tt.from)*float64(i)/19) })
		m, err := Settle("log", strings.NewReader(log), Map{}, Hints{})
		var open *Open
		if tt.unit == "" {
			if !errors.As(err, &open) || open.Ask != AskUnit || open.Name != "temperature" {
				t.Errorf("%g to %g: %v", tt.from, tt.to, err)
			}
			continue
		}
		if err != nil || m.Columns[1].Unit != tt.unit || len(m.Found) != 1 {
			t.Errorf("%g to %g: %+v, %v", tt.from, tt.to, m.Columns, err)
		}
	}
}

// What a person says settles it, and keeps the columns that need no word.
func TestHints(t *testing.T) {
	german := "Zeit;Temperatur;Takt [MHz];Bildzeit Mittel\n0;23,5;1.234,5;16,7\n1;24,5;1.234,5;16,7\n2;oops;1.234,5;16,7\n3;25,0;1.200,0;16,7\n"
	bad := 30.0
	for _, tt := range []struct {
		name, log string
		h         Hints
		columns   string
		last      []float64
	}{
		{"a unit alone", "time_s,temp,power\n0,60,1\n1,70,2\n", Hints{Units: []Unit{{"temperature", "F"}, {"power", "W"}}},
			"time s, temperature F, power W", []float64{1, 21.111111, 2}},
		{"a column keeps the time", "time_s,Sensor 3\n0,60\n1,61\n",
			Hints{Columns: []Column{{Header: "Sensor 3", Quantity: "temperature"}}, Units: []Unit{{"Sensor 3", "°C"}}},
			"time s, temperature °C", []float64{1, 61}},
		{"bad rows within a share", german, Hints{MaxBad: &bad, Columns: []Column{
			{Header: "Zeit", Quantity: "time"}, {Header: "Temperatur", Quantity: "temperature"},
			{Header: "Takt [MHz]", Quantity: "core-clock"}, {Header: "Bildzeit Mittel", Quantity: "fps"},
		}, Units: []Unit{{"time", "min"}, {"fps", "ms"}}},
			"time min, temperature °C, core-clock MHz, fps ms", []float64{180, 25, 1.2e9, 59.880239}},
		{"rows that are frames", "frame,fps\n1,50\n2,40\n",
			Hints{Columns: []Column{{Header: "fps", Quantity: "frame-time"}}, Units: []Unit{{"frame-time", "fps"}}},
			"frame-time fps", []float64{0.025}},
		{"rows in a beat", "fps\n50\nx\n40\n", Hints{Every: 0.5, MaxBad: &[]float64{50}[0]}, "fps ", []float64{40, 1}},
		{"how times are written", "time,temp_c\n12:00,20\n12:01,21\n", Hints{Units: []Unit{{"time", "hh:mm"}}},
			"time , temperature °C", []float64{60, 21}},
	} {
		m, err := Settle("log", strings.NewReader(tt.log), Map{}, tt.h)
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
			continue
		}
		var got []string
		for _, c := range m.Columns {
			got = append(got, c.Quantity+" "+c.Unit)
		}
		if strings.Join(got, ", ") != tt.columns {
			t.Errorf("%s: %q", tt.name, got)
		}
		rows, _, err := rowsIn(tt.log, m)
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
			continue
		}
		for i, v := range rows[len(rows)-1] {
			if math.Abs(v-tt.last[i]) > 1e-6*math.Abs(tt.last[i]) {
				t.Errorf("%s: the last row is %v, want %v", tt.name, rows[len(rows)-1], tt.last)
				break
			}
		}
	}
	var sign *Open // the torn row seems to show that the comma is the decimal sign
	torn := strings.TrimSuffix(rowsOf("time_ms;temp_c", 9, func(i int) string { return fmt.Sprintf("%d,000;65", i+1) }), "00;65\n")
	if m, err := Settle("log", strings.NewReader(torn), Map{}, Hints{}); !errors.As(err, &sign) || sign.Ask != AskSign {
		t.Errorf("%+v, %v", m, err)
	}
	if _, err := Settle("log", strings.NewReader("time_s,temp_c\n0,20\n"), Map{}, Hints{Every: 1}); err == nil {
		t.Error("a log with a time takes another one")
	}
}

// FuzzSettle: whatever a file holds and a person says of it, it is understood,
// asked about or refused.
func FuzzSettle(f *testing.F) {
	for _, s := range []string{
		"time,temp\n0,20\n1,21\n", "t;fps\n1.000,5;60\n", "frame,fps\n1,60\n", "Time (h:min)\tframetime avg\n12:00\t16,7\n",
		"{\"t\":1,\"temp\":20}\n", "time,clock time\n1,10:00 PM\n",
	} {
		f.Add([]byte(s), "time", "ms", "temp", uint8(1))
	}
	f.Fuzz(func(t *testing.T, data []byte, name, unit, header string, every uint8) {
		h := Hints{Units: []Unit{{name, unit}}, Every: float64(every) / 10}
		if header != "" {
			h.Columns = []Column{{Header: header, Quantity: Quantities()[int(every)%len(Quantities())]}}
		}
		for _, h := range []Hints{{}, h} {
			m, err := Settle("x", bytes.NewReader(data), Map{}, h)
			if err != nil {
				continue
			}
			if m.isOpen() {
				t.Fatalf("%+v has a column without a unit", m.Columns)
			}
			if _, err := Read("x", bytes.NewReader(data), m, func(r reading.Row) error {
				if i := m.Place("time"); i >= len(r.Values) {
					t.Fatalf("%d values, the time is number %d", len(r.Values), i)
				}
				return nil
			}); err != nil {
				continue
			}
		}
	})
}
