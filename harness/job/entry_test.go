package job

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"proveout/harness/logs"
	"proveout/harness/reading"
)

// Lines as they were written before the journal had the record's own types.
var linesBefore = []string{
	`{"v":1,"seq":1,"at":"2026-03-05T09:30:00.5+01:00","kind":"attempt-start","more":3,"step":"clocks","attempt":1,"by":"ka"}`,
	`{"v":1,"seq":2,"at":"2026-03-05T09:30:01+01:00","kind":"reading","more":2,"step":"clocks","attempt":1,"by":"ka",` +
		`"reading":{"name":"core","value":137500000,"text":"137.5 MHz","unit":"MHz","resolution":100000,` +
		`"instrument":"counter","place":"die","after":1800,"source":{"kind":"typed","line":4,"column":"core"}}}`,
	`{"v":1,"seq":3,"at":"2026-03-05T09:30:02+01:00","kind":"correction","more":1,"step":"clocks","attempt":1,` +
		`"reading":{"name":"bus","word":"AGP","text":"agp","source":{"kind":"file","evidence":"ab"}}}`,
	`{"v":1,"seq":4,"at":"2026-03-05T09:30:03+01:00","kind":"note","step":"clocks","attempt":1,"text":"<warm>"}`,
	`{"v":1,"seq":5,"at":"2026-03-05T09:31:00+01:00","kind":"log","step":"soak","attempt":2,"by":"ka",` +
		`"file":{"sha256":"cd","kept":"cd.csv","name":"soak.csv","size":12,"role":"log","caption":"the second"},` +
		`"log":{"run":2,"part":1,"map":{"format":"delimited","encoding":"utf-8","delimiter":",","decimal":".","header":1,` +
		`"columns":[{"header":"s","quantity":"time","unit":"s"}]},` +
		`"columns":[{"name":"time","header":"s","unit":"s","resolution":0.1,"place":"die"}],` +
		`"count":9,"bad":1,"seconds":80.5,"instrument":"probe"}}`,
	`{"v":1,"seq":6,"at":"2026-03-05T09:32:00+01:00","kind":"log","step":"scan","attempt":1,` +
		`"file":{"sha256":"ef","kept":"ef.txt","name":"list.txt","size":3,"role":"log"},` +
		`"log":{"run":1,"part":1,"map":{"format":"","encoding":"","columns":null},"columns":null,"count":0,` +
		`"failures":{"bits":32,"base":3758096384,"pool":"frame"}}}`,
	`{"v":1,"seq":7,"at":"2026-03-05T09:33:00+01:00","kind":"capture","step":"picture","attempt":1,` +
		`"file":{"sha256":"12","kept":"12.png","name":"a.png","size":5,"role":"capture"},` +
		`"capture":{"pattern":"ramp","mode":"640x480x16","route":"photo","base":4096}}`,
	`{"v":1,"seq":8,"at":"2026-03-05T09:34:00+01:00","kind":"dump","step":"detection","attempt":1,` +
		`"file":{"sha256":"34","kept":"34.txt","name":"d.txt","size":7,"role":"dump"}}`,
	`{"v":1,"seq":9,"at":"2026-03-05T09:35:00+01:00","kind":"note","step":"soak","attempt":2,"by":"ka","text":"the clock was started"}`,
	`{"v":1,"seq":10,"at":"2026-03-05T09:36:00+01:00","kind":"cut","step":"soak","attempt":2,"text":"power","ran":75}`,
	`{"v":1,"seq":11,"at":"2026-03-05T09:37:00+01:00","kind":"skip","step":"load","attempt":1,"text":"no time"}`,
	`{"v":1,"seq":12,"at":"2026-03-05T09:38:00+01:00","kind":"attempt-end","step":"clocks","attempt":1,"ran":12}`,
	`{"v":1,"seq":13,"at":"2026-03-05T09:39:00+01:00","kind":"issue","by":"ka",` +
		`"issue":{"document":"report","number":"R1","file":"R1.pdf","sha256":"56"}}`,
}

// Lines of before are understood, and today's are written with the same names.
func TestLinesKeepTheirForm(t *testing.T) {
	for _, line := range linesBefore {
		e, err := decodeEntry([]byte(line))
		if err != nil {
			t.Fatalf("%s: %v", line, err)
		}
		again, err := e.encode()
		if err != nil {
			t.Fatal(err)
		}
		var was, is any
		if err := json.Unmarshal([]byte(line), &was); err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(again, &is); err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(was, is); d != "" {
			t.Errorf("%s: %s", line, d)
		}
	}
}

