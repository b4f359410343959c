package command

import (
	"errors"
	"fmt"
	"image"
	_ "image/jpeg" // photos
	_ "image/png"  // photos
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"
	_ "golang.org/x/image/bmp"  // photos
	_ "golang.org/x/image/tiff" // photos

	"proveout/harness/job"
	"proveout/harness/logs"
	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/document"
	"proveout/scoring"
	"proveout/scoring/picture/align"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
)

func (c *Console) importCommand() *cli.Command {
	return &cli.Command{
		Name:      "import",
		Usage:     "take a log or a capture as evidence of a step",
		ArgsUsage: "JOB STEP FILE…",
		Flags: append([]cli.Flag{shopFlag, jsonFlag, retestFlag, instrumentFlag, byFlag,
			&cli.StringFlag{Name: "map", Usage: "log map `FILE` or its name in the shop's logmaps folder; else the one that the plan names, or the header says"},
			&cli.StringFlag{Name: "place", Usage: "where the temperature sensor sits: `PLACE` die, heatsink, case or board"},
			&cli.StringFlag{Name: "pattern", Usage: "test picture `NAME` that a capture shows; else the capture tells"},
			&cli.StringFlag{Name: "mode", Usage: "display `MODE` of a capture; else the capture tells"},
			&cli.StringFlag{Name: "route", Usage: "how a capture came in: `WAY` digital, analogue, photo or auto", Value: "auto"}}, failureFlags...),
		Action: c.importFiles,
	}
}

// An imported file, as import --json tells it.
type imported struct {
	File    string           `json:"file"`
	SHA256  string           `json:"sha256"`
	Kind    string           `json:"kind"` // "log", "capture", "failing-addresses" or "dump"
	Rows    int64            `json:"rows,omitempty"`
	Bad     int64            `json:"bad_rows,omitempty"`
	Runs    int              `json:"runs,omitempty"`
	Seconds float64          `json:"seconds,omitempty"`
	Columns []importedColumn `json:"columns,omitempty"`
	Pattern string           `json:"pattern,omitempty"` // that a capture shows
	Mode    string           `json:"mode,omitempty"`
	Devices int              `json:"devices,omitempty"` // of a dump
}

// An importedColumn is a column as import --json has always told it.
type importedColumn struct {
	Name, Header, Unit string
	Resolution         float64
	Place              string
}

func columnsOf(columns []reading.Column) []importedColumn {
	var out []importedColumn
	for _, c := range columns {
		out = append(out, importedColumn(c))
	}
	return out
}

func (c *Console) importFiles(x *cli.Context) error {
	k, err := c.openJob(x)
	if err != nil {
		return err
	}
	step, err := k.stepArgument(x)
	if err != nil {
		return err
	}
	files := x.Args().Slice()[2:]
	if len(files) == 0 {
		return errors.New("name the log or capture to import")
	}
	if err := k.refuseHeld(step); err != nil {
		return err
	}
	m, err := c.stepMap(k.shopDir, k.input.Plan, step, x.String("map"))
	if err != nil {
		return err
	}
	if err := checkPlace(x.String("place")); err != nil {
		return err
	}
	if err := k.checkInstrument([]reading.Reading{{Instrument: x.String("instrument")}}); err != nil {
		return err
	}
	for i, file := range files {
		if err := c.refuseFile(x, k, step, c.path(file), m, i > 0); err != nil {
			return err
		}
	}
	var done []imported
	err = k.work(func(f *job.Folder) error {
		for i, file := range files {
			one, err := c.importOne(x, k, f, step, c.path(file), m, x.Bool("retest") && i == 0)
			if err != nil {
				return err
			}
			done = append(done, one)
		}
		return nil
	})
	if err != nil {
		return err
	}
	if x.Bool("json") {
		return c.answer(map[string]any{"job": k.input.Job.Number, "step": step.ID, "imported": done})
	}
	for _, d := range done {
		fmt.Fprintf(c.Out, "Imported %s\n", d)
	}
	return nil
}

