package bus_test

import (
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"proveout/plans"
	"proveout/plans/fact"
	"proveout/plans/quantity"
	"proveout/scoring/bus"
	"proveout/scoring/conformity"
)

func decodeAll(t testing.TB, text []byte) []bus.Device {
	t.Helper()
	devices, problems := bus.ParseDump(text)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	return devices
}

// asPciutils writes a decoded device as lspci -n -vv does, the lines that both
// know.
func asPciutils(d bus.Device) []string {
	bare := func(s string) string { return strings.ReplaceAll(s, "0x", "") }
	rev := ""
	if d.Revision != "0x00" {
		rev = " (rev " + bare(d.Revision) + ")"
	}
	out := []string{fmt.Sprintf("%s %s:%s%s", d.Address, bare(d.VendorID), bare(d.DeviceID), rev)}
	if d.Subsystem != "" && d.Subsystem != "0x0000:0x0000" {
		out = append(out, "Subsystem: "+bare(d.Subsystem))
	}
	c := d.Command
	out = append(out,
		"Control:"+flags(c, [][2]string{
			{"I/O", "I/O"}, {"memory", "Mem"}, {"bus master", "BusMaster"}, {"special cycles", "SpecCycle"},
			{"memory write and invalidate", "MemWINV"}, {"VGA palette snoop", "VGASnoop"},
			{"parity error response", "ParErr"}, {"stepping", "Stepping"}, {"SERR#", "SERR"},
			{"fast back-to-back", "FastB2B"}, {"interrupt disable", "DisINTx"},
		}),
		"Status:"+flags(d.Status, [][2]string{
			{"capabilities", "Cap"}, {"66 MHz", "66MHz"}, {"user definable features", "UDF"},
			{"fast back-to-back", "FastB2B"}, {"master data parity error", "ParErr"},
			{"signalled target abort", ">TAbort"}, {"received target abort", "<TAbort"},
			{"received master abort", "<MAbort"}, {"signalled system error", ">SERR"},
			{"detected parity error", "<PERR"}, {"interrupt", "INTx"},
		}))
	disabled := func(off bool) string {
		if off {
			return " [disabled]"
		}
		return ""
	}
	for _, b := range d.BARs {
		if b.Kind == "io" {
			off := disabled(!slices.Contains(c, "I/O"))
			out = append(out, fmt.Sprintf("Region %d: I/O ports at %04x%s", b.Index, b.Address, off))
			continue
		}
		kind := map[int]string{20: "low-1M", 32: "32-bit", 64: "64-bit"}[b.Width] + ", non-prefetchable"
		if b.Prefetchable {
			kind = strings.Replace(kind, "non-", "", 1)
		}
		off := disabled(!slices.Contains(c, "memory"))
		out = append(out, fmt.Sprintf("Region %d: Memory at %08x (%s)%s", b.Index, b.Address, kind, off))
	}
	if d.ROM != nil {
		off := disabled(!d.ROM.Enabled || !slices.Contains(c, "memory"))
		out = append(out, fmt.Sprintf("Expansion ROM at %08x%s", d.ROM.Address, off))
	}
	for _, x := range d.Capabilities {
		switch {
		case x.ID == 1 && d.PowerManagement != nil:
			p := d.PowerManagement
			out = append(out, fmt.Sprintf("Capabilities: [%02x] Power Management version %d", x.Offset, p.Version),
				"Status: "+strings.Replace(p.State, "D3hot", "D3", 1))
		case x.ID == 2 && d.AGP != nil:
			a := d.AGP
			out = append(out, fmt.Sprintf("Capabilities: [%02x] AGP version %s", x.Offset, a.Version),
				fmt.Sprintf("Status: RQ=%d %s %s %s Rate=%s", a.RequestDepth,
					yes(a.Sideband, "SBA"), yes(a.FastWrite, "FW"), yes(a.AGP3, "AGP3"), rates(a.Rates)),
				fmt.Sprintf("Command: %s %s %s",
					yes(a.EnabledSideband, "SBA"), yes(a.Enabled, "AGP"), yes(a.EnabledFastWrite, "FW")))
		case x.ID == 0x10 && d.Express != nil:
			e := d.Express
			out = append(out, fmt.Sprintf("Capabilities: [%02x] Express", x.Offset),
				fmt.Sprintf("LnkCap: Speed %s, Width x%d", gt(e.MaxSpeedGT), e.MaxWidth),
				fmt.Sprintf("LnkSta: Speed %s Width x%d", gt(e.SpeedGT), e.Width))
		}
	}
	return out
}

