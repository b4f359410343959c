package workflow

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"proveout/harness/job"
	"proveout/harness/logs"
	"proveout/harness/probe"
	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/scoring/bus"
)

// A Machine is the computer that a card sits in, as its system tree shows it.
type Machine struct {
	Root string // folder that holds the system tree; empty: it is not looked at
}

func (m Machine) look() *probe.Machine {
	if m.Root == "" {
		return &probe.Machine{}
	}
	found, err := probe.Look(m.Root, time.Now())
	if err != nil {
		return &probe.Machine{}
	}
	return found
}

// Decoded is what the configuration space of a device says; nil when it cannot
// be read.
func Decoded(d probe.Device) *bus.Device {
	one, ok := bus.Decode(d.Address, d.Config)
	if !ok {
		return nil
	}
	return &one
}

// LocalDevices decodes the configuration space of devices of this computer, named
// as [probe.Machine.Named] says.
func LocalDevices(root, address string, now time.Time) ([]bus.Device, error) {
	m, err := probe.Look(root, now)
	if err != nil {
		return nil, err
	}
	found, err := m.Named(address)
	if err != nil {
		return nil, err
	}
	var out []bus.Device
	for _, d := range found {
		if len(d.Config) == 0 {
			return nil, fmt.Errorf("configuration space of %s cannot be read here: %s",
				d.Address, strings.Join(m.Notes, "; "))
		}
		device := Decoded(d)
		if device == nil {
			return nil, fmt.Errorf("%s: %d bytes of configuration space, a header has 64", d.Address, len(d.Config))
		}
		if device.DumpBytes < 256 {
			device.Notes = append(device.Notes, fact.New("bus.header-without-rights"))
		}
		out = append(out, *device)
	}
	return out, nil
}

// NameDevices gives devices the names of the system's list, where it has one.
func NameDevices(devices []bus.Device) {
	for _, dir := range []string{"/usr/share/misc", "/usr/share/hwdata", "/usr/share", "/var/lib/pciutils"} {
		f, err := os.Open(filepath.Join(dir, "pci.ids"))
		if err != nil {
			continue
		}
		err = bus.FillNames(f, devices)
		f.Close()
		if err == nil {
			return
		}
	}
}

// Link says on which bus a device sits and the rate in use, in the words of a
// family file; empty where it does not tell.
func Link(d probe.Device) (kind, rate string) {
	if decoded := Decoded(d); decoded != nil {
		kind, rate = decoded.Link()
	}
	if d.LinkWidth != "" && (kind == "" || kind == "PCI") { // the system knows the link all the same
		return "PCIe", "x" + d.LinkWidth
	}
	return kind, rate
}

// Offer reads what a detection step asks for from the computer the card sits
// in. address is where the card is; there are no readings where there is none.
func (j *Job) Offer(m Machine, step *plans.Step) (readings []reading.Reading, address string) {
	if step.Kind.Files() != plans.BusDump {
		return nil, ""
	}
	found, ok := ownDevice(m.look().Devices, j.Family)
	if !ok {
		return nil, ""
	}
	kind, rate := Link(found)
	values := map[string]string{"detected": plans.Yes, "bus": kind, "id": found.Vendor + ":" + found.Device, "rate": rate}
	if found.Subsystem != "" {
		values["subsystem"] = found.SubsystemVendor + ":" + found.Subsystem
	}
	for _, f := range plans.Fields(step, j.Family) {
		if v := values[f.Name]; v != "" {
			readings = append(readings, reading.Reading{Name: f.Name, Word: v, Text: v, Source: reading.Source{Kind: "probe"}})
		}
	}
	return readings, found.Address
}

// ownDevice finds the card among the devices: the one with the family's IDs,
// else the only display controller.
func ownDevice(devices []probe.Device, family *plans.Family) (probe.Device, bool) {
	var displays []probe.Device
	for _, one := range devices {
		for _, id := range family.IDs {
			if strings.EqualFold(one.Vendor, id.Vendor) && strings.EqualFold(one.Device, id.Device) {
				return one, true
			}
		}
		if one.Display() {
			displays = append(displays, one)
		}
	}
	if len(displays) == 1 {
		return displays[0], true
	}
	return probe.Device{}, false
}

// temperatures are what the sensors of the computer read, in °C.
func (m Machine) temperatures() map[string]float64 {
	out := map[string]float64{}
	for _, t := range m.look().Temperatures {
		out[t.Source] = t.Celsius
	}
	return out
}

