package workflow

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"proveout/harness/job"
	"proveout/harness/logs"
	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/scoring"
	"proveout/scoring/bus"
	"proveout/scoring/memory"
	"proveout/scoring/picture/align"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
)

// An Import says of files what they do not say themselves.
type Import struct {
	Map        *logs.Map  // of a log; nil: the one that the plan names, or the header says
	Hints      logs.Hints // what a person says of the log beside it
	Place      string     // where the temperature sensor of a log sits
	Instrument string     // id of the bench, that a log was taken with
	Capture    Shown
	Failures   logs.FailureOptions
	Again      string // why a file is taken that was taken before; empty: it is refused
	Retest     bool   // the first file begins a new attempt
	Beside     bool   // what the step itself does not need is taken too, as something seen beside it
}

// Shown is what a person says of a capture; empty where they leave it to the
// capture.
type Shown struct {
	Pattern string // test picture
	Mode    string // of the display
	Route   string // how it came in: digital, analogue, photo or auto
	Base    int64  // byte address of the first pixel
}

// ErrUnnamed says that a capture does not tell which test picture it shows, so
// that it must be asked for.
var ErrUnnamed = align.ErrNone

// An Imported file is what became of one, as import --json tells it.
type Imported struct {
	File    string           `json:"file"`
	SHA256  string           `json:"sha256"`
	Kind    string           `json:"kind"` // "log", "capture", "failing-addresses" or "dump"
	Rows    int64            `json:"rows,omitempty"`
	Bad     int64            `json:"bad_rows,omitempty"`
	Runs    int              `json:"runs,omitempty"`
	Seconds float64          `json:"seconds,omitempty"`
	Columns []ImportedColumn `json:"columns,omitempty"`
	Pattern string           `json:"pattern,omitempty"` // that a capture shows
	Mode    string           `json:"mode,omitempty"`
	Devices int              `json:"devices,omitempty"` // of a dump
	Notes   []fact.Fact      `json:"notes,omitempty"`   // what was found out about the file

	repeats bool // such files may be alike by rights
}

// An ImportedColumn is a column as import --json has always told it.
type ImportedColumn struct {
	Name, Header, Unit string
	Resolution         float64
	Place              string
}

// Fact says what was imported.
func (d *Imported) Fact() fact.Fact {
	switch {
	case d.Kind == "capture" && d.Pattern == "":
		return fact.New("import.picture", "file", d.File)
	case d.Kind == "capture":
		return fact.New("import.capture", "file", d.File, "pattern", d.Pattern, "mode", d.Mode)
	case d.Kind == "dump":
		return fact.New("import.dump", "file", d.File, "n", d.Devices)
	}
	what := []fact.Fact{fact.New("import.rows", "n", d.Rows)}
	if d.Seconds > 0 {
		what[0] = fact.New("import.rows-over", "n", d.Rows, "time", fact.In(d.Seconds/60, "min").To(0.1))
	}
	if d.Runs > 1 {
		what[0] = fact.New("import.in-runs", "rows", what[0], "n", d.Runs)
	}
	if d.Bad > 0 {
		what = append(what, fact.New("import.bad", "n", d.Bad))
	}
	var columns []fact.Fact
	for _, col := range d.Columns {
		columns = append(columns, fact.New("import.column", "header", col.Header, "quantity", col.Name))
	}
	return fact.New("import.log", "file", d.File, "rows", fact.ListOf(fact.Comma, what),
		"columns", fact.ListOf(fact.Comma, columns))
}

// Import takes files as evidence of a step, all or none. What the step cannot
// use is refused.
func (j *Job) Import(ctx context.Context, step *plans.Step, in Import, paths ...string) ([]Imported, error) {
	if err := errors.Join(checkPlace(in.Place), j.refuseInstrument(in.Instrument)); err != nil {
		return nil, err
	}
	im := &importing{Job: j, Import: in, ctx: ctx, step: step}
	var done []Imported
	err := j.work(func(f *job.Folder) error {
		entries, err := im.take(f, paths, &done)
		if err == nil {
			err = f.Append(entries...)
		}
		if err != nil {
			f.Discard(entries)
		}
		return err
	})
	return done, err
}