// yes writes a flag as lspci does, and flags those of a register.
func yes(set bool, short string) string {
	if set {
		return short + "+"
	}
	return short + "-"
}

func flags(set []string, names [][2]string) (text string) {
	for _, n := range names {
		text += " " + yes(slices.Contains(set, n[0]), n[1])
	}
	return text
}

func gt(x float64) string {
	if x == 0 {
		return "unknown"
	}
	return fmt.Sprintf("%gGT/s", x)
}

func rates(r []int) string {
	if len(r) == 0 {
		return "<none>"
	}
	var s []string
	for _, x := range r {
		s = append(s, fmt.Sprintf("x%d", x))
	}
	return strings.Join(s, ",")
}

// common reduces what lspci prints to the lines of asPciutils.
func common(out string) []string {
	var lines []string
	re := func(s string) *regexp.Regexp { return regexp.MustCompile(s) }
	rules := []struct {
		from *regexp.Regexp
		to   string
	}{
		{re(`^([0-9a-f:.]+) [0-9a-f]{4}: ([0-9a-f]{4}:[0-9a-f]{4}(?: \(rev ..\))?).*$`), "$1 $2"},
		{re(`^\s+(Subsystem: .*)$`), "$1"},
		{re(`^\s+(Control: .*)$`), "$1"},
		{re(`^\s+(Status: Cap.*) DEVSEL=\S+(.*)$`), "$1$2"},
		{re(`^\s+(Region .*?)(?: \[virtual\])?$`), "$1"},
		{re(`^\s+(Expansion ROM at \S+)( \[disabled)? by cmd\]$`), "$1$2]"},
		{re(`^\s+(Expansion ROM .*)$`), "$1"},
		{re(`^\s+(Capabilities: \[..\] (?:Power Management|AGP) version .*)$`), "$1"},
		{re(`^\s+(Capabilities: \[..\] Express) .*$`), "$1"},
		{re(`^\s+(Status: D\d).*$`), "$1"},
		{re(`^\s+(Status: RQ=\d+) .*(SBA.).* (FW.) (AGP3.) (Rate=.*)$`), "$1 $2 $3 $4 $5"},
		{re(`^\s+(Command:) RQ=\d+ .*(SBA.) (AGP.).* (FW.) Rate.*$`), "$1 $2 $3 $4"},
		{re(`^\s+LnkCap:\s+Port #\d+, (Speed \S+), (Width x\d+).*$`), "LnkCap: $1, $2"},
		{re(`^\s+LnkSta:\s+(Speed \S+)(?: \(\w+\))?, (Width x\d+).*$`), "LnkSta: $1 $2"},
	}
	for _, l := range strings.Split(out, "\n") {
		for _, r := range rules {
			if r.from.MatchString(l) {
				lines = append(lines, r.from.ReplaceAllString(l, r.to))
				break
			}
		}
	}
	return lines
}

// testdata/displays.hex: five publicly posted dumps of real display
// controllers with their identifiers replaced by unassigned ones;
// displays.txt: what lspci 3.9.0 (pciutils) prints for them.
func TestDecodeAsPciutils(t *testing.T) {
	dump, err := os.ReadFile("testdata/displays.hex")
	if err != nil {
		t.Fatal(err)
	}
	want, err := os.ReadFile("testdata/displays.txt")
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, d := range decodeAll(t, dump) {
		got = append(got, asPciutils(d)...)
	}
	compareLines(t, got, common(string(want)))
}

func compareLines(t testing.TB, got, want []string) {
	t.Helper()
	if len(want) < 5 {
		t.Fatalf("only %d lines to compare with", len(want))
	}
	for i := range max(len(got), len(want)) {
		g, w := "", ""
		if i < len(got) {
			g = got[i]
		}
		if i < len(want) {
			w = want[i]
		}
		if g != w {
			t.Errorf("line %d:\n got %s\nwant %s", i+1, g, w)
			return
		}
	}
}

