package bus_test

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"proveout/plans"
	"proveout/scoring/bus"
)

// modeLines writes the modes of an EDID as edid-decode lists them, sorted.
func modeLines(e bus.EDID) []string {
	var out []string
	dtd := 0
	for _, m := range e.Modes {
		i := ""
		if m.Timing.Interlaced {
			i = "i"
		}
		name := m.Timing.Name()
		if m.Source == "detailed" {
			dtd++
			name = fmt.Sprintf("DTD %d", dtd)
		}
		out = append(out, fmt.Sprintf("%s: %dx%d%s %.3f Hz %.3f kHz %.3f MHz", name, m.Timing.Width, m.Timing.Height, i,
			m.Timing.RefreshHz(), m.Timing.LineHz()/1e3, m.Timing.PixelClockHz/1e6))
	}
	slices.Sort(out)
	return out
}

// toolModeLines finds the same in what edid-decode prints.
func toolModeLines(t testing.TB, out string) []string {
	re := regexp.MustCompile(`(?m)^\s+(DMT 0x..|[A-Za-z]+|DTD \d)\s*:\s+(\d+x\d+i?)\s+` +
		`([\d.]+) Hz\s+\S+\s+([\d.]+) kHz\s+([\d.]+) MHz`)
	var lines []string
	for _, m := range re.FindAllStringSubmatch(out, -1) {
		if !strings.Contains(m[1], " ") && m[1] != "GTF" && m[1] != "CVT" {
			m[1] = "legacy" // the tool names the maker whose mode it was
		}
		lines = append(lines, fmt.Sprintf("%s: %s %.3f Hz %.3f kHz %.3f MHz", m[1], m[2],
			number(t, m[3]), number(t, m[4]), number(t, m[5])))
	}
	slices.Sort(lines)
	return lines
}

func identified(e bus.EDID) []string {
	out := []string{
		"EDID Structure Version & Revision: " + e.Version,
		"Manufacturer: " + e.Manufacturer,
		fmt.Sprintf("Model: %d", e.ProductCode),
	}
	if e.WidthCM > 0 {
		out = append(out, fmt.Sprintf("Maximum image size: %d cm x %d cm", e.WidthCM, e.HeightCM))
	}
	if r := e.Range; r != nil {
		out = append(out, fmt.Sprintf("%.0f-%.0f Hz V, %.0f-%.0f kHz H, max dotclock %.0f MHz",
			r.MinRefreshHz, r.MaxRefreshHz, r.MinLineHz/1e3, r.MaxLineHz/1e3, r.MaxClockHz/1e6))
	}
	if e.Name != "" {
		out = append(out, "Display Product Name: '"+e.Name+"'")
	}
	return out
}

// testdata/monitor_*.hex: anonymised EDIDs of real monitors; *.txt: what
// edid-decode (2022-03-30) prints for them.
func TestEDIDAsTool(t *testing.T) {
	for _, name := range []string{"a1", "a2", "a3"} {
		data, err := os.ReadFile("testdata/monitor_" + name + ".hex")
		if err != nil {
			t.Fatal(err)
		}
		want, err := os.ReadFile("testdata/monitor_" + name + ".txt")
		if err != nil {
			t.Fatal(err)
		}
		e, err := bus.ParseEDID(data)
		if err != nil || !e.OK || !e.ChecksumOK {
			t.Fatalf("%s: %v %v", name, err, e.Notes)
		}
		compareLines(t, modeLines(e), toolModeLines(t, string(want)))
		for _, f := range identified(e) {
			if !strings.Contains(string(want), f) {
				t.Errorf("%s: %q is not what the tool prints", name, f)
			}
		}
		if e.Preferred == nil || e.Preferred.Source != "detailed" {
			t.Errorf("%s: preferred %+v", name, e.Preferred)
		}
	}
}

func sample(t testing.TB, name string) []byte {
	t.Helper()
	text, err := os.ReadFile("testdata/monitor_" + name + ".hex")
	if err != nil {
		t.Fatal(err)
	}
	var b []byte
	for _, f := range strings.Fields(string(text)) {
		var x byte
		if _, err := fmt.Sscanf(f, "%02x", &x); err != nil {
			t.Fatal(err)
		}
		b = append(b, x)
	}
	return b
}

func seal(b []byte) {
	sum := byte(0)
	for _, x := range b[:127] {
		sum += x
	}
	b[127] = -sum
}