// An importing is files on their way into an attempt.
type importing struct {
	*Job
	Import
	ctx  context.Context
	step *plans.Step
}

// take copies files into the evidence and makes the entries that record them.
func (im *importing) take(f *job.Folder, paths []string, done *[]Imported) (entries []job.Entry, err error) {
	if err := im.refuseHeld(im.step); err != nil {
		return nil, err
	}
	attempt := im.Last(im.step.ID).Number
	if attempt == 0 || im.Retest || closed(im.Last(im.step.ID)) {
		attempt++
		entries = append(entries, job.Entry{Kind: job.AttemptStart})
	}
	for _, path := range paths {
		one, more, err := im.keep(f, path)
		var notes []job.Entry
		if err == nil {
			_, own := im.own[path]
			one.repeats = one.repeats || own
			notes, err = im.refuseTwice(&one, entries)
		}
		entries = slices.Concat(entries, more, notes)
		if err != nil {
			return entries, err
		}
		*done = append(*done, one)
	}
	for i := range entries {
		e := &entries[i]
		e.Step, e.Attempt, e.By = im.step.ID, attempt, im.By
	}
	return entries, nil
}

// kind is what kind of file a path is taken for.
func (im *importing) kind(path string) plans.Files {
	kind := im.step.Kind.Files()
	if kind != plans.Captures && isPicture(path) {
		return plans.Captures
	}
	return kind
}

// logMap is how a log is read; without a format the header says.
func (im *importing) logMap(path string) (logs.Map, error) {
	var m logs.Map
	switch {
	case im.own[path]:
	case im.Map != nil:
		m = *im.Map
	default:
		var err error
		if m, err = im.mapOf(im.step); err != nil {
			return m, err
		}
	}
	hints := im.Hints
	hints.Place = im.Place
	return understood(path, filepath.Base(path), m, hints)
}

// mapOf is the log map that the plan names for a step.
func (j *Job) mapOf(step *plans.Step) (logs.Map, error) {
	if _, read := j.maps[step.ID]; !read && step.LogMap() != "" {
		maps, err := PlanMaps(j.home.Dir, j.Plan, step.ID)
		if err != nil {
			return logs.Map{}, err
		}
		j.maps = maps
	}
	return j.maps[step.ID], nil
}

// understood is a map that says how a log is read: the given one, completed with
// what a person says and what the log shows. Messages call the log by name.
func understood(path, name string, m logs.Map, h logs.Hints) (logs.Map, error) {
	f, err := os.Open(path)
	if err != nil {
		return m, err
	}
	defer f.Close()
	return logs.Settle(name, f, m, h)
}

// refuseKind refuses a log for a step that takes none.
func (im *importing) refuseKind() error {
	if im.Beside || im.step.Kind.Files() == plans.Logs {
		return nil
	}
	return fmt.Errorf("step %s is of kind %s and takes no log; record what was read with: proveout record",
		im.step.ID, im.step.Kind)
}

// refuseLog refuses a log that the step cannot use.
func (im *importing) refuseLog(path string, m logs.Map) error {
	step := im.step
	needed := step.Kind.Declared().Columns
	for _, quantity := range needed {
		if m.Place(quantity) >= 0 {
			return nil
		}
	}
	what := fmt.Sprintf("no column of this log is a %s, which step %s needs", strings.Join(needed, " or a "), step.ID)
	return noColumn(filepath.Base(path), m, what)
}

// noColumn says of a log that it lacks a quantity, at its header.
func noColumn(name string, m logs.Map, what string) error {
	return &plans.Problem{
		File: name, Line: max(m.Header, 1), Column: 1,
		What: what, Fix: "name it in the header with its unit, or in a log map",
	}
}

