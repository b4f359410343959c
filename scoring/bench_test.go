package scoring_test

import (
	"bytes"
	"fmt"
	"io"
	"iter"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/scoring"
	"proveout/scoring/conformity"
	"proveout/scoring/outcome"
)

// A bench is a plan, a family, a shop and a job in memory, put together from
// texts as people write them.
type bench struct {
	t testing.TB
	reading.Input
}

var opened = time.Date(2026, 3, 3, 10, 0, 0, 0, time.UTC)

const shopText = `
name = "Saltbox Repairs"
numbering = "S-{year}-{n:04}"
[[bench]]
id = "bench-1"
title = "Bench 1"
[bench.slot]
kind = "AGP"
signaling = ["3.3 V"]
key = "3.3 V"
rates = ["1x", "2x"]
[[bench.instrument]]
id = "probe"
title = "Thermocouple"
measures = ["temperature"]
accuracy = "±1.5 °C"
resolution = "0.1 °C"
place = "heatsink"
[[bench.instrument]]
id = "room"
title = "Room thermometer"
measures = ["temperature"]
accuracy = "±0.5 °C"
place = "ambient"
[[bench.instrument]]
id = "volts"
title = "Multimeter"
measures = ["voltage"]
accuracy = "±0.5 % + 2 digits"
resolution = "0.01 V"
[[bench.instrument]]
id = "ohms"
title = "Multimeter"
measures = ["resistance"]
accuracy = "±1 %"
resolution = "0.1 ohm"
[[bench.instrument]]
id = "counter"
title = "Counter"
measures = ["frequency"]
accuracy = "±0.1 MHz"
[[technician]]
id = "ines"
name = "Ines Varga"
sign = true
`

const familyText = `
id = "plover"
title = "Plover 12"
maker = "Tern Works"
modes = ["640x480x16@75", "800x600x16@75"]
max_depth = 32
[bus]
kind = "AGP"
signaling = ["3.3 V"]
rates = ["1x", "2x"]
expect = "2x"
[[device]]
vendor = "f5e1"
device = "0a01"
[[memory]]
total = "12 MiB"
reserved = "1 MiB"
chip = "1Mi x 16"
bus = "48 bit"
banks = ["U1 U2 U3", "U4 U5 U6"]
source = "invented"
[[clock]]
name = "core"
value = "100 MHz ±1 %"
source = "invented"
[[clock]]
name = "memory"
value = "118 MHz ±1 %"
source = "invented"
[thermal]
cooling = "passive"
sensor = "heatsink"
max_temp = "70 °C"
max_rating = "95 °C"
rated_ambient = "40 °C"
rise = [
  { card = "P1", rise = "25.1 K" }, { card = "P2", rise = "24.2 K" }, { card = "P3", rise = "26.0 K" },
  { card = "P4", rise = "25.5 K" }, { card = "P5", rise = "24.7 K" }, { card = "P6", rise = "25.8 K" },
]
source = "invented"
[[rail]]
name = "core"
voltage = "2.5 V ±5 %"
resistance = "11 ohm"
short_below = "1 ohm"
open_above = "400 ohm"
source = "invented"
[[rail]]
name = "mem"
voltage = "3.3 V ±0.3 V"
resistance = "40 ohm"
short_below = "3 ohm"
source = "invented"
[[reference]]
workload = "kites"
bench = "bench-1"
unit = "fps"
better = "higher"
source = "invented"
scores = [
  { card = "P1", value = 60.5 }, { card = "P2", value = 59.9 }, { card = "P3", value = 61.0 }, { card = "P4", value = 60.7 },
  { card = "P5", value = 60.1 }, { card = "P6", value = 60.8 }, { card = "P7", value = 60.0 }, { card = "P8", value = 60.8 },
]
`

// steps of the plans of these tests, by name.
var steps = map[string]string{
	"inspection": `kind = "inspection"
checklist = [ { name = "bridges", ask = "No bridge" }, { name = "pins", ask = "No bent pin" } ]`,
	"rails":       `kind = "rails"`,
	"detection":   `kind = "detection"`,
	"memory-size": `kind = "memory-size"`,
	"clocks":      `kind = "clock"`,
	"picture":     `kind = "image"`,
	"load": `kind = "load"
duration = "1 min"
workload = "kites"
reference = "prediction"
freeze_after = "1 s"
max_stalls = 2`,
	"soak": `kind = "soak"
duration = "40 min"
every = "2 min"
stability = { window = "10 min", rate = "2 K/h", source = "common practice, no source" }`,
}