func TestEDIDForms(t *testing.T) {
	b := sample(t, "a1")
	want, err := bus.ParseEDID(b)
	if err != nil || !want.OK {
		t.Fatal(err)
	}
	var c, plain, offsets strings.Builder
	for i, x := range b {
		fmt.Fprintf(&c, "0x%02X, ", x)
		fmt.Fprintf(&plain, "%02x", x)
		if i%16 == 0 {
			fmt.Fprintf(&offsets, "\n%08x: ", i)
		}
		fmt.Fprintf(&offsets, "%02x ", x)
	}
	for name, text := range map[string]string{
		"array":    c.String(),
		"one word": plain.String(),
		"offsets":  "EDID of the bench monitor\n" + offsets.String(),
	} {
		got, err := bus.ParseEDID([]byte(text))
		if err != nil || !got.OK || got.Name != want.Name || len(got.Modes) != len(want.Modes) {
			t.Errorf("%s: %v, %v", name, err, got.Notes)
		}
	}
	b[0x27] ^= 1
	bad, err := bus.ParseEDID(b)
	if err != nil || bad.OK || bad.ChecksumOK {
		t.Errorf("one bit wrong: %v, ok %v, checksum %v", err, bad.OK, bad.ChecksumOK)
	}
	if _, err := bus.ParseEDID(b[:100]); err == nil {
		t.Error("100 bytes are accepted")
	}
}

// Random timings in sound blocks, against edid-decode on the same bytes.
func TestEDIDAgainstTool(t *testing.T) {
	if !allChecks() {
		t.Skip("runs edid-decode: set PROVEOUT_ALL_CHECKS=1")
	}
	r := rand.New(rand.NewPCG(8, 8))
	codes := []byte{0x31, 0x45, 0x61, 0x71, 0x81, 0xa9, 0xd1, 0x95, 0x90, 0xc1}
	for try := range 150 {
		b := sample(t, []string{"a1", "a2", "a3"}[try%3])
		b[0x13] = byte(3 + try%2)
		for i := 0x23; i < 0x26; i++ {
			b[i] = byte(r.Uint32())
		}
		b[0x25] &= 0x80
		for i := 0x26; i < 0x36; i += 2 {
			b[i], b[i+1] = codes[r.IntN(len(codes))], byte(r.IntN(4))<<6|byte([]int{0, 5, 10, 12, 15, 25}[r.IntN(6)])
		}
		d := b[0x36:0x48]
		put(d, 0, 2500+uint32(r.IntN(12000)), 2)
		d[2], d[3], d[4] = byte(r.Uint32()), byte(128+r.IntN(120)), byte(2+r.IntN(4))<<4
		d[5], d[6], d[7] = byte(r.Uint32()), byte(40+r.IntN(60)), byte(1+r.IntN(3))<<4
		d[8], d[9], d[10], d[11] = byte(r.IntN(50)), byte(r.IntN(70)), byte(r.IntN(8))<<4|byte(1+r.IntN(15)), 0
		d[15], d[16], d[17] = 0, 0, 0x18|byte(r.IntN(4))<<1
		seal(b)
		file := filepath.Join(t.TempDir(), "edid")
		if err := os.WriteFile(file, b, 0o600); err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command("edid-decode", "-s", "--skip-sha", file).CombinedOutput()
		if len(out) < 200 {
			t.Fatalf("edid-decode: %v %s", err, out)
		}
		e, err := bus.ParseEDID(b)
		if err != nil || !e.OK {
			t.Fatal(err, e.Notes)
		}
		compareLines(t, modeLines(e), toolModeLines(t, string(out)))
		if t.Failed() {
			t.Fatalf("%s", out)
		}
	}
}

// extended is a monitor with a CTA-861 block behind the first: modes 4 and 19 by
// number, the first of them preferred, and the block's own detailed timing.
func extended(t *testing.T) []byte {
	b := append(sample(t, "a1"), make([]byte, 128)...)
	b[126] = 1
	seal(b)
	x := b[128:]
	copy(x, []byte{2, 3, 7, 0, 2<<5 | 2, 0x84, 19})
	copy(x[7:], b[0x36:0x48])
	seal(x)
	return b
}

