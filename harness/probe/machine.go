// Package probe reads the machine it runs on: plugged-in devices with their
// configuration space, temperatures, and the display data of monitors; and it
// runs a load command under control.
//
// A system tree or a command comes in; plain values and captured output go
// out. Nothing is ever written to the hardware, and nothing is judged here.
package probe

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"sort"
	"strconv"
	"strings"
	"time"
)

// A Machine is what one look at the system tree found.
type Machine struct {
	At           time.Time     `json:"at"`
	Devices      []Device      `json:"devices"`
	Temperatures []Temperature `json:"temperatures"`
	Monitors     []Monitor     `json:"monitors"`
	Notes        []string      `json:"notes,omitempty"` // what could not be read, and why
}

// A Device is one device on the PCI, AGP or PCI Express bus. IDs are four hex
// digits, lower case.
type Device struct {
	Address         string `json:"address"` // "0000:01:00.0"
	Vendor          string `json:"vendor_id"`
	Device          string `json:"device_id"`
	SubsystemVendor string `json:"subsystem_vendor,omitempty"`
	Subsystem       string `json:"subsystem,omitempty"`
	Revision        string `json:"revision,omitempty"`
	Class           string `json:"class"` // six hex digits
	LinkWidth       string `json:"link_width,omitempty"`
	Config          []byte `json:"-"` // configuration space as far as it may be read
	ConfigBytes     int    `json:"config_bytes"`
}

// Display reports whether the device is a display controller: PCI base class
// 03h (PCI Code and ID Assignment Specification, appendix D).
func (d Device) Display() bool { return strings.HasPrefix(d.Class, "03") }

// A Temperature is one sensor, in degrees Celsius.
type Temperature struct {
	Source  string  `json:"source"` // "hwmon2/temp1"
	Name    string  `json:"name"`
	Celsius float64 `json:"celsius"`
}

// A Monitor is one connector with its display data.
type Monitor struct {
	Connector string `json:"connector"`
	Status    string `json:"status"`
	EDID      []byte `json:"-"`
	EDIDBytes int    `json:"edid_bytes"`
}

// maxFile bounds every file read from the tree; configuration space has 4096
// bytes, display data 128 bytes a block.
const maxFile = 64 << 10

// Look reads the system tree below root, "/" on the machine itself.
func Look(root string, now time.Time) (*Machine, error) {
	sys := filepath.Join(root, "sys")
	if info, err := os.Stat(sys); err != nil || !info.IsDir() {
		if runtime.GOOS != "linux" && root == "/" {
			return nil, errors.New("this computer has no system tree to read; " +
				"a look at the machine needs a bench that runs Linux")
		}
		return nil, fmt.Errorf("%s: no system tree there; give the folder that holds \"sys\"", root)
	}
	m := &Machine{At: now, Devices: []Device{}, Temperatures: []Temperature{}, Monitors: []Monitor{}}
	m.readDevices(sys)
	m.Temperatures = append(m.Temperatures, m.hwmon(sys)...)
	m.Temperatures = append(m.Temperatures, m.zones(sys)...)
	m.readMonitors(sys)
	return m, nil
}

// Named returns the device at an address, with or without its domain, or all
// display devices for "display".
func (m *Machine) Named(address string) ([]Device, error) {
	var found []Device
	var others []string
	for _, d := range m.Devices {
		named := d.Address == address || d.Address == "0000:"+address
		if named || address == "display" && d.Display() {
			found = append(found, d)
		} else {
			others = append(others, d.Address)
		}
	}
	switch {
	case len(found) > 0:
		return found, nil
	case address == "display":
		return nil, fmt.Errorf("this machine has no display device among its %d devices", len(others))
	case len(others) > 12:
		others = append(others[:12], "…")
	}
	return nil, fmt.Errorf("this machine has no device at %s; it has: %s", address, strings.Join(others, ", "))
}

func (m *Machine) note(format string, args ...any) {
	m.Notes = append(m.Notes, fmt.Sprintf(format, args...))
}

// entries lists a folder in the order of its names; a folder that is not there
// is empty.
func (m *Machine) entries(dir string) []string {
	list, err := os.ReadDir(dir)
	if err != nil {
		if !errors.Is(err, fs.ErrNotExist) {
			m.note("%s cannot be listed: %v", filepath.Base(dir), reason(err))
		}
		return nil
	}
	var out []string
	for _, e := range list {
		out = append(out, filepath.Join(dir, e.Name()))
	}
	return out
}