// Lines of before give the job that they always gave.
func TestLinesOfBefore(t *testing.T) {
	j := parseJournal([]byte(strings.Join(linesBefore, "\n") + "\n"))
	job := reading.Job{Attempts: map[string][]reading.Attempt{}}
	for i := range j.entries {
		if e := &j.entries[i]; e.Step != "" {
			addEntry(t.TempDir(), &job, e)
		}
	}
	if len(j.warnings) != 0 || len(job.Warnings) != 4 { // the files are not there
		t.Errorf("%q, %q", j.warnings, job.Warnings)
	}
	zone := time.FixedZone("", 3600)
	at := func(minute, second int) time.Time { return time.Date(2026, 3, 5, 9, minute, second, 0, zone) }
	core, after := 137.5e6, 1800.0
	want := map[string][]reading.Attempt{
		"clocks": {{
			Number: 1, Started: at(30, 0).Add(time.Second / 2), Ended: at(37+1, 0), By: "ka", Ran: 12,
			Readings: []reading.Reading{
				{Seq: 2, Name: "core", Value: &core, Text: "137.5 MHz", Unit: "MHz", Resolution: 1e5, Instrument: "counter",
					Place: "die", After: &after, At: at(30, 1), By: "ka", Source: reading.Source{Kind: "typed", Line: 4, Column: "core"}},
				{Seq: 3, Name: "bus", Word: "AGP", Text: "agp", Corrects: true, At: at(30, 2), Source: reading.Source{Kind: "file", Evidence: "ab"}},
			},
			Notes: []reading.Note{{At: at(30, 3), Text: "<warm>"}},
		}},
		"soak": {{
			Number: 2, Started: at(31, 0), Ended: at(36, 0), By: "ka", Cut: "power", Ran: 75,
			Logs: []reading.Log{{
				Evidence: reading.Evidence{SHA256: "cd", Name: "soak.csv", Size: 12, Role: "log", Caption: "the second"},
				Run:      2, Part: 1, Count: 9, Bad: 1, Seconds: 80.5, Instrument: "probe",
				Columns: []reading.Column{{Name: "time", Header: "s", Unit: "s", Resolution: 0.1, Place: "die"}},
			}},
			Notes: []reading.Note{{At: at(35, 0), By: "ka", Text: "the clock was started", Event: reading.RunBegan}},
		}},
		"scan": {{Number: 1, Started: at(32, 0), Logs: []reading.Log{{
			Evidence: reading.Evidence{SHA256: "ef", Name: "list.txt", Size: 3, Role: "log"},
			Run:      1, Part: 1, Failures: &logs.FailureOptions{Bits: 32, Base: 0xe0000000, Pool: "frame"},
		}}}},
		"picture": {{Number: 1, Started: at(33, 0), Captures: []reading.Capture{{
			Evidence: reading.Evidence{SHA256: "12", Name: "a.png", Size: 5, Role: "capture"},
			Pattern:  "ramp", Mode: "640x480x16", Route: "photo", Base: 4096,
		}}}},
		"detection": {{Number: 1, Started: at(34, 0), Dumps: []reading.Evidence{{SHA256: "34", Name: "d.txt", Size: 7, Role: "dump"}}}},
		"load":      {{Number: 1, Started: at(37, 0), Ended: at(37, 0), Skipped: "no time"}},
	}
	recipe := cmp.FilterPath(func(p cmp.Path) bool { return p.Last().String() == ".Map" }, cmp.Ignore())
	sameTime := cmp.Comparer(func(a, b time.Time) bool { return a.Equal(b) })
	if d := cmp.Diff(want, job.Attempts, recipe, sameTime); d != "" {
		t.Error(d)
	}
	var m logs.Map
	if err := json.Unmarshal(job.Attempts["soak"][0].Logs[0].Map, &m); err != nil || m.Columns[0].Quantity != "time" {
		t.Errorf("%+v, %v", m, err)
	}
}

// What a run's state is told by is a field of the line, not its words.
func TestRunBeganIsAField(t *testing.T) {
	dir := create(t)
	f := open(t, dir)
	began := Entry{Kind: Remark, Step: "soak", Attempt: 1, Text: "la montre court", Event: reading.RunBegan}
	if err := f.Append(began, Entry{Kind: Remark, Step: "soak", Attempt: 1, Text: "warm"}); err != nil {
		t.Fatal(err)
	}
	notes := load(t, dir).Attempts["soak"][0].Notes
	if len(notes) != 2 || notes[0].Event != reading.RunBegan || notes[1].Event != "" {
		t.Errorf("%+v", notes)
	}
}