// String says what was imported, for people.
func (d imported) String() string {
	if d.Kind == "capture" {
		shows := ""
		if d.Pattern != "" {
			shows = " of " + d.Pattern + " at " + d.Mode
		}
		return fmt.Sprintf("%s, a capture%s, SHA-256 %s", d.File, shows, d.SHA256)
	}
	if d.Kind == "dump" {
		return fmt.Sprintf("%s, a dump of %d devices, SHA-256 %s", d.File, d.Devices, d.SHA256)
	}
	text := fmt.Sprintf("%s: %d rows", d.File, d.Rows)
	if d.Seconds > 0 {
		text += fmt.Sprintf(" over %.1f min", d.Seconds/60)
	}
	if d.Runs > 1 {
		text += fmt.Sprintf(" in %d runs", d.Runs)
	}
	if d.Bad > 0 {
		text += fmt.Sprintf(", %d bad rows set aside", d.Bad)
	}
	var columns []string
	for _, col := range d.Columns {
		columns = append(columns, fmt.Sprintf("%s as %s", col.Header, col.Name))
	}
	return text + "; " + strings.Join(columns, ", ") + "\n  SHA-256 " + d.SHA256
}

func (c *Console) importOne(x *cli.Context, k *openCase, f *job.Folder, step *plans.Step, path string, m logs.Map, retest bool) (imported, error) {
	attempt, fresh := f.LastAttempt(step.ID), false
	if attempt == 0 || retest || attemptClosed(k.input.Job.Attempts[step.ID]) {
		attempt, fresh = attempt+1, true
	}
	start := job.Entry{Kind: job.AttemptStart, Step: step.ID, Attempt: attempt, By: k.by(x)}
	compare := step.Kind.Files() == plans.Captures
	if compare || isPicture(path) {
		part := reading.Capture{Pattern: x.String("pattern"), Mode: x.String("mode")}
		if compare {
			var err error
			if part, err = k.lookAtCapture(statedCapture(x), path); err != nil {
				return imported{}, err
			}
		}
		e, err := f.Keep(path, "capture", "")
		if err != nil {
			return imported{}, err
		}
		entries := []job.Entry{{Kind: job.Picture, Step: step.ID, Attempt: attempt, By: k.by(x), File: &e, Capture: &part}}
		if fresh {
			entries = append([]job.Entry{start}, entries...)
		}
		k.input.Job.Attempts[step.ID] = append(k.input.Job.Attempts[step.ID], reading.Attempt{Number: attempt})
		return imported{File: e.Name, SHA256: e.SHA256, Kind: "capture", Pattern: part.Pattern, Mode: part.Mode}, f.Append(entries...)
	}
	in := job.Import{Step: step.ID, Attempt: attempt, By: k.by(x), Path: path, Begin: fresh}
	switch step.Kind.Files() {
	case plans.FailingList:
		return c.importFailures(x, k, f, in)
	case plans.BusDump:
		return c.importDump(k, f, start, path, fresh)
	}
	if place := x.String("place"); place != "" {
		var err error
		if m, err = placed(path, m, place); err != nil {
			return imported{}, err
		}
	}
	sum, err := f.ImportLog(job.LogImport{Import: in, Map: m, Instrument: x.String("instrument"), Each: untilStopped(x.Context)})
	if err != nil {
		return imported{}, err
	}
	k.input.Job.Attempts[step.ID] = append(k.input.Job.Attempts[step.ID], reading.Attempt{Number: attempt})
	one := imported{File: filepath.Base(path), SHA256: sum.SHA256, Kind: "log", Bad: sum.Bad, Runs: len(sum.Runs)}
	for _, r := range sum.Runs {
		one.Rows += r.Count
		one.Seconds += r.Seconds
	}
	one.Columns = columnsOf(sum.Columns)
	return one, nil
}

// stated is what a person says of a capture; empty where they leave it to the
// capture.
type stated struct{ pattern, mode, route, base string }