// Sensors lists the temperatures that the computer can read.
func (m Machine) Sensors() []string { return slices.Sorted(maps.Keys(m.temperatures())) }

// A temperatureLog is a log of temperatures of this computer, with a row each
// interval as long as somebody asks for it.
type temperatureLog struct {
	machine Machine
	sensors []string
	file    *os.File
	every   time.Duration
	start   time.Time
	next    time.Duration // since the start
	rows    int
}

// logTemperatures begins a log of sensors of a computer, in a file of its own.
func (j *Job) logTemperatures(
	m Machine, path string, every time.Duration, sensors ...string,
) (*temperatureLog, error) {
	file, err := os.Create(path)
	if err != nil {
		return nil, err
	}
	heads := strings.Join(sensors, ",")
	if len(sensors) == 1 {
		heads = "temperature_C" // with several, which one is the card's is for a person to say
	}
	if _, err := fmt.Fprintln(file, "time_s,"+heads); err != nil {
		return nil, errors.Join(err, file.Close())
	}
	j.written(path, true)
	return &temperatureLog{machine: m, sensors: sensors, file: file, every: every, start: time.Now()}, nil
}

// written notes a file that this program writes for the job, and whether its
// header says what it holds.
func (j *Job) written(path string, understood bool) {
	if j.own == nil {
		j.own = map[string]bool{}
	}
	j.own[path] = understood
}

// sample writes the temperatures of now when a row is due; what cannot be read
// is left empty.
func (l *temperatureLog) sample() error {
	elapsed := time.Since(l.start)
	if elapsed < l.next {
		return nil
	}
	l.next = elapsed + l.every
	line, found := fmt.Sprintf("%.1f", elapsed.Seconds()), false
	read := l.machine.temperatures()
	for _, name := range l.sensors {
		celsius, ok := read[name]
		line += ","
		if found = found || ok; ok {
			line += fmt.Sprintf("%.3f", celsius)
		}
	}
	if !found {
		return nil
	}
	l.rows++
	if _, err := fmt.Fprintln(l.file, line); err != nil {
		return fmt.Errorf("the temperatures cannot be kept: %w", err)
	}
	return nil
}

// close ends the log. There is no file of a log without a row.
func (l *temperatureLog) close() (files []string, err error) {
	if err = l.file.Close(); l.rows > 0 {
		files = []string{l.file.Name()}
	}
	return files, err
}

// A sensorFollower logs a temperature of this computer and follows that log.
type sensorFollower struct {
	*logFollower
	log *temperatureLog
}

// Sample begins to log a sensor of the computer, by its name, once a second.
func (j *Job) Sample(m Machine, step *plans.Step, sensor string) (Follower, error) {
	if names := m.Sensors(); !slices.Contains(names, sensor) {
		return nil, fmt.Errorf("there is no sensor %q; there are: %s", sensor, strings.Join(names, ", "))
	}
	dir, err := os.MkdirTemp("", "proveout-sensor-")
	if err != nil {
		return nil, err
	}
	name := strings.NewReplacer("/", "-", " ", "-").Replace(sensor) + ".csv"
	log, err := j.logTemperatures(m, filepath.Join(dir, name), time.Second, sensor)
	if err != nil {
		return nil, err
	}
	followed, err := newLogFollower(log.file.Name(), logs.Map{}, j.view(step))
	return &sensorFollower{followed, log}, err
}

func (f *sensorFollower) Poll() (Live, error) {
	if err := f.log.sample(); err != nil {
		return f.view.state(), err
	}
	live, err := f.logFollower.Poll()
	live.Trouble = fact.Fact{}
	return live, err
}

func (f *sensorFollower) Stop() (files []string, notes []fact.Fact, err error) {
	f.logFollower.Stop()
	if files, err = f.log.close(); len(files) > 0 {
		notes = append(notes, fact.New("follow.sensor", "sensor", f.log.sensors[0]))
	}
	return files, notes, err
}

// confirmedFile remembers, in the shop folder, which commands may run.
const confirmedFile = ".confirmed-commands"

// commandKey is the hash of a command as it stands, words apart by NUL.
func commandKey(words []string) string {
	sum := sha256.Sum256([]byte(strings.Join(words, "\x00")))
	return hex.EncodeToString(sum[:])
}

