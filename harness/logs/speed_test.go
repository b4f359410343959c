package logs

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"
)

func allChecks(t *testing.T, what string) {
	t.Helper()
	if os.Getenv("PROVEOUT_ALL_CHECKS") != "1" {
		t.Skip(what + " runs when PROVEOUT_ALL_CHECKS=1")
	}
}

// A source makes up a log of two columns without keeping it.
type source struct {
	left int64 // bytes
	row  func(b []byte, i int64) []byte
	i    int64
	buf  []byte
}

func (s *source) Read(p []byte) (int, error) {
	if s.left <= 0 && len(s.buf) == 0 {
		return 0, io.EOF
	}
	for len(s.buf) < len(p) && s.left > 0 {
		n := len(s.buf)
		s.buf = s.row(s.buf, s.i)
		s.i++
		s.left -= int64(len(s.buf) - n)
	}
	n := copy(p, s.buf)
	s.buf = s.buf[:copy(s.buf, s.buf[n:])]
	return n, nil
}

// frameRow writes a header and then rows of a time and a frame time of four
// decimals.
func frameRow(b []byte, i int64) []byte {
	if i == 0 {
		return append(b, "elapsed_s,frame_ms\n"...)
	}
	b = strconv.AppendInt(b, i/60, 10)
	b = append(b, '.')
	b = append(b, strconv.FormatInt(10000+i%60*166, 10)[1:]...)
	b = append(b, ',', '1', byte('5'+i*7%3), '.')
	b = append(b, strconv.FormatInt(10000+i*7919%10000, 10)[1:]...)
	return append(b, '\n')
}

func objectRow(b []byte, i int64) []byte {
	b = append(b, `{"elapsed_s":`...)
	b = strconv.AppendInt(b, i, 10)
	b = append(b, `,"temp_c":`...)
	b = strconv.AppendFloat(b, 40+float64(i%100)/10, 'f', 1, 64)
	return append(b, "}\n"...)
}

// blankRow writes a log that is nearly all blank lines.
func blankRow(b []byte, i int64) []byte {
	if i == 0 {
		b = append(b, "time_s,core_temp_c,board_temp_c,case_temp_c,ambient_c,power_w,fps,busy_percent\n"...)
		return append(b, "1,2,3,4,5,6,7,8\n"...)
	}
	return append(b, '\n')
}

func wideRow(b []byte, i int64) []byte {
	for _, c := range frameRow(nil, i) {
		b = append(b, c, 0)
	}
	return b
}

// TestMain lets the test binary read a made-up log in a process of its own, so
// that the peak of its memory is that of the reading.
func TestMain(m *testing.M) {
	if spec := os.Getenv("LOGS_TEST_STREAM"); spec != "" {
		stream(spec)
		return
	}
	os.Exit(m.Run())
}

func stream(spec string) {
	kind, size, _ := strings.Cut(spec, " ")
	bytes, _ := strconv.ParseInt(size, 10, 64)
	rows := map[string]func([]byte, int64) []byte{
		"frames": frameRow, "objects": objectRow, "wide": wideRow, "blank": blankRow,
	}
	sum, err := Read("stream", &source{left: bytes, row: rows[kind]}, Map{}, nil)
	fmt.Println(sum.Count, err, peak())
}

// peak returns the most memory this process has had, in bytes.
func peak() int64 {
	status, err := os.ReadFile("/proc/self/status")
	if err == nil {
		for l := range strings.Lines(string(status)) {
			if f := strings.Fields(l); len(f) == 3 && f[0] == "VmHWM:" {
				kib, _ := strconv.ParseInt(f[1], 10, 64)
				return kib << 10
			}
		}
	}
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int64(m.Sys)
}

func TestMemoryStaysSmall(t *testing.T) {
	if raced {
		t.Skip("the race detector keeps memory of its own beside each byte of ours")
	}
	specs := []string{"frames 20000000", "objects 4000000", "wide 6000000", "blank 8000000"}
	if os.Getenv("PROVEOUT_ALL_CHECKS") == "1" {
		specs = []string{"frames 1000000000", "objects 50000000", "wide 200000000", "blank 100000000"}
	}
	for _, spec := range specs {
		c := exec.Command(os.Args[0])
		c.Env = append(os.Environ(), "LOGS_TEST_STREAM="+spec)
		out, err := c.Output()
		var rows, most int64
		if n, _ := fmt.Sscanf(string(out), "%d <nil> %d", &rows, &most); err != nil || n != 2 {
			t.Fatalf("%s: %v %s", spec, err, out)
		}
		t.Logf("%s bytes: %d rows, peak %.1f MiB", spec, rows, float64(most)/(1<<20))
		if most > 40<<20 { // rows that were kept would take more
			t.Errorf("%s: peak %d bytes, want at most 40 MiB", spec, most)
		}
	}
}