func statedCapture(x *cli.Context) stated {
	return stated{x.String("pattern"), x.String("mode"), x.String("route"), x.String("base")}
}

// lookAtCapture reads a capture before it is kept, and finds out which test
// picture it shows in which mode.
func (k *openCase) lookAtCapture(of stated, path string) (reading.Capture, error) {
	part, known := k.looked[path]
	if known {
		return part, nil
	}
	name := filepath.Base(path)
	var mode *pattern.Mode
	if of.mode != "" {
		m, err := scoring.PictureMode(of.mode)
		if err != nil {
			return part, fmt.Errorf("--mode: %w", err)
		}
		mode = &m
	}
	if _, err := scoring.RouteNamed(of.route); err != nil {
		return part, fmt.Errorf("--route: %w", err)
	}
	base, err := baseAddress(of.base)
	if err != nil {
		return part, fmt.Errorf("--base: %w", err)
	}
	p, err := readCaptureFile(path, name, mode)
	if err != nil {
		if errors.Is(err, raster.ErrUnknown) {
			err = fmt.Errorf("%s is not a PNG, JPEG, BMP, TIFF, PCX or TGA picture, and not a .raw dump of the frame buffer", name)
		}
		return part, err
	}
	shows, err := scoring.Identify(p, of.pattern, mode)
	if errors.Is(err, align.ErrNone) {
		return part, fmt.Errorf("%s: %w; say what was shown with --pattern NAME --mode MODE; to keep the picture without comparing it: proveout job attach", name, err)
	}
	if err != nil {
		return part, fmt.Errorf("%s: %w", name, err)
	}
	part = reading.Capture{Pattern: shows.Name(), Mode: shows.Mode.String(), Base: base}
	if of.route != "" && of.route != "auto" {
		part.Route = of.route
	}
	if strings.Contains(of.mode, "@") {
		part.Mode = of.mode
	}
	if org := scoring.FrameMemory(k.input.Family); org != nil && base+shows.Mode.Bytes() > org.Bytes() {
		return part, fmt.Errorf("%s shows a picture of %d bytes from address %d, but the memory of the family %s has %d bytes", name, shows.Mode.Bytes(), base, k.input.Family.ID, org.Bytes())
	}
	if k.looked == nil {
		k.looked = map[string]reading.Capture{}
	}
	k.looked[path] = part
	return part, nil
}

// refuseFile refuses what the step cannot use, before anything is imported. The
// logs behind the first are read whole.
func (c *Console) refuseFile(x *cli.Context, k *openCase, step *plans.Step, path string, m logs.Map, whole bool) error {
	if err := checkFile(path); err != nil {
		return err
	}
	if step.Kind.Files() == plans.Captures {
		_, err := k.lookAtCapture(statedCapture(x), path)
		return err
	}
	if isPicture(path) {
		return nil
	}
	switch step.Kind.Files() {
	case plans.FailingList:
		return c.refuseFailures(x, k, path, whole)
	case plans.BusDump:
		_, err := c.readDump(path)
		return err
	}
	if err := refuseLog(step, path, filepath.Base(path), m); err != nil || !whole {
		return err
	}
	return readWhole(x.Context, path, filepath.Base(path), m)
}

// placed says of every temperature of a map where its sensor sits. A map without
// a format is the one that the log suggests.
func placed(path string, m logs.Map, place string) (logs.Map, error) {
	if m.Format == "" {
		f, err := os.Open(path)
		if err != nil {
			return m, err
		}
		defer f.Close()
		if m, _, err = logs.Sniff(filepath.Base(path), f); err != nil {
			return m, err
		}
	}
	for i := range m.Columns {
		if m.Columns[i].Quantity == "temperature" {
			m.Columns[i].Place = place
		}
	}
	return m, nil
}

func checkPlace(place string) error {
	places := plans.WordsAt(plans.FamilyKind, "thermal.sensor")
	if place == "" || slices.Contains(places, place) {
		return nil
	}
	return fmt.Errorf("--place: %q is not %s", place, document.Alternatives(places))
}