// Layout and the modes of numbers 4 and 19: CTA-861, as edid-decode (2022-03-30)
// prints a block like this.
func TestEDIDExtension(t *testing.T) {
	b := extended(t)
	first, err := bus.ParseEDID(b[:128])
	if err != nil {
		t.Fatal(err)
	}
	e, err := bus.ParseEDID(b)
	if err != nil || !e.OK || len(e.Notes) > 0 || len(e.Modes) != len(first.Modes)+3 {
		t.Fatalf("%v, ok %v, %v, %d modes beside %d", err, e.OK, e.Notes, len(e.Modes), len(first.Modes))
	}
	lines := modeLines(e)
	for _, want := range []string{"CTA: 1280x720 60.000 Hz 45.000 kHz 74.250 MHz", "CTA: 1280x720 50.000 Hz 37.500 kHz 74.250 MHz"} {
		if !slices.Contains(lines, want) {
			t.Errorf("%s is not in %v", want, lines)
		}
	}
	for name, tt := range map[string]struct {
		spoil func(b []byte)
		note  string
		ok    bool
	}{
		"one bit wrong":         {func(b []byte) { b[128+6] ^= 4 }, "bus.edid-block-checksum", false},
		"another kind of block": {func(b []byte) { b[128] = 0x70; seal(b[128:]) }, "bus.edid-block-unread", true},
		"a length beyond it":    {func(b []byte) { b[128+4] = 2<<5 | 30; seal(b[128:]) }, "bus.edid-block-broken", true},
		"a mode not known":      {func(b []byte) { b[128+6] = 120; seal(b[128:]) }, "bus.edid-number-unknown", true},
	} {
		b := extended(t)
		tt.spoil(b)
		e, err := bus.ParseEDID(b)
		if err != nil || e.OK != tt.ok || e.ChecksumOK != tt.ok || len(e.Notes) != 1 || e.Notes[0].Key != tt.note {
			t.Errorf("%s: %v, ok %v, %v", name, err, e.OK, e.Notes)
		}
	}
}

// Each established timing bit alone names its mode.
func TestEstablishedTimings(t *testing.T) {
	for _, r := range table(establishedTable) {
		b := sample(t, "a1")
		b[0x23], b[0x24], b[0x25] = 0, 0, 0
		var at, bit int
		if _, err := fmt.Sscanf(r[0]+" "+r[1], "0x%x %d", &at, &bit); err != nil {
			t.Fatal(err)
		}
		if at < 0x20 {
			copy(b[0x48:0x5a], make([]byte, 18))
			b[0x4b], b[0x4d] = 0xf7, 10
			at += 0x48
		}
		b[at] = 1 << uint(bit)
		for i := 0x26; i < 0x36; i++ {
			b[i] = 1 // no standard timing
		}
		copy(b[0x36:0x48], make([]byte, 18)) // nor a detailed one
		b[0x39] = 0x10
		seal(b)
		e, err := bus.ParseEDID(b)
		if err != nil {
			t.Fatal(err)
		}
		m := e.Modes[0]
		got := fmt.Sprintf("%d %d %.6f %.3f %.6f", m.Timing.Width, m.Timing.Height,
			m.Timing.RefreshHz(), m.Timing.LineHz()/1e3, m.Timing.PixelClockHz/1e6)
		if want := strings.Join(r[2:], " "); m.Source != "established" || got != want {
			t.Errorf("%s bit %s: %s, want %s", r[0], r[1], got, want)
		}
	}
}

func TestMonitorShows(t *testing.T) {
	e, err := bus.ParseEDID(sample(t, "a3")) // 50 to 120 Hz, 30 to 70 kHz, 110 MHz
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		w, h int
		hz   float64
		want bool
	}{
		{1024, 768, 85, true}, {1600, 1200, 60, false}, {640, 480, 60, true}, {640, 480, 120, true},
		{1280, 1024, 85, false},
	} {
		ok, why, err := e.ShowsMode(plans.Mode{Width: tt.w, Height: tt.h, Rate: tt.hz})
		if err != nil || ok != tt.want {
			t.Errorf("%dx%d at %v Hz: %v, %v, %v", tt.w, tt.h, tt.hz, ok, why, err)
		}
	}
}

func FuzzParseEDID(f *testing.F) {
	f.Add(sample(f, "a1"))
	f.Add([]byte(strings.Repeat("0: 00 ff ff\n", 60)))
	f.Add(slices.Repeat([]byte{0, 0xff, 0xfa, 1}, 32))
	f.Fuzz(func(t *testing.T, data []byte) {
		e, err := bus.ParseEDID(data)
		if err != nil {
			return
		}
		if _, err := json.Marshal(e); err != nil {
			t.Fatal(err)
		}
		for _, m := range e.Modes {
			e.ShowsMode(plans.Mode{Width: m.Timing.Width, Height: m.Timing.Height, Rate: m.Timing.RefreshHz()})
		}
	})
}