// TestErrorsOfTheDisk: what the reader says comes out.
func TestErrorsOfTheDisk(t *testing.T) {
	broken := errors.New("stick pulled out")
	cut := io.MultiReader(&source{left: 1 << 20, row: frameRow}, errReader{broken})
	_, err := Read("x", cut, Map{}, nil)
	if !errors.Is(err, broken) {
		t.Errorf("%v", err)
	}
}

type errReader struct{ err error }

func (e errReader) Read([]byte) (int, error) { return 0, e.err }

func TestLongLine(t *testing.T) {
	long := "time_s,temp_c\n0," + strings.Repeat("2", 3<<20)
	m, err := Settle("x", strings.NewReader("time_s,temp_c\n0,20\n"), Map{}, Hints{})
	if err != nil {
		t.Fatal(err)
	}
	var p *Problem
	_, err = Read("x", strings.NewReader(long), m, nil)
	if !errors.As(err, &p) || p.Line != 2 || !strings.Contains(p.What, "longer than") {
		t.Errorf("%v", err)
	}
	wide := "time_s,note,temp_c\n0," + strings.Repeat("x", 600<<10) + ",20\n1,y,21\n"
	sum, err := Read("x", strings.NewReader(wide), m, nil)
	if err != nil || sum.Count != 2 {
		t.Errorf("%v", err)
	}
}

func BenchmarkRead(b *testing.B) {
	var buf bytes.Buffer
	io.Copy(&buf, &source{left: 32 << 20, row: frameRow})
	b.SetBytes(int64(buf.Len()))
	for b.Loop() {
		if _, err := Read("x", bytes.NewReader(buf.Bytes()), Map{}, nil); err != nil {
			b.Fatal(err)
		}
	}
}

// TestReadingBesidePandas reads ten million rows, with all checks, turn by turn with the C engine of pandas.read_csv. The limit is wide:
// it finds a reading that has become many times as slow, not a busy machine.
func TestReadingBesidePandas(t *testing.T) {
	allChecks(t, "the race on ten million rows")
	const rows, limit = 10_000_000, 3
	python := pythonWithPandas(t)
	path := filepath.Join(t.TempDir(), "frames.csv")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	w := bufio.NewWriterSize(f, 1<<20)
	var row []byte
	for i := int64(0); i <= rows; i++ {
		row = frameRow(row[:0], i)
		w.Write(row)
	}
	if err := errors.Join(w.Flush(), f.Close()); err != nil {
		t.Fatal(err)
	}
	const script = `import pandas, sys, time
t = time.perf_counter()
d = pandas.read_csv(sys.argv[1], engine="c")
print(time.perf_counter() - t, len(d))`
	ours, theirs := math.Inf(1), math.Inf(1)
	for range 3 {
		start := time.Now()
		sum, err := importFile(path)
		if err != nil || sum.Count != rows {
			t.Fatal(sum.Count, err)
		}
		ours = min(ours, time.Since(start).Seconds())
		out, err := exec.Command(python, "-c", script, path).CombinedOutput()
		var s float64
		var n int
		if _, e := fmt.Sscan(string(out), &s, &n); err != nil || e != nil || n != rows {
			t.Fatalf("pandas is needed for this check: %v %s", err, out)
		}
		theirs = min(theirs, s)
	}
	t.Logf("%d rows: we %.3f s, pandas %.3f s, ratio %.2f", rows, ours, theirs, ours/theirs)
	if ours > limit*theirs {
		t.Errorf("reading took %.3f s, pandas %.3f s", ours, theirs)
	}
}

func pythonWithPandas(t *testing.T) string {
	t.Helper()
	for _, p := range []string{os.Getenv("PROVEOUT_PYTHON"), "python3", "/usr/bin/python3"} {
		if p != "" && exec.Command(p, "-c", "import pandas").Run() == nil {
			return p
		}
	}
	t.Fatal("this check needs a Python with pandas; name one in PROVEOUT_PYTHON")
	return ""
}