// isPicture reports whether the file begins like a picture.
func isPicture(path string) bool {
	f, err := os.Open(path)
	if err != nil {
		return false
	}
	defer f.Close()
	_, _, err = pictureSize(f)
	return err == nil
}

// pictureSize reads the size of a picture from its head.
func pictureSize(r io.Reader) (width, height int, err error) {
	config, _, err := image.DecodeConfig(r)
	if err != nil {
		return 0, 0, errors.New("not a PNG, JPEG, BMP or TIFF picture")
	}
	return config.Width, config.Height, nil
}

// logMap reads a map by path, or by name from the shop's logmaps folder.
func (c *Console) logMap(shopDir, name string) (logs.Map, error) {
	path := c.path(name)
	if _, err := os.Stat(path); err != nil {
		inShop := filepath.Join(shopDir, "logmaps", name)
		if !strings.HasSuffix(inShop, ".toml") {
			inShop += ".toml"
		}
		if _, err := os.Stat(inShop); err != nil {
			return logs.Map{}, fmt.Errorf("there is no log map %q, neither as a file nor in the shop's logmaps folder", name)
		}
		path = inShop
	}
	return readMap(path)
}

// shopMaps are the names of the log maps in the shop's logmaps folder.
func shopMaps(shopDir string) ([]string, error) {
	entries, err := os.ReadDir(filepath.Join(shopDir, "logmaps"))
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, err
	}
	var names []string
	for _, e := range entries {
		if name, is := strings.CutSuffix(e.Name(), ".toml"); is {
			names = append(names, name)
		}
	}
	return names, nil
}

// stepMap is the log map for a step: the one that was named on the command
// line, else the one that the plan names; empty when the header says.
func (c *Console) stepMap(shopDir string, plan *plans.Plan, step *plans.Step, named string) (logs.Map, error) {
	if named != "" {
		return c.logMap(shopDir, named)
	}
	if step.LogMap() == "" {
		return logs.Map{}, nil
	}
	maps, err := planMaps(shopDir, plan, step.ID)
	return maps[step.ID], err
}

// planMaps reads the log maps that a plan names, by the ids of their steps:
// those of the given steps, or of all when there are none.
func planMaps(shopDir string, plan *plans.Plan, steps ...string) (map[string]logs.Map, error) {
	have, err := shopMaps(shopDir)
	if err != nil {
		return nil, err
	}
	if err := plans.AsError(plans.CheckLogMaps(plan, have, steps...)); err != nil {
		return nil, err
	}
	maps := map[string]logs.Map{}
	for i := range plan.Steps {
		st := &plan.Steps[i]
		if st.LogMap() == "" || len(steps) > 0 && !slices.Contains(steps, st.ID) {
			continue
		}
		if maps[st.ID], err = readMap(filepath.Join(shopDir, "logmaps", st.LogMap()+".toml")); err != nil {
			return nil, err
		}
	}
	return maps, nil
}

func readMap(path string) (logs.Map, error) {
	data, err := readSmall(path)
	if err != nil {
		return logs.Map{}, err
	}
	m, problems := logs.ParseMap(path, data)
	return m, document.AsError(problems)
}

func (c *Console) scoreCommand() *cli.Command {
	return &cli.Command{
		Name:      "score",
		Usage:     "judge a job as it stands",
		ArgsUsage: "JOB",
		Flags:     []cli.Flag{shopFlag, jsonFlag},
		Action: func(x *cli.Context) error {
			k, err := c.openJob(x)
			if err = errors.Join(err, onlyJob(x)); err != nil {
				return err
			}
			o := scoring.Score(k.input)
			if x.Bool("json") {
				err = c.answer(o)
			} else {
				printOutcome(c.Out, c.words(), &o, true)
			}
			if err == nil && !o.Accepted {
				err = errNotPassed
			}
			return err
		},
	}
}
