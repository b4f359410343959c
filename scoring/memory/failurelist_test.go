package memory_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"runtime"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"proveout/scoring/memory"
)

func TestReadList(t *testing.T) {
	b := boards[0]
	for name, text := range map[string]string{
		"plain":        "10 ffff0000 ff7f0000\n20 ffffffff ff7fffff\n",
		"prefixed":     "0x10,0xffff0000,0xff7f0000\r\n0x20,0xFFFFFFFF,0xFF7FFFFF\r\n",
		"trailing h":   "10h;ffff0000h;ff7f0000h\n20h;ffffffffh;ff7fffffh",
		"dollar":       "# list\n\n$10\t$ffff0000\t$ff7f0000\n$20\t$ffffffff\t$ff7fffff\n",
		"heading":      "time,read,written,address,pattern\n1.5,ff7f0000,ffff0000,10,ones\n2.5,ff7fffff,ffffffff,20,ones\n",
		"RFC 3339":     "addr,expected,actual,time\n10,ffff0000,ff7f0000,2026-03-01T10:00:00Z\n20,ffffffff,ff7fffff,2026-03-01T10:00:01Z\n",
		"wide columns": "|  10 | ffff0000 | ff7f0000 |\n|  20 | ffffffff | ff7fffff |\n",
	} {
		f, err := memory.NewFailures(b.organisation())
		if err != nil {
			t.Fatal(err)
		}
		if err := f.ReadList(iotest.OneByteReader(strings.NewReader(text)), memory.FailureFormat{}); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		got := f.Report()
		if got.Rows != 2 || len(got.Findings) == 0 || got.Findings[0].Chip != 1 || fmt.Sprint(got.Findings[0].Lines) != "[7]" {
			t.Errorf("%s: %+v", name, got)
		}
	}
}

func TestReadListProblems(t *testing.T) {
	f, _ := memory.NewFailures(boards[0].organisation())
	err := f.ReadList(strings.NewReader("10 ffff 7fff\n10 xyz 7fff\n10 ffff\n20 ffff 7fff\n"), memory.FailureFormat{})
	var line *memory.ListError
	if !errors.As(err, &line) || line.Line != 2 || !strings.Contains(err.Error(), "line 3: address, written and read") {
		t.Errorf("%v", err)
	}
	if rows, _, _ := f.Rows(); rows != 2 {
		t.Errorf("%d rows, want the 2 that can be read", rows)
	}
	if err := f.ReadList(strings.NewReader(strings.Repeat("?\n", 100)), memory.FailureFormat{}); err == nil || strings.Count(err.Error(), "line") > 30 {
		t.Errorf("%v", err)
	}
	if err := f.ReadList(strings.NewReader(strings.Repeat("9", 1<<20)), memory.FailureFormat{}); err == nil {
		t.Error("an endless line is accepted")
	}
	if err := f.ReadList(iotest.ErrReader(errors.New("cable")), memory.FailureFormat{}); err == nil || !strings.Contains(err.Error(), "cable") {
		t.Errorf("%v", err)
	}
	base, _ := memory.NewFailures(boards[0].organisation())
	if err := base.ReadList(strings.NewReader("a0000010 ffff 7fff\n"), memory.FailureFormat{Base: 0xa0000000, Bits: 32}); err != nil {
		t.Error(err)
	}
	if rows, _, _ := base.Rows(); rows != 1 {
		t.Errorf("%d rows with a base address", rows)
	}
}

// listText is a list of n rows of a stuck line.
func listText(n int) []byte {
	r := rand.New(rand.NewPCG(4, 4))
	var b bytes.Buffer
	for range n {
		w := r.Uint32() | 1<<9
		fmt.Fprintf(&b, "0x%08x,0x%08x,0x%08x\n", r.Int64N(boards[0].bytes()/16)*16, w, w&^(1<<9))
	}
	return b.Bytes()
}

// Ten million rows in one pass, within 64 MiB; the time is logged.
func TestTenMillionLines(t *testing.T) {
	if !allChecks() {
		t.Skip("long: set PROVEOUT_ALL_CHECKS=1")
	}
	block := listText(100_000)
	var readers []io.Reader
	for range 100 {
		readers = append(readers, bytes.NewReader(block))
	}
	f, _ := memory.NewFailures(boards[0].organisation())
	runtime.GC()
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	start := time.Now()
	if err := f.ReadList(io.MultiReader(readers...), memory.FailureFormat{}); err != nil {
		t.Fatal(err)
	}
	took := time.Since(start)
	runtime.ReadMemStats(&after)
	grown := float64(after.TotalAlloc-before.TotalAlloc) / (1 << 20)
	rows, _, _ := f.Rows()
	t.Logf("%d rows in %v, %.1f MiB allocated", rows, took, grown)
	if rows != 10_000_000 || grown > 64 {
		t.Errorf("%d rows, %.1f MiB", rows, grown)
	}
}

func BenchmarkReadList(b *testing.B) {
	block := listText(10_000)
	f, _ := memory.NewFailures(boards[0].organisation())
	b.SetBytes(int64(len(block)))
	b.ReportAllocs()
	for b.Loop() {
		if err := f.ReadList(bytes.NewReader(block), memory.FailureFormat{}); err != nil {
			b.Fatal(err)
		}
	}
}

func FuzzReadList(f *testing.F) {
	f.Add([]byte("address,written,read,time,temp,pattern\n10,ff,fe,2026-03-01T10:00:00Z,40,a\n"), 0)
	f.Add([]byte("0x10 $ff 1h\n\n#\n|"), 64)
	f.Fuzz(func(t *testing.T, data []byte, width int) {
		log, err := memory.NewFailures(boards[2].organisation())
		if err != nil {
			t.Fatal(err)
		}
		_ = log.ReadList(bytes.NewReader(data), memory.FailureFormat{Bits: width})
		log.Report()
	})
}