func dumpText(address string, b []byte) string {
	var s strings.Builder
	s.WriteString(address + " device\n")
	for at := 0; at < len(b); at += 16 {
		fmt.Fprintf(&s, "%02x:", at)
		for _, x := range b[at : at+16] {
			fmt.Fprintf(&s, " %02x", x)
		}
		s.WriteString("\n")
	}
	return s.String()
}

func put(b []byte, at int, v uint32, n int) {
	for i := range n {
		b[at+i] = byte(v >> uint(8*i))
	}
}

// drawn is a display controller with a chain of capabilities and registers as
// they come.
func drawn(r *rand.Rand) []byte {
	b := make([]byte, 256)
	put(b, 0, 0xfee0|uint32(r.IntN(16)), 2)
	put(b, 2, r.Uint32(), 2)
	put(b, 4, r.Uint32()&0x7ff, 2)
	put(b, 6, r.Uint32()&0xf9f8|0x10, 2)
	b[8], b[0x0b] = byte(r.Uint32()), 3
	for i := range 6 {
		switch r.IntN(4) {
		case 0:
			put(b, 0x10+4*i, r.Uint32()&^0xfff|8, 4)
		case 1:
			put(b, 0x10+4*i, r.Uint32()&0xff00|0x101, 4)
		case 2:
			put(b, 0x10+4*i, r.Uint32()&^0xffff|0x10000, 4)
		}
	}
	put(b, 0x2c, 0xfee1, 2)
	put(b, 0x2e, r.Uint32()|1, 2)
	put(b, 0x30, r.Uint32()&0xffff0001, 4)
	b[0x34], b[0x3d] = 0x40, 1
	b[0x40], b[0x41] = 0x01, 0x60
	put(b, 0x42, r.Uint32(), 2)
	put(b, 0x44, r.Uint32(), 2)
	b[0x60], b[0x61] = 0x02, 0x80
	b[0x62] = byte(1+r.IntN(3)) << 4
	status := r.Uint32()
	if b[0x62] < 0x30 {
		status &^= 8 // AGP 3.0 mode, reserved before
	} else if status&8 != 0 {
		status &^= 4 // reserved in AGP 3.0 mode
	}
	put(b, 0x64, status, 4)
	put(b, 0x68, r.Uint32(), 4)
	b[0x80], b[0x81] = 0x10, 0
	put(b, 0x82, 0x0011|uint32(1+r.IntN(2)), 2)
	put(b, 0x80+0x0c, r.Uint32()&^0x3ff|uint32(1+r.IntN(5))|uint32(1)<<(4+r.IntN(5)), 4)
	put(b, 0x80+0x12, uint32(1+r.IntN(4))|uint32(1)<<(4+r.IntN(5)), 2)
	return b
}

func TestDecodeAgainstTool(t *testing.T) {
	if !allChecks() {
		t.Skip("runs lspci: set PROVEOUT_ALL_CHECKS=1")
	}
	dump, err := os.ReadFile("testdata/displays.hex")
	if err != nil {
		t.Fatal(err)
	}
	texts := []string{string(dump)}
	r := rand.New(rand.NewPCG(1, 1))
	for range 300 {
		texts = append(texts, dumpText("01:00.0", drawn(r)))
	}
	for _, text := range texts {
		file := filepath.Join(t.TempDir(), "dump")
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		cmd := exec.Command("lspci", "-n", "-vv", "-F", file)
		cmd.Env = append(os.Environ(), "LC_ALL=C")
		out, err := cmd.Output()
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, d := range decodeAll(t, []byte(text)) {
			got = append(got, asPciutils(d)...)
		}
		compareLines(t, got, common(string(out)))
		if t.Failed() {
			t.Fatalf("%s\n%s", text, out)
		}
	}
}