// Command returns the command that a step names, and whether this shop has
// confirmed it as it is. There is none where no computer is looked at.
func (j *Job) Command(m Machine, step *plans.Step) (words []string, confirmed bool) {
	words = plans.SpecOf[plans.Load](step).Command
	if m.Root == "" || len(words) == 0 {
		return nil, false
	}
	data, _ := os.ReadFile(filepath.Join(j.home.Dir, confirmedFile))
	key := commandKey(words)
	for l := range strings.Lines(string(data)) {
		if word, _, _ := strings.Cut(l, " "); word == key {
			return words, true
		}
	}
	return words, false
}

// Confirm remembers that a step's command may run.
func (j *Job) Confirm(step *plans.Step, words []string) error {
	path := filepath.Join(j.home.Dir, confirmedFile)
	data, err := os.ReadFile(path)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	line := fmt.Sprintf("%s %s %s by %s at %s\n",
		commandKey(words), j.Plan.ID, step.ID, j.By, time.Now().Format(time.RFC3339))
	return job.WriteFile(path, append(data, line...), job.ReplaceExisting)
}

// A commandFollower runs a step's command beside the clock, keeps its output,
// and logs the temperatures of this computer beside it.
type commandFollower struct {
	*logFollower // of the output
	cancel       context.CancelFunc
	done         chan struct{} // closed when the command has ended
	ran          probe.Ran     // known when it has
	err          error         // likewise
	output       *os.File
	beside       *temperatureLog // may be nil
}

// besideEvery is how often temperatures are read beside a command.
const besideEvery = 2 * time.Second

// Start runs the step's command for at most the given time.
func (j *Job) Start(m Machine, step *plans.Step, words []string, duration time.Duration) (Follower, error) {
	dir, err := os.MkdirTemp("", "proveout-load-")
	if err != nil {
		return nil, fmt.Errorf("starting the command: %w", err)
	}
	output, err := os.Create(filepath.Join(dir, step.ID+"-output.txt"))
	if err != nil {
		return nil, fmt.Errorf("starting the command: %w", err)
	}
	j.written(output.Name(), false)
	logMap, err := j.mapOf(step)
	if err != nil {
		return nil, err
	}
	watched, err := newLogFollower(output.Name(), logMap, j.view(step))
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithCancel(context.Background())
	f := &commandFollower{logFollower: watched, cancel: cancel, done: make(chan struct{}), output: output}
	load := probe.Load{Args: words, Dir: j.home.Dir, Duration: duration, Output: output}
	if sensors := m.Sensors(); len(sensors) > 0 {
		path := filepath.Join(dir, step.ID+"-temperatures.csv")
		f.beside, _ = j.logTemperatures(m, path, besideEvery, sensors...) // the command runs all the same
	}
	go func() {
		f.ran, f.err = load.Run(ctx)
		close(f.done)
	}()
	return f, nil
}

// Poll reads the output. Output that is no log is no trouble: it is kept as it
// is.
func (f *commandFollower) Poll() (Live, error) {
	if f.beside != nil {
		f.beside.sample() // what is missing there is no trouble either
	}
	live := f.view.state()
	if f.tail != nil {
		var err error
		if live, err = f.logFollower.Poll(); err != nil {
			f.tail = nil
		}
	}
	live.Trouble, live.Stalled = fact.Fact{}, false
	select {
	case <-f.done:
		live.Done = true
	default:
	}
	return live, nil
}

// Stop ends the command with all its children and returns its output.
func (f *commandFollower) Stop() (files []string, notes []fact.Fact, err error) {
	f.cancel()
	<-f.done
	f.output.Close()
	if ran := f.ran; f.err != nil {
		notes = append(notes, fact.New("follow.command-failed", "why", f.err.Error()))
	} else {
		what := []fact.Fact{fact.New("follow.command", "how", ran.String())}
		if ran.Left > 0 {
			what = append(what, fact.New("follow.children", "n", ran.Left))
		}
		if ran.Dropped > 0 {
			what = append(what, fact.New("follow.dropped", "n", ran.Dropped, "all", ran.Bytes))
		}
		notes = append(notes, fact.Text(fact.ListOf(fact.Semicolon, what)))
	}
	f.logFollower.Stop()
	if info, statErr := os.Stat(f.output.Name()); statErr == nil && info.Size() > 0 {
		files = append(files, f.output.Name())
	}
	if f.beside != nil {
		more, _ := f.beside.close()
		files = append(files, more...)
	}
	return files, notes, f.err
}
