package job

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"proveout/harness/logs"
)

// TestMain lets the test binary stand in for a second copy of the program.
func TestMain(m *testing.M) {
	switch dir := os.Getenv("JOB_TEST_DIR"); os.Getenv("JOB_TEST_ROLE") {
	case "append":
		appendForever(dir)
	case "hold":
		f, err := Open(dir)
		fmt.Println(err)
		if err == nil {
			io.Copy(io.Discard, os.Stdin)
			f.Close()
		}
	default:
		os.Exit(m.Run())
	}
}

// appendForever records groups of two readings, in small pieces, and prints the
// number of each group once it is on the disk.
func appendForever(dir string) {
	f, err := Open(dir)
	if err != nil {
		fmt.Println("error", err)
		os.Exit(1)
	}
	f.write = func(j *os.File, b []byte, at int64) (int, error) {
		for i := 0; i < len(b); i += 40 {
			if _, err := j.WriteAt(b[i:min(i+40, len(b))], at+int64(i)); err != nil {
				return i, err
			}
			runtime.Gosched()
		}
		return len(b), nil
	}
	j, err := readJournal(dir)
	if err != nil {
		fmt.Println("error", err)
		os.Exit(1)
	}
	fmt.Println("ready")
	for n := j.next; ; n += 2 {
		r := typed("n", float64(n))
		if err := f.Append(Observe("clocks", 1, r), Observe("clocks", 1, r)); err != nil {
			fmt.Println("error", err)
			os.Exit(1)
		}
		fmt.Println(n)
	}
}

func copyOf(role, dir string) *exec.Cmd {
	c := exec.Command(os.Args[0])
	c.Env = append(os.Environ(), "JOB_TEST_ROLE="+role, "JOB_TEST_DIR="+dir)
	return c
}

func TestKillsLoseNothingConfirmed(t *testing.T) {
	kills := 50
	if os.Getenv("PROVEOUT_ALL_CHECKS") == "1" {
		kills = 200
	}
	dir := create(t)
	confirmed, torn := 0, 0
	seen := map[int]bool{}
	for k := range kills {
		c := copyOf("append", dir)
		out, err := c.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		s := bufio.NewScanner(out)
		if !s.Scan() || s.Text() != "ready" {
			t.Fatalf("kill %d: the copy did not start: %q", k, s.Text())
		}
		timer := time.AfterFunc(time.Duration(rand.IntN(6000))*time.Microsecond, func() { c.Process.Kill() })
		for s.Scan() {
			n, err := strconv.Atoi(s.Text())
			if err != nil {
				t.Fatalf("kill %d: %s", k, s.Text())
			}
			seen[n] = true
			confirmed++
		}
		c.Wait()
		timer.Stop()
		j, err := readJournal(dir)
		if err != nil {
			t.Fatal(err)
		}
		if j.torn > 0 {
			torn++
		}
	}
	j, err := readJournal(dir)
	if err != nil {
		t.Fatal(err)
	}
	values := map[int]int{}
	for _, e := range j.entries {
		values[int(*e.Reading.Value)]++
	}
	for n := range seen {
		if values[n] != 2 {
			t.Errorf("reading %d was confirmed and stands %d times, want 2", n, values[n])
		}
	}
	for n, times := range values {
		if times != 2 {
			t.Errorf("half of group %d was recorded", n)
		}
	}
	t.Logf("%d kills, %d groups confirmed, %d recorded, %d kills tore a line", kills, confirmed, len(values), torn)
	if confirmed == 0 {
		t.Error("nothing was confirmed; the test shows nothing")
	}
}