// The sizing rule of PCI Local Bus 2.x, section 6.2.5.1: the lowest address bit
// that takes a 1 gives the size.
func TestBARSizes(t *testing.T) {
	for _, tt := range []struct {
		readback uint32
		kind     string
		size     int64
	}{
		{0xfe000008, "memory", 32 << 20}, {0xffffc000, "memory", 16 << 10}, {0xff800000, "memory", 8 << 20},
		{0xf8000008, "memory", 128 << 20}, {0xffffff01, "io", 256}, {0x0000ff01, "io", 256},
	} {
		sizing := fmt.Sprintf("sizing 10: %08x\n", tt.readback)
		d := decodeAll(t, []byte(dumpText("01:00.0", drawnWith(0))+sizing))[0]
		if len(d.BARs) != 1 || d.BARs[0].SizeBytes != tt.size || d.BARs[0].Kind != tt.kind {
			t.Errorf("0x%08x: %+v, want %s of %d bytes", tt.readback, d.BARs, tt.kind, tt.size)
		}
	}
	b := drawnWith(0xc)
	put(b, 0x14, 0x10, 4)
	d := decodeAll(t, []byte(dumpText("01:00.0", b)+"sizing 10: 0000000c\nsizing 14: fffffffc\n"))[0]
	want := bus.BAR{Kind: "memory", Width: 64, Prefetchable: true, SizeBytes: 16 << 30, Address: 0x10_0000_0000}
	if len(d.BARs) != 1 || d.BARs[0] != want {
		t.Errorf("64-bit region: %+v", d.BARs)
	}
}

// The same bytes in every usual form of text.
func TestDumpForms(t *testing.T) {
	b := drawn(rand.New(rand.NewPCG(2, 2)))
	var colon8, xxd, canonical, wide strings.Builder
	for at := 0; at < 256; at += 16 {
		row := b[at : at+16]
		fmt.Fprintf(&wide, "0x%03x: % X\r\n", at, row)
		fmt.Fprintf(&colon8, "%08x: % x\n", at, row)
		fmt.Fprintf(&canonical, "%08x  % x  % x  |deadbeef 00 11 2|\n", at, row[:8], row[8:])
		fmt.Fprintf(&xxd, "%08x:", at)
		for i := 0; i < 16; i += 2 {
			fmt.Fprintf(&xxd, " %s", hex.EncodeToString(row[i:i+2]))
		}
		fmt.Fprintf(&xxd, "  %s\n", strings.Map(func(r rune) rune {
			if r < 32 || r > 126 {
				return '.'
			}
			return r
		}, string(row)))
	}
	for name, text := range map[string]string{
		"plain":            dumpText("01:00.0", b),
		"0x, capitals, CR": wide.String(),
		"eight digits":     colon8.String(),
		"pairs":            xxd.String(),
		"canonical":        canonical.String(),
		"raw":              string(b),
		"noise":            "boot\n\n" + dumpText("0000:01:00.0", b) + "the end\n",
	} {
		got, problems := bus.DumpedBytes([]byte(text))
		if problems != nil || len(got) != 1 || string(got[0]) != string(b) {
			t.Errorf("%s: %d devices, %v", name, len(got), problems)
		}
	}
	two, problems := bus.ParseDump([]byte(colon8.String() + xxd.String()))
	if problems != nil || len(two) != 2 {
		t.Errorf("two dumps without a line between: %d devices, %v", len(two), problems)
	}
}

func TestDumpProblems(t *testing.T) {
	b := drawn(rand.New(rand.NewPCG(2, 2)))
	text := dumpText("01:00.0", b)
	for name, tt := range map[string]struct {
		text string
		want bus.DumpProblem
	}{
		"row missing": {strings.Replace(text, "\n20:", "\nxx", 1),
			bus.DumpProblem{Line: 5, What: fact.New("bus.row-missing", "at", "0x30", "have", "0x20")}},
		"too short": {text[:100], bus.DumpProblem{Line: 1, What: fact.New("bus.short-device", "n", 26)}},
		"nothing":   {"hello\n", bus.DumpProblem{What: fact.New("bus.no-rows")}},
		"odd raw":   {"\x00\x01\x02", bus.DumpProblem{What: fact.New("bus.odd-raw", "n", 3)}},
	} {
		if _, got := bus.ParseDump([]byte(tt.text)); len(got) == 0 || !reflect.DeepEqual(got[0], tt.want) {
			t.Errorf("%s: %+v, want %+v", name, got, tt.want)
		}
	}
}