func (m *Machine) readDevices(sys string) {
	for _, dir := range m.entries(filepath.Join(sys, "bus", "pci", "devices")) {
		d := Device{
			Address: filepath.Base(dir), Vendor: hexFile(dir, "vendor", 4), Device: hexFile(dir, "device", 4),
			SubsystemVendor: hexFile(dir, "subsystem_vendor", 4), Subsystem: hexFile(dir, "subsystem_device", 4),
			Revision: hexFile(dir, "revision", 2), Class: hexFile(dir, "class", 6),
			LinkWidth: line(dir, "current_link_width"),
		}
		config, err := readBounded(filepath.Join(dir, "config"))
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			m.note("%s: the configuration space cannot be read: %v", d.Address, reason(err))
		}
		if len(config) == 64 {
			m.note("%s: only the first 64 bytes of the configuration space may be read; "+
				"run as administrator to see the capabilities", d.Address)
		}
		d.Config, d.ConfigBytes = config, len(config)
		m.Devices = append(m.Devices, d)
	}
}

func (m *Machine) hwmon(sys string) []Temperature {
	var out []Temperature
	for _, dir := range m.entries(filepath.Join(sys, "class", "hwmon")) {
		chip := line(dir, "name")
		inputs, _ := filepath.Glob(filepath.Join(dir, "temp*_input"))
		sort.Strings(inputs)
		for _, path := range inputs {
			channel := strings.TrimSuffix(filepath.Base(path), "_input")
			t, ok := m.milliCelsius(path)
			if !ok {
				continue
			}
			name := strings.TrimSpace(chip + " " + line(dir, channel+"_label"))
			out = append(out, Temperature{Source: filepath.Base(dir) + "/" + channel, Name: name, Celsius: t})
		}
	}
	return out
}

func (m *Machine) zones(sys string) []Temperature {
	var out []Temperature
	for _, dir := range m.entries(filepath.Join(sys, "class", "thermal")) {
		if !strings.HasPrefix(filepath.Base(dir), "thermal_zone") {
			continue
		}
		if t, ok := m.milliCelsius(filepath.Join(dir, "temp")); ok {
			out = append(out, Temperature{Source: filepath.Base(dir), Name: line(dir, "type"), Celsius: t})
		}
	}
	return out
}

// milliCelsius reads a sensor in thousandths of a degree Celsius, the unit of
// the kernel's hardware-monitoring interface.
func (m *Machine) milliCelsius(path string) (float64, bool) {
	data, err := readBounded(path)
	if err != nil {
		m.note("%s/%s cannot be read: %v", filepath.Base(filepath.Dir(path)), filepath.Base(path), reason(err))
		return 0, false
	}
	v, err := strconv.ParseInt(strings.TrimSpace(string(data)), 10, 64)
	if err != nil || v < -273150 || v > 1000000 {
		m.note("%s/%s holds no temperature", filepath.Base(filepath.Dir(path)), filepath.Base(path))
		return 0, false
	}
	return float64(v) / 1000, true
}

func (m *Machine) readMonitors(sys string) {
	for _, dir := range m.entries(filepath.Join(sys, "class", "drm")) {
		if _, err := os.Stat(filepath.Join(dir, "edid")); err != nil {
			continue
		}
		edid, err := readBounded(filepath.Join(dir, "edid"))
		if err != nil {
			m.note("%s: the display data cannot be read: %v", filepath.Base(dir), reason(err))
		}
		m.Monitors = append(m.Monitors, Monitor{
			Connector: filepath.Base(dir), Status: line(dir, "status"), EDID: edid, EDIDBytes: len(edid),
		})
	}
}

// hexFile reads a number such as 0x0042 as digits hex digits without prefix.
func hexFile(dir, name string, digits int) string {
	text := strings.TrimPrefix(strings.ToLower(line(dir, name)), "0x")
	if v, err := strconv.ParseUint(text, 16, 32); err == nil {
		return fmt.Sprintf("%0*x", digits, v)
	}
	return ""
}

func line(dir, name string) string {
	data, err := readBounded(filepath.Join(dir, name))
	if err != nil {
		return ""
	}
	first, _, _ := strings.Cut(string(data), "\n")
	return strings.TrimSpace(first)
}

func readBounded(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	data, _ := io.ReadAll(io.LimitReader(f, maxFile)) // what could be read counts
	return data, nil
}

// reason drops the path of a file error.
func reason(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}