func TestTruncationLosesTheLastEntryOnly(t *testing.T) {
	dir := create(t)
	f := open(t, dir)
	f.Append(Entry{Kind: AttemptStart, Step: "clocks", Attempt: 1, By: "ka"})
	f.Append(Observe("clocks", 1, typed("a", 1)))
	f.Append(Observe("clocks", 1, typed("b", 2)), Observe("clocks", 1, typed("c", 3)), Observe("clocks", 1, typed("d", 4)))
	f.Append(Observe("clocks", 1, typed("ü…", 5)))
	f.Close()
	path := filepath.Join(dir, journalFile)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	// ends of the appends: after lines 1, 2, 5 and 6
	var ends []int
	for i, line := 0, 1; i < len(whole); i++ {
		if whole[i] == '\n' {
			if line != 3 && line != 4 {
				ends = append(ends, i+1)
			}
			line++
		}
	}
	entries := []int{0, 1, 2, 5, 6}
	for cut := range len(whole) + 1 {
		os.Remove(filepath.Join(dir, tornFile))
		if err := os.WriteFile(path, whole[:cut], 0o644); err != nil {
			t.Fatal(err)
		}
		want, good := 0, 0
		for i, e := range ends {
			if cut >= e-1 { // the line feed alone may be missing
				want, good = entries[i+1], min(e, cut)
			}
		}
		j := parseJournal(whole[:cut])
		if len(j.entries) != want {
			t.Fatalf("cut at %d of %d: %d entries, want %d", cut, len(whole), len(j.entries), want)
		}
		if (j.torn > 0) != (cut > good) || (j.torn > 0) != (len(j.warnings) > 0) {
			t.Fatalf("cut at %d: %d bytes torn behind %d, warnings %q", cut, j.torn, good, j.warnings)
		}
		if cut%41 != 0 && cut < len(whole)-3 {
			continue // appending is slower: a place here and there will do
		}
		g, err := Open(dir)
		if err != nil {
			t.Fatal(err)
		}
		err = g.Append(Observe("clocks", 1, typed("z", 9)))
		g.Close()
		if err != nil {
			t.Fatal(err)
		}
		after, _ := os.ReadFile(path)
		aside, _ := os.ReadFile(filepath.Join(dir, tornFile))
		if k := parseJournal(after); len(k.entries) != want+1 || len(k.warnings) > 0 {
			t.Fatalf("cut at %d, then appended: %d entries, want %d, %q", cut, len(k.entries), want+1, k.warnings)
		}
		if torn := whole[good:cut]; len(torn) > 0 && string(aside) != string(torn)+"\n" {
			t.Fatalf("cut at %d: set aside %q, want %q", cut, aside, torn)
		}
	}
}

func TestSecondCopyIsTold(t *testing.T) {
	dir := create(t)
	c := copyOf("hold", dir)
	in, _ := c.StdinPipe()
	out, _ := c.StdoutPipe()
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	line, _ := bufio.NewReader(out).ReadString('\n')
	if line != "<nil>\n" {
		t.Fatalf("the first copy: %s", line)
	}
	_, err := Open(dir)
	told := fmt.Sprintf("job 2026-0001 is being worked on by process %d on ", c.Process.Pid)
	if err == nil || !strings.HasPrefix(err.Error(), told) || strings.Contains(err.Error(), "0001-01-01") {
		t.Fatalf("the second copy got %v", err)
	}
	load(t, dir) // reading needs no lock
	c.Process.Kill()
	c.Wait()
	in.Close()
	f, err := Open(dir) // the system gave the lock back
	if err != nil {
		t.Fatal(err)
	}
	f.Close()
}

// TestFullDisk lets a write stop half way, as it does when the disk is full.
func TestFullDisk(t *testing.T) {
	dir := create(t)
	f := open(t, dir)
	if err := f.Append(Observe("clocks", 1, typed("a", 1))); err != nil {
		t.Fatal(err)
	}
	whole, _ := os.ReadFile(filepath.Join(dir, journalFile))
	good := f.write
	f.write = func(j *os.File, b []byte, at int64) (int, error) {
		n, _ := j.WriteAt(b[:len(b)/2], at)
		return n, &fs.PathError{Op: "write", Path: j.Name(), Err: syscall.ENOSPC}
	}
	err := f.Append(Observe("clocks", 1, typed("b", 2)))
	if err == nil || !strings.HasPrefix(err.Error(), "recording: the disk is full; nothing was recorded") || strings.Contains(err.Error(), "\n") {
		t.Errorf("%v", err)
	}
	if now, _ := os.ReadFile(filepath.Join(dir, journalFile)); !bytes.Equal(now, whole) {
		t.Errorf("half a line was left: %q", now[len(whole):])
	}
	f.write = good
	if err := f.Append(Observe("clocks", 1, typed("b", 2))); err != nil {
		t.Fatal(err)
	}
	j := load(t, dir)
	if r := j.Attempts["clocks"][0].Readings; len(r) != 2 || r[1].Seq != 2 || len(j.Warnings) > 0 {
		t.Errorf("%+v %q", r, j.Warnings)
	}
}

func TestReadOnlyFolder(t *testing.T) {
	if os.Geteuid() == 0 || runtime.GOOS == "windows" {
		t.Skip("the user of this test may write everywhere")
	}
	dir := create(t)
	os.Chmod(dir, 0o555)
	defer os.Chmod(dir, 0o755)
	if _, err := Open(dir); err == nil || !strings.Contains(err.Error(), "the folder cannot be written; nothing was recorded") {
		t.Errorf("%v", err)
	}
	load(t, dir)
}