func TestCapabilityLoop(t *testing.T) {
	b := make([]byte, 256)
	put(b, 0, 0xfee1, 2)
	b[6], b[0x34] = 0x10, 0x40
	b[0x40], b[0x41], b[0x50], b[0x51] = 0x09, 0x50, 0x05, 0x42
	d, _ := bus.Decode("", b)
	want := []fact.Fact{fact.New("bus.chain-loops", "at", "0x40")}
	if len(d.Capabilities) != 2 || !reflect.DeepEqual(d.Notes, want) {
		t.Errorf("%+v", d)
	}
}

// ofBus is a family of cards that plug in one way.
func ofBus(kind string, rates ...string) plans.Family {
	return plans.Family{Bus: plans.Bus{Kind: kind, Rates: rates}}
}

// withMemory is a family of which no more is known than its memory.
func withMemory(bytes float64) plans.Family {
	return plans.Family{Memory: []plans.MemoryPool{{Total: quantity.Quantity{Value: bytes}}}}
}

func TestDetect(t *testing.T) {
	dump, err := os.ReadFile("testdata/displays.hex")
	if err != nil {
		t.Fatal(err)
	}
	devices := decodeAll(t, append(dump, "sizing 10: fe000008\n"...))
	good := ofBus("AGP", "1x", "2x", "4x")
	good.IDs = []plans.DeviceID{{Vendor: "fee3", Device: "5159"}}
	other, rated, sized := good, good, good
	other.IDs = []plans.DeviceID{{Vendor: "fee3", Device: "5158"}}
	rated.Bus.Rates = []string{"8x"}
	sized.Memory = withMemory(1 << 20).Memory
	slow, fast := []string{"1x"}, []string{"1x", "2x", "4x"}
	for _, tt := range []struct {
		name    string
		device  int
		family  plans.Family
		slot    []string
		verdict conformity.Verdict
		field   string
	}{
		{"as expected", 2, good, slow, conformity.Pass, ""},
		{"one bit of the device", 2, other, slow, conformity.Fail, "device_id"},
		{"trained below both ends", 2, good, fast, conformity.Fail, "agp link"},
		{"slot not known", 2, good, nil, conformity.Inconclusive, "agp link"},
		{"rate missing", 2, rated, nil, conformity.Fail, "agp rates"},
		{"rate missing in the slot as well", 2, rated, slow, conformity.Pass, ""},
		{"capability missing", 2, ofBus("PCIe"), nil, conformity.Fail, "capability"},
		{"not enabled", 1, ofBus("AGP"), nil, conformity.Inconclusive, "agp link"},
		{"header only", 4, ofBus("AGP"), nil, conformity.Inconclusive, "capability"},
		{"window not sized", 2, sized, slow, conformity.Inconclusive, "memory window"},
		{"window large enough", 4, withMemory(32 << 20), nil, conformity.Pass, ""},
	} {
		got := bus.Detect(devices[tt.device], &tt.family, tt.slot)
		field := ""
		if len(got.Differences) > 0 {
			field = got.Differences[0].Field
		}
		if got.Verdict != tt.verdict || field != tt.field {
			t.Errorf("%s: %v %+v", tt.name, got.Verdict, got.Differences)
		}
	}
	for _, family := range []plans.Family{good, other} { // by its IDs, and by the maker of a display controller
		if d, ok := bus.FindDevice(devices, &family); !ok || d.DeviceID != "0x5159" {
			t.Errorf("found %+v", d)
		}
	}
	// A data line at fault has made something else of class and device ID.
	damaged := drawnWith(0xfff00008)
	put(damaged, 0, 0x5179fee3, 4)
	if d, ok := bus.FindDevice(decodeAll(t, []byte(dumpText("01:00.0", damaged))), &good); !ok || d.DeviceID != "0x5179" {
		t.Errorf("the maker's device without a class: found %v, %+v", ok, d)
	}
	small := decodeAll(t, []byte(dumpText("01:00.0", drawnWith(0xfff00008))+"sizing 10: ffc00008\n"))[0]
	large := withMemory(16 << 20)
	if got := bus.Detect(small, &large, nil); got.Verdict != conformity.Fail {
		t.Errorf("4 MiB window for 16 MiB: %+v", got)
	}
}

