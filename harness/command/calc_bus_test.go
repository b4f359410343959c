package command_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"proveout/harness/command"
)

// TestLocalDevice reads a device from a system tree as calc pci --local does.
// Layout of the tree: sysfs, bus/pci/devices (from memory).
func TestLocalDevice(t *testing.T) {
	root := t.TempDir()
	dir := filepath.Join(root, "sys", "bus", "pci", "devices", "0000:01:00.0")
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Skip("this system takes no such folder name")
	}
	config := make([]byte, 256)
	binary.LittleEndian.PutUint16(config[0:], 0xf5e1)
	binary.LittleEndian.PutUint16(config[2:], 0x0137)
	config[0xb] = 3
	for name, data := range map[string][]byte{
		"config": config,
		"vendor": []byte("0xf5e1\n"),
		"device": []byte("0x0137\n"),
		"class":  []byte("0x030000\n"),
	} {
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	run := func(args ...string) (string, string, int) {
		var out, diag bytes.Buffer
		c := &command.Console{
			In: strings.NewReader(""), Out: &out, Diag: &diag,
			Getenv: func(string) string { return "" }, Now: time.Now,
		}
		code := c.Run(context.Background(), append([]string{"proveout", "calc", "pci", "--root", root}, args...))
		return out.String(), diag.String(), code
	}
	for _, address := range []string{"01:00.0", "0000:01:00.0", "display"} {
		out, diag, code := run("--local", address, "--json")
		var a struct {
			Devices []struct {
				Address  string `json:"address"`
				DeviceID string `json:"device_id"`
				Class    string `json:"class"`
			} `json:"devices"`
		}
		err := json.Unmarshal([]byte(out), &a)
		found := err == nil && code == 0 && len(a.Devices) == 1
		if !found || a.Devices[0].DeviceID != "0x0137" || a.Devices[0].Address != "0000:01:00.0" {
			t.Errorf("%s: exit %d, %s%s", address, code, out, diag)
		}
	}
	if _, diag, code := run("--local", "02:00.0"); code != 2 || !strings.Contains(diag, "it has: 0000:01:00.0") {
		t.Errorf("exit %d, %s", code, diag)
	}
	if _, diag, code := run("--local", "01:00.0", "card.txt"); code != 2 || diag == "" {
		t.Errorf("exit %d, %s", code, diag)
	}
}