func TestJournalKeepsWhatItCannotRead(t *testing.T) {
	dir := create(t)
	f := open(t, dir)
	f.Append(Observe("clocks", 1, typed("a", 1)))
	path := filepath.Join(dir, journalFile)
	j, _ := os.OpenFile(path, os.O_APPEND|os.O_WRONLY, 0)
	fmt.Fprint(j, "{\"v\":1, broken\n", "{\"v\":1,\"seq\":3,\"at\":\"2026-01-01T00:00:00Z\",\"kind\":\"hologram\"}\n", "{\"v\":9,\"seq\":4,\"kind\":\"reading\",\"reading\":7}\n")
	j.Close()
	if err := f.Append(Observe("clocks", 1, typed("b", 2))); err != nil {
		t.Fatal(err)
	}
	job := load(t, dir)
	if r := job.Attempts["clocks"][0].Readings; len(r) != 2 || r[1].Seq != 5 {
		t.Errorf("%+v", r)
	}
	var said []string
	for _, w := range job.Warnings {
		said = append(said, fmt.Sprint(w.Key, " ", w.Args["at"]))
	}
	want := []string{"job.unreadable readings.jsonl:2", "job.newer-line readings.jsonl:3", "job.newer-line readings.jsonl:4"}
	if !slices.Equal(said, want) {
		t.Errorf("%q", said)
	}
	if data, _ := os.ReadFile(path); !bytes.Contains(data, []byte("hologram")) || !bytes.Contains(data, []byte("broken")) {
		t.Error("lines were lost")
	}
}

// FuzzJournal: any bytes are read without a panic, what is kept and what is torn
// add up to the file, and setting the torn end aside leaves a journal that is
// whole.
func FuzzJournal(f *testing.F) {
	f.Add([]byte(`{"v":1,"seq":1,"at":"2026-01-01T00:00:00Z","kind":"note","text":"x"}` + "\n"))
	f.Add([]byte(`{"v":1,"seq":1,"at":"2026-01-01T00:00:00Z","kind":"reading","more":1,"step":"s","reading":{"name":"n","value":1,"text":"1","source":{"kind":"typed"}}}` + "\n" + `{"v":1,"se`))
	f.Add([]byte("\n\n{}\n{\"v\":2}\n\x00\x00"))
	f.Fuzz(func(t *testing.T, data []byte) {
		j := parseJournal(data)
		if j.good+j.torn != int64(len(data)) {
			t.Fatalf("%d good and %d torn of %d bytes", j.good, j.torn, len(data))
		}
		again := parseJournal(data[:j.good])
		if again.torn != 0 && len(again.entries) > len(j.entries) {
			t.Fatalf("torn again: %d", again.torn)
		}
		for i := range j.entries {
			if e := &j.entries[i]; !e.newer() {
				if _, err := e.encode(); err != nil {
					t.Fatal(err)
				}
			}
		}
	})
}

// TestImportOfTenMillionRows times what import does as a whole: reading,
// checking, hashing, and a synced copy in the evidence.
func TestImportOfTenMillionRows(t *testing.T) {
	if os.Getenv("PROVEOUT_ALL_CHECKS") != "1" {
		t.Skip("runs when PROVEOUT_ALL_CHECKS=1")
	}
	dir := create(t)
	f := open(t, dir)
	src := filepath.Join(t.TempDir(), "frames.csv")
	out, err := os.Create(src)
	if err != nil {
		t.Fatal(err)
	}
	w := bufio.NewWriterSize(out, 1<<20)
	fmt.Fprintln(w, "elapsed_s,frame_ms")
	for i := range 10_000_000 {
		fmt.Fprintf(w, "%d.%04d,1%d.%04d\n", i/60, i%60*166, 5+i%3, i%10000)
	}
	if err := errors.Join(w.Flush(), out.Close()); err != nil {
		t.Fatal(err)
	}
	start := time.Now()
	if err := importLog(f, "load", src, reader(logs.Map{})); err != nil {
		t.Fatal(err)
	}
	l := &load(t, dir).Attempts["load"][0].Logs[0]
	t.Logf("imported %d rows, %d MB in %.2f s", l.Count, l.Size/1_000_000, time.Since(start).Seconds())
	start = time.Now()
	n := 0
	for _, err := range Files(dir, logs.Files).Rows(l) {
		if err != nil {
			t.Fatal(err)
		}
		n++
	}
	t.Logf("read again, row by row, in %.2f s", time.Since(start).Seconds())
	if n != 10_000_000 {
		t.Errorf("%d rows", n)
	}
}