func drawnWith(bar0 uint32) []byte {
	b := make([]byte, 64)
	put(b, 0, 0xfee1, 2)
	put(b, 0x10, bar0, 4)
	return b
}

// Bits 8, 11, 14 and 15 of the status register: PCI Local Bus Specification 2.3, 6.2.3.
func TestStatusErrorsAreTold(t *testing.T) {
	for status, want := range map[uint32]string{
		0x0290: "", 0x2290: "", // master abort is left by probing
		0x8290: "detected parity error", 0x4290: "signalled system error", 0x0390: "master data parity error",
		0x0a90: "signalled target abort", 0xc290: "signalled system error, detected parity error",
	} {
		b := drawnWith(0)
		put(b, 6, status&^0x10, 2)
		d := decodeAll(t, []byte(dumpText("01:00.0", b)))[0]
		got := ""
		for _, n := range d.Notes {
			if n.Key == "bus.errors-kept" {
				got = plain.Tell(n)
			}
		}
		if want == "" && got != "" || !strings.Contains(got, want) {
			t.Errorf("status %#04x: %q, want %q", status, got, want)
		}
	}
}

func TestExpressLink(t *testing.T) {
	b := drawn(rand.New(rand.NewPCG(3, 3)))
	put(b, 0x8c, 2|16<<4, 4)
	put(b, 0x92, 1|8<<4, 2)
	d := decodeAll(t, []byte(dumpText("02:00.0", b)))[0]
	x := d.Express
	if x == nil || x.MaxWidth != 16 || x.MaxSpeedGT != 5 || x.Width != 8 || x.SpeedGT != 2.5 {
		t.Fatalf("%+v", x)
	}
	family := ofBus("PCIe")
	got := bus.Detect(d, &family, []string{"x16"})
	if got.Verdict != conformity.Fail || len(got.Differences) != 2 {
		t.Errorf("%+v", got)
	}
	// A slot of fewer lanes explains the width; what it offers in speed nobody knows.
	got = bus.Detect(d, &family, []string{"x8"})
	if got.Verdict != conformity.Inconclusive || len(got.Differences) != 1 || got.Differences[0].Field != "express speed" {
		t.Errorf("%+v", got)
	}
}

func TestNameList(t *testing.T) {
	const list = "# list\nfee1  Invented Makers\n\t0525  Invented Chip\n\t\tfee1 2179  Invented Board\n" +
		"fee2  Other Makers\n\t0525  Other Chip\nC 03  Display controller\n\t00  VGA\n"
	dump, _ := os.ReadFile("testdata/displays.hex")
	devices := decodeAll(t, dump)
	if err := bus.FillNames(strings.NewReader(list), devices); err != nil {
		t.Fatal(err)
	}
	d := devices[0]
	want := map[string]string{"vendor": "Invented Makers", "device": "Invented Chip", "subsystem": "Invented Board"}
	if !maps.Equal(d.Names, want) {
		t.Errorf("%v", d.Names)
	}
}

// Dumping and reading back gives the same bytes.
func TestDumpRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.SampledFrom([]int{64, 256, 4096}).Draw(t, "bytes")
		b := rapid.SliceOfN(rapid.Byte(), n, n).Draw(t, "data")
		got, problems := bus.DumpedBytes([]byte(dumpText("01:00.0", b)))
		if problems != nil || len(got) != 1 || string(got[0]) != string(b) {
			t.Fatalf("%d devices, %v", len(got), problems)
		}
	})
}

func FuzzParseDump(f *testing.F) {
	dump, err := os.ReadFile("testdata/displays.hex")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(dump[:900])
	f.Add(drawn(rand.New(rand.NewPCG(1, 9))))
	f.Add([]byte("01:00.0\n00: 00\nsizing 10: ff\nRegion 0: [size=9999999999T]\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		devices, _ := bus.ParseDump(data)
		for _, d := range devices {
			if _, err := json.Marshal(d); err != nil {
				t.Fatal(err)
			}
			for _, kind := range []string{"AGP", "PCIe"} {
				family := ofBus(kind)
				family.Memory = withMemory(1).Memory
				bus.Detect(d, &family, nil)
			}
		}
	})
}