// newBench makes a plan of the named steps, all required. A step may be followed
// by keys of its own: "clocks; gate = true".
func newBench(t testing.TB, names ...string) *bench {
	t.Helper()
	var plan strings.Builder
	plan.WriteString("id = \"p\"\ntitle = \"P\"\n")
	for _, n := range names {
		id, more, _ := strings.Cut(n, ";")
		plan.WriteString("[[step]]\nid = \"" + id + "\"\ntitle = \"Step " + id + "\"\n")
		text, ok := steps[id]
		if !ok {
			t.Fatalf("no step %q", id)
		}
		own := strings.Split(more, ";")
		for _, line := range strings.Split(text, "\n") {
			// A key given with the step takes the place of the one above it.
			key, _, _ := strings.Cut(line, "=")
			if !slices.ContainsFunc(own, func(o string) bool { return strings.HasPrefix(o, strings.TrimSpace(key)+" =") }) {
				plan.WriteString(line + "\n")
			}
		}
		for _, line := range own {
			if !strings.HasSuffix(line, "=") { // an empty value takes the key away
				plan.WriteString(line + "\n")
			}
		}
	}
	return newBenchOf(t, plan.String(), familyText, shopText)
}

// planOf is a plan of one step, with keys of its own.
func planOf(id, kind string, keys ...string) string {
	step := "[[step]]\nid = \"" + id + "\"\nkind = \"" + kind + "\"\ntitle = \"Step " + id + "\"\n"
	return "id = \"p\"\ntitle = \"P\"\n" + step + strings.Join(keys, "\n") + "\n"
}

func newBenchOf(t testing.TB, planText, familyText, shopText string) *bench {
	t.Helper()
	plan, problems := plans.ParsePlan("p.plan.toml", []byte(planText))
	if len(problems) > 0 {
		t.Fatalf("%s\n%v", planText, plans.AsError(problems))
	}
	file, problems := plans.ParseFamily("f.family.toml", []byte(familyText))
	if len(problems) > 0 {
		t.Fatal(plans.AsError(problems))
	}
	family, err := file.Variant("")
	if err != nil {
		t.Fatal(err)
	}
	shop, problems := plans.ParseShop("shop.toml", []byte(shopText))
	if len(problems) > 0 {
		t.Fatal(plans.AsError(problems))
	}
	job := &reading.Job{Number: "2026-0001", Opened: opened, Plan: plan.ID, Bench: "bench-1", Technician: "ines",
		Attempts: map[string][]reading.Attempt{}}
	return &bench{t, reading.Input{Plan: plan, Family: family, Shop: shop, Job: job, Files: inMemory{}}}
}

// inMemory is what the files of a bench hold, by their SHA-256.
type inMemory map[string]*memoryFile

type memoryFile struct {
	rows     [][]float64       // of a log
	failures []reading.Failure // of a list of failing addresses
	bytes    []byte
	problem  error // met behind the rest
}

// file adds a file to those of the bench.
func (b *bench) file(name string, f memoryFile) reading.Evidence {
	files := b.Files.(inMemory)
	e := reading.Evidence{Name: name, SHA256: fmt.Sprintf("%064x", len(files)+1)}
	files[e.SHA256] = &f
	return e
}

func (m inMemory) Open(e reading.Evidence) (io.ReadCloser, error) {
	return io.NopCloser(bytes.NewReader(m[e.SHA256].bytes)), nil
}
func (inMemory) Recall(reading.Evidence, string) ([]byte, bool) { return nil, false }
func (inMemory) Keep(reading.Evidence, string, []byte)          {}

func (m inMemory) Rows(l *reading.Log) iter.Seq2[reading.Row, error] {
	f := m[l.SHA256]
	return func(yield func(reading.Row, error) bool) {
		for i, r := range f.rows {
			if !yield(reading.Row{Line: int64(i + 2), Values: r}, nil) {
				return
			}
		}
		if f.problem != nil {
			yield(reading.Row{}, f.problem)
		}
	}
}

func (m inMemory) Failures(l *reading.Log) iter.Seq2[reading.Failure, error] {
	f := m[l.SHA256]
	return func(yield func(reading.Failure, error) bool) {
		for _, row := range f.failures {
			if !yield(row, nil) {
				return
			}
		}
		if f.problem != nil {
			yield(reading.Failure{}, f.problem)
		}
	}
}

// attempt begins a new attempt at a step with answers as they are typed:
// "core=100.2 MHz".
func (b *bench) attempt(step string, answers ...string) *reading.Attempt {
	b.t.Helper()
	list := b.Job.Attempts[step]
	list = append(list, reading.Attempt{Number: len(list) + 1, Started: opened, By: "ines"})
	b.Job.Attempts[step] = list
	b.typed(step, answers...)
	return &b.Job.Attempts[step][len(list)-1]
}