// keep takes a file as evidence.
func (im *importing) keep(f *job.Folder, path string) (one Imported, entries []job.Entry, err error) {
	if err := checkFile(path); err != nil {
		return one, nil, err
	}
	one.File = filepath.Base(path)
	switch im.kind(path) {
	case plans.Captures:
		part := reading.Capture{Pattern: im.Capture.Pattern, Mode: im.Capture.Mode}
		one.repeats = true
		if im.step.Kind.Files() == plans.Captures {
			if part, one.repeats, err = im.look(path); err != nil {
				return one, nil, err
			}
		}
		one.Kind, one.Pattern, one.Mode = "capture", part.Pattern, part.Mode
		return keepWhole(f, path, one, job.Entry{Kind: job.Picture, Capture: &part})
	case plans.BusDump:
		devices, err := dumped(path)
		if err != nil {
			return one, nil, err
		}
		one.Kind, one.Devices, one.repeats = "dump", len(devices), true
		return keepWhole(f, path, one, job.Entry{Kind: job.Dumped})
	case plans.FailingList:
		if _, err := Memory(im.Family, im.Failures.Pool); err != nil {
			return one, nil, err
		}
		one.Kind = "failing-addresses"
		one, entries, err = keepLog(f, path, one, im.failures)
		one.repeats = one.Rows == 0
		return one, entries, err
	}
	if err := im.refuseKind(); err != nil {
		return one, nil, err
	}
	m, err := im.logMap(path)
	if err == nil && !im.Beside {
		err = im.refuseLog(path, m)
	}
	if err != nil {
		return one, nil, err
	}
	one.Kind = "log"
	return keepLog(f, path, one, func(name string, file io.Reader) ([]reading.Log, []fact.Fact, error) {
		sum, err := logs.Read(name, file, m, func(reading.Row) error { return im.ctx.Err() })
		if err != nil {
			return nil, nil, err
		}
		runs, err := sum.Records(im.Instrument)
		return runs, sum.Notes(), err
	})
}

// failures reads a list of failing addresses.
func (im *importing) failures(name string, file io.Reader) ([]reading.Log, []fact.Fact, error) {
	sum, err := logs.ReadFailures(name, file, im.Failures, func(reading.Failure) error { return im.ctx.Err() })
	if err == nil {
		err = sum.Doubt(name)
	}
	return []reading.Log{sum.Record(im.Failures)}, sum.Notes(), err
}

// A logReader reads a log and says what runs it has, and what was found out
// about it.
type logReader func(name string, file io.Reader) ([]reading.Log, []fact.Fact, error)

// keepLog keeps a file that is read row by row.
func keepLog(f *job.Folder, path string, one Imported, read logReader) (Imported, []job.Entry, error) {
	entries, err := f.TakeLog(path, func(name string, file io.Reader) (runs []reading.Log, err error) {
		runs, one.Notes, err = read(name, file)
		return runs, err
	})
	if err != nil {
		return one, nil, err
	}
	one.Runs = len(entries)
	for _, e := range entries {
		one.SHA256, one.Bad, one.Columns = e.File.SHA256, e.Log.Bad, columnsOf(e.Log.Columns)
		one.Rows += e.Log.Count
		one.Seconds += e.Log.Seconds
	}
	return one, entries, nil
}

func columnsOf(columns []reading.Column) []ImportedColumn {
	var out []ImportedColumn
	for _, c := range columns {
		out = append(out, ImportedColumn(c))
	}
	return out
}

// keepWhole keeps a file that is judged as a whole.
func keepWhole(f *job.Folder, path string, one Imported, as job.Entry) (Imported, []job.Entry, error) {
	e, err := f.Keep(path, one.Kind, "")
	if err != nil {
		return one, nil, err
	}
	one.SHA256, as.File = e.SHA256, &e
	return one, []job.Entry{as}, nil
}

