package probe

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// tree writes a system tree of an invented machine; file formats as in the
// kernel's sysfs-bus-pci, hwmon and thermal interface documents.
func tree(t *testing.T) string {
	t.Helper()
	root := t.TempDir()
	for path, text := range map[string]string{
		"sys/bus/pci/devices/0000:01:00.0/vendor":           "0xf1a5\n",
		"sys/bus/pci/devices/0000:01:00.0/device":           "0x0421\n",
		"sys/bus/pci/devices/0000:01:00.0/class":            "0x030000\n",
		"sys/bus/pci/devices/0000:01:00.0/subsystem_vendor": "0xf1a6\n",
		"sys/bus/pci/devices/0000:01:00.0/subsystem_device": "0x0007\n",
		"sys/bus/pci/devices/0000:01:00.0/revision":         "0x3\n",
		"sys/bus/pci/devices/0000:01:00.0/config":           strings.Repeat("\x00", 64),
		"sys/bus/pci/devices/0000:00:00.0/vendor":           "0xf1a7\n",
		"sys/bus/pci/devices/0000:00:00.0/device":           "0x0001\n",
		"sys/bus/pci/devices/0000:00:00.0/class":            "0x060000\n",
		"sys/class/hwmon/hwmon0/name":                       "board\n",
		"sys/class/hwmon/hwmon0/temp1_input":                "41500\n",
		"sys/class/hwmon/hwmon0/temp1_label":                "heatsink\n",
		"sys/class/hwmon/hwmon0/temp2_input":                "broken\n",
		"sys/class/thermal/thermal_zone0/temp":              "38000\n",
		"sys/class/thermal/thermal_zone0/type":              "case\n",
		"sys/class/drm/card0-VGA-1/edid":                    strings.Repeat("\xff", 128),
		"sys/class/drm/card0-VGA-1/status":                  "connected\n",
	} {
		full := filepath.Join(root, path)
		if err := os.MkdirAll(filepath.Dir(full), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(full, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return root
}

func TestLook(t *testing.T) {
	m, err := Look(tree(t), time.Unix(0, 0))
	if err != nil {
		t.Fatal(err)
	}
	if len(m.Devices) != 2 || m.Devices[0].Display() || !m.Devices[1].Display() {
		t.Fatalf("devices: %+v", m.Devices)
	}
	d := m.Devices[1]
	if d.Vendor != "f1a5" || d.Device != "0421" || d.Revision != "03" || d.ConfigBytes != 64 ||
		d.SubsystemVendor != "f1a6" || d.Subsystem != "0007" {
		t.Errorf("device: %+v", d)
	}
	want := []Temperature{{"hwmon0/temp1", "board heatsink", 41.5}, {"thermal_zone0", "case", 38}}
	if len(m.Temperatures) != 2 || m.Temperatures[0] != want[0] || m.Temperatures[1] != want[1] {
		t.Errorf("temperatures: %+v", m.Temperatures)
	}
	if len(m.Monitors) != 1 || m.Monitors[0].EDIDBytes != 128 || m.Monitors[0].Status != "connected" {
		t.Errorf("monitors: %+v", m.Monitors)
	}
	notes := strings.Join(m.Notes, "\n")
	for _, want := range []string{"temp2_input holds no temperature", "only the first 64 bytes"} {
		if !strings.Contains(notes, want) {
			t.Errorf("notes %q do not say %q", notes, want)
		}
	}
}

func TestLookWithoutATree(t *testing.T) {
	if _, err := Look(t.TempDir(), time.Time{}); err == nil || !strings.Contains(err.Error(), "no system tree") {
		t.Errorf("got %v, want a hint at the missing tree", err)
	}
}