func (b *bench) typed(step string, answers ...string) {
	b.t.Helper()
	s, ok := b.Plan.Step(step)
	if !ok {
		b.t.Fatalf("no step %q", step)
	}
	list := b.Job.Attempts[step]
	a := &list[len(list)-1]
	fields := plans.Fields(s, b.Family)
	for _, answer := range answers {
		name, value, _ := strings.Cut(answer, "=")
		f, ok := plans.FieldNamed(fields, name)
		if !ok {
			b.t.Fatalf("step %s takes no %q", step, name)
		}
		readings, err := reading.Parse(f, value)
		if err != nil {
			b.t.Fatal(err)
		}
		for _, r := range readings {
			r.At = opened
			a.Readings = append(a.Readings, r)
		}
	}
}

// log adds a log in memory to the last attempt of a step. The columns are named
// as logs name them; rows are in base units.
func (b *bench) log(step, columns string, rows [][]float64) *reading.Log {
	list := b.Job.Attempts[step]
	a := &list[len(list)-1]
	l := reading.Log{Evidence: b.file(step+".csv", memoryFile{rows: rows}), Count: int64(len(rows))}
	for _, name := range strings.Fields(columns) {
		c := reading.Column{Name: name, Header: name}
		if name == "temperature" {
			c.Place, c.Resolution = "heatsink", 0.1
		}
		l.Columns = append(l.Columns, c)
	}
	a.Logs = append(a.Logs, l)
	return &a.Logs[len(a.Logs)-1]
}

func (b *bench) score() outcome.Outcome { return scoring.Score(b.Input) }

// step scores the job and returns one step.
func (b *bench) step(id string) outcome.StepOutcome {
	b.t.Helper()
	o := b.score()
	for _, s := range o.Steps {
		if s.ID == id {
			return s
		}
	}
	b.t.Fatalf("no step %q", id)
	return outcome.StepOutcome{}
}

func checkNamed(t testing.TB, s outcome.StepOutcome, name string) outcome.Check {
	t.Helper()
	for _, c := range s.Checks {
		if c.Name == name {
			return c
		}
	}
	t.Fatalf("step %s has no check %q: %+v", s.ID, name, s.Checks)
	return outcome.Check{}
}

func hasCheck(s outcome.StepOutcome, name string) bool {
	for _, c := range s.Checks {
		if c.Name == name {
			return true
		}
	}
	return false
}

// clean gives every step of the plan an attempt that passes.
func (b *bench) clean() *bench {
	for i := range b.Plan.Steps {
		step := &b.Plan.Steps[i]
		switch step.Kind {
		case plans.LoadKind:
			b.attempt(step.ID)
			b.log(step.ID, "frame-time", steadyFrames(65, 1/60.4))
		case plans.SoakKind:
			b.attempt(step.ID, "ambient=23.0 °C")
			b.log(step.ID, "time temperature", soakRows(45*60, 23, 25, 300))
		default:
			b.attempt(step.ID, cleanAnswers[step.Kind]...)
		}
	}
	return b
}

var cleanAnswers = map[plans.Kind][]string{
	plans.InspectionKind: {"bridges=yes", "pins=yes"},
	plans.RailsKind:      {"core.ohm=10.8 ohm", "mem.ohm=39.5 ohm", "core.volt=2.51 V", "mem.volt=3.31 V"},
	plans.DetectionKind:  {"detected=yes", "bus=AGP", "id=f5e1:0a01", "rate=2x"},
	plans.MemorySizeKind: {"size=12 MiB"},
	plans.ClockKind:      {"core=100.1 MHz", "memory=118.2 MHz"},
	plans.ImageKind:      {"640x480x16@75=clean", "800x600x16@75=clean", "depth=32 bit"},
}

// steadyFrames is a run of so many seconds whose frames take a period, one in
// ten a little more or less.
func steadyFrames(seconds, period float64) [][]float64 {
	var rows [][]float64
	for i := 0; float64(i)*period < seconds; i++ {
		rows = append(rows, []float64{period * (1 + 0.02*math.Sin(float64(i)))})
	}
	return rows
}

// soakRows is a rise over ambient by the law of one heat capacity, a row a
// second, in steps of 0.1 °C.
func soakRows(seconds int, ambient, rise, tau float64) [][]float64 {
	var rows [][]float64
	for s := 0; s <= seconds; s++ {
		temp := ambient + rise*(1-math.Exp(-float64(s)/tau)) + 0.04*math.Sin(float64(s)*1.7)
		rows = append(rows, []float64{float64(s), math.Round(temp*10) / 10})
	}
	return rows
}

// Short names for the verdicts in tables.
const (
	notRun       = conformity.NotRun
	pass         = conformity.Pass
	fail         = conformity.Fail
	inconclusive = conformity.Inconclusive
	na           = conformity.NotApplicable
)