// look reads a capture before it is kept, and finds out which test picture it
// shows in which mode, and whether it is that picture to the last bit.
func (im *importing) look(path string) (part reading.Capture, same bool, err error) {
	of, name := im.Capture, filepath.Base(path)
	var mode *pattern.Mode
	if of.Mode != "" {
		m, err := scoring.PictureMode(of.Mode)
		if err != nil {
			return part, false, fmt.Errorf("--mode: %w", err)
		}
		mode = &m
	}
	if _, err := scoring.RouteNamed(of.Route); err != nil {
		return part, false, fmt.Errorf("--route: %w", err)
	}
	p, err := readCapture(path, name, mode)
	if errors.Is(err, raster.ErrUnknown) {
		return part, false, fmt.Errorf("%s is not a PNG, JPEG, BMP, TIFF, PCX or TGA picture, "+
			"and not a .raw dump of the frame buffer", name)
	}
	if err != nil {
		return part, false, err
	}
	shows, err := scoring.Identify(p, of.Pattern, mode)
	if errors.Is(err, ErrUnnamed) {
		return part, false, fmt.Errorf("%s: %w; say what was shown with --pattern NAME --mode MODE; "+
			"to keep the picture without comparing it: proveout job attach", name, err)
	}
	if err != nil {
		return part, false, fmt.Errorf("%s: %w", name, err)
	}
	part = reading.Capture{Pattern: shows.Name(), Mode: shows.Mode.String(), Base: of.Base}
	if of.Route != "" && of.Route != "auto" {
		part.Route = of.Route
	}
	if strings.Contains(of.Mode, "@") {
		part.Mode = of.Mode
	}
	if org := scoring.FrameMemory(im.Family); org != nil && of.Base+shows.Mode.Bytes() > org.Bytes() {
		return part, false, fmt.Errorf("%s shows a picture of %d bytes from address %d, "+
			"but the memory of the family %s has %d bytes",
			name, shows.Mode.Bytes(), of.Base, im.Family.ID, org.Bytes())
	}
	return part, exact(p, shows), nil
}

// Memories are the memories of a family: the one of a name, or without one all.
func Memories(family *plans.Family, name string) ([]memory.Organisation, error) {
	if name != "" || len(family.Memory) == 0 {
		one, err := Memory(family, name)
		return []memory.Organisation{one}, err
	}
	var out []memory.Organisation
	for _, pool := range family.Memory {
		one, err := Memory(family, pool.Name)
		if err != nil {
			return nil, err
		}
		out = append(out, one)
	}
	return out, nil
}

// Memory is the memory of a family by name, or its only one.
func Memory(family *plans.Family, name string) (none memory.Organisation, err error) {
	var names []string
	for _, p := range family.Memory {
		if p.Name == name || len(family.Memory) == 1 && name == "" {
			if len(p.Banks) == 0 || p.ChipBits == 0 {
				return none, fmt.Errorf("family %q does not say which chips its memory is made of; "+
					"add chip, bus and banks to it", family.ID)
			}
			org := scoring.Organisation(p)
			return org, org.Check()
		}
		names = append(names, p.Name)
	}
	switch {
	case len(family.Memory) == 0:
		return none, fmt.Errorf("family %q states no memory", family.ID)
	case name == "":
		return none, fmt.Errorf("family %q has several memories: say which with --pool %s",
			family.ID, strings.Join(names, " or --pool "))
	}
	return none, fmt.Errorf("family %q has no memory %q", family.ID, name)
}

// dumped decodes the devices of a dump of configuration space. Errors name the
// file and the line.
func dumped(path string) ([]bus.Device, error) {
	data, err := readFile(path, reading.MostDump)
	if err != nil {
		return nil, err
	}
	return Devices(filepath.Base(path), data)
}

// Devices decodes the devices of a dump of configuration space.
func Devices(name string, data []byte) ([]bus.Device, error) {
	devices, problems := bus.ParseDump(data)
	var errs []error
	for _, p := range problems {
		fix := "give rows of 16 bytes behind their offset, or the raw bytes: 64, 256 or 4096"
		if p.Line > 0 {
			fix = "give rows of 16 bytes behind their offset, as in \"00: e1 f5 37 01 …\""
		}
		errs = append(errs, &plans.Problem{File: name, Line: p.Line, What: english(p.What), Fix: fix})
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	return devices, nil
}
