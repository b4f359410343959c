package command_test

import (
	"crypto/sha256"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io/fs"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"proveout/harness/command"
	"proveout/harness/job"
)

// rootVariable names the variable that tells the program, run by a test, where
// the files of the demo stand.
const rootVariable = "PROVEOUT_TEST_ROOT"

func TestMain(m *testing.M) {
	testscript.Main(tidily{m}, map[string]func(){
		"proveout": func() { os.Exit(command.Main(os.DirFS(os.Getenv(rootVariable)))) },
		"holdjob":  holdJob,
	})
}

// tidily runs the tests and then takes away what they share.
type tidily struct{ *testing.M }

func (m tidily) Run() int {
	// Most of the tests wait for a program most of the time.
	flag.Set("test.parallel", strconv.Itoa(2*runtime.GOMAXPROCS(0)))
	debug.SetGCPercent(400) // each look at a certificate leaves a copy of it behind
	code := m.M.Run()
	for _, dir := range []string{oneDemo.dir, built.dir} {
		if dir != "" {
			os.RemoveAll(dir)
		}
	}
	return code
}

// holdJob takes a job and keeps it until its standard input ends, as a second
// copy of the program would.
func holdJob() {
	f, err := job.Open(os.Args[1])
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(2)
	}
	fmt.Println("held")
	if len(os.Args) > 2 {
		d, _ := time.ParseDuration(os.Args[2])
		time.Sleep(d)
	}
	f.Close()
}

func repositoryRoot(t testing.TB) string {
	t.Helper()
	root, err := filepath.Abs(filepath.Join("..", ".."))
	if err != nil {
		t.Fatal(err)
	}
	return root
}

func allChecks() bool { return os.Getenv("PROVEOUT_ALL_CHECKS") == "1" }

// oneAtATime leaves a test in which nothing runs side by side to the run without
// the race detector.
func oneAtATime(t *testing.T) {
	t.Helper()
	if raceDetector {
		t.Skip("left to the run without the race detector: nothing here runs side by side")
	}
}

// scripts lists the scripts: with the race detector those in which several are
// at work at once.
func scripts(t *testing.T, root string) []string {
	t.Helper()
	all, err := filepath.Glob(filepath.Join(root, "testdata", "script", "*.txtar"))
	if err != nil || len(all) < 20 {
		t.Fatalf("%d scripts, %v", len(all), err)
	}
	if !raceDetector {
		return all
	}
	t.Log("the other scripts are left to the run without the race detector")
	return slices.DeleteFunc(all, func(path string) bool {
		together := []string{"busy.txtar", "certify_at_once.txtar", "import.txtar", "interrupt.txtar"}
		return !slices.Contains(together, filepath.Base(path))
	})
}

// TestScripts runs testdata/script/*.txtar: one script for each command or
// trap, by the program itself.
func TestScripts(t *testing.T) {
	t.Parallel()
	root := repositoryRoot(t)
	testscript.Run(t, testscript.Params{
		Files:               scripts(t, root),
		RequireExplicitExec: true,
		Setup: func(e *testscript.Env) error {
			e.Setenv(rootVariable, root)
			e.Setenv("ROOT", root)
			e.Setenv("SOURCE_DATE_EPOCH", "1772539200") // 2026-03-03 12:00 UTC
			e.Setenv("TZ", "UTC")
			e.Setenv("GOGC", "400") // they have memory, and two cores
			return nil
		},
		Condition: func(name string) (bool, error) {
			switch name {
			case "root":
				return os.Geteuid() == 0, nil
			case "allchecks":
				return allChecks(), nil
			case "windows":
				return runtime.GOOS == "windows", nil
			}
			if tool, ok := strings.CutPrefix(name, "tool:"); ok {
				_, err := exec.LookPath(tool)
				if err != nil && allChecks() {
					return false, fmt.Errorf("%s is missing", tool)
				}
				return err == nil, nil
			}
			return false, fmt.Errorf("no condition %q", name)
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"code":       cmdCode,
			"modeis":     cmdModeIs,
			"pixels":     cmdPixels,
			"json":       cmdJSON,
			"snapshot":   cmdSnapshot,
			"unchanged":  cmdUnchanged,
			"picture":    cmdPicture,
			"truncated":  cmdTruncated,
			"damaged":    cmdDamaged,
			"hugepng":    cmdHugePNG,
			"words":      cmdWords,
			"tinydisk":   cmdTinyDisk,
			"interrupt":  cmdInterrupt,
			"eachbad":    cmdEachBad,
			"pdf":        cmdPDF,
			"sameforall": cmdSameForAll,
			"demo":       cmdDemo,
		},
	})
}

// cmdCode runs the program and wants the exit code: code 2 proveout ….
func cmdCode(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: code N command…")
	}
	err := ts.Exec(args[1], args[2:]...)
	got := 0
	var exit *exec.ExitError
	switch {
	case errors.As(err, &exit):
		got = exit.ExitCode()
	case err != nil:
		ts.Fatalf("%v", err)
	}
	if strconv.Itoa(got) != args[0] {
		ts.Fatalf("exit code %d, want %s", got, args[0])
	}
	soundMessage(ts, ts.ReadFile("stderr"))
}

// soundMessage refuses what no person should be shown.
func soundMessage(ts *testscript.TestScript, said string) {
	for _, bad := range []string{"panic", "goroutine ", "inside the program", "%!", "<nil>"} {
		if strings.Contains(said, bad) {
			ts.Fatalf("the message holds %q:\n%s", bad, said)
		}
	}
	for _, line := range strings.Split(said, "\n") {
		if line == "EOF" || strings.HasSuffix(line, ": EOF") || strings.HasSuffix(line, "unexpected EOF") {
			ts.Fatalf("a bare end of file: %q", line)
		}
	}
}

// cmdDemo copies the demo that all tests share to a folder: demo DIR.
func cmdDemo(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: demo dir")
	}
	ts.Check(copyDemo(ts.MkAbs(args[0])))
}

// cmdJSON compares one value of a JSON file: json stdout steps.clocks.verdict
// pass. In a list, a number picks an element, and a name the element with that
// id, name or job.
func cmdJSON(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) != 3 {
		ts.Fatalf("usage: json file path value")
	}
	var v any
	if err := json.Unmarshal([]byte(ts.ReadFile(args[0])), &v); err != nil {
		ts.Fatalf("%s is no JSON: %v", args[0], err)
	}
	got, err := pick(v, strings.Split(args[1], "."))
	if err != nil {
		if neg {
			return
		}
		ts.Fatalf("%s: %v", args[1], err)
	}
	text := fmt.Sprint(got)
	if got == nil {
		text = "null"
	}
	if list, ok := got.([]any); ok && args[2] == fmt.Sprintf("len=%d", len(list)) {
		text = args[2]
	}
	if (text == args[2] || sameNumber(got, args[2])) == neg {
		ts.Fatalf("%s is %s", args[1], text)
	}
}

// cmdPixels wants the size of a picture: pixels FILE WIDTH HEIGHT.
func cmdPixels(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: pixels file width height")
	}
	cfg, _, err := image.DecodeConfig(strings.NewReader(ts.ReadFile(args[0])))
	ts.Check(err)
	if got := fmt.Sprint(cfg.Width, " ", cfg.Height); got != args[1]+" "+args[2] {
		ts.Fatalf("%s has %s pixels", args[0], got)
	}
}

// cmdModeIs wants the permissions of a file: modeis 600 FILE.
func cmdModeIs(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: modeis octal file")
	}
	st, err := os.Stat(ts.MkAbs(args[1]))
	ts.Check(err)
	if got := strconv.FormatUint(uint64(st.Mode().Perm()), 8); got != args[0] {
		ts.Fatalf("%s has mode %s", args[1], got)
	}
}

// sameNumber compares to nine digits, which the last bit of an addition does
// not reach.
func sameNumber(got any, want string) bool {
	g, ok := got.(float64)
	w, err := strconv.ParseFloat(want, 64)
	return ok && err == nil && math.Abs(g-w) <= 1e-9*math.Abs(w)
}

func pick(v any, path []string) (any, error) {
	for i, name := range path {
		switch at := v.(type) {
		case map[string]any:
			// A key may itself hold points.
			for n := len(path); n > i; n-- {
				if next, ok := at[strings.Join(path[i:n], ".")]; ok {
					return pick(next, path[n:])
				}
			}
			return nil, fmt.Errorf("no key %q", name)
		case []any:
			if n, err := strconv.Atoi(name); err == nil && n < len(at) {
				return pick(at[n], path[i+1:])
			}
			for n := len(path); n > i; n-- {
				want := strings.Join(path[i:n], ".")
				for _, item := range at {
					if m, ok := item.(map[string]any); ok && (m["id"] == want || m["name"] == want || m["job"] == want) {
						return pick(item, path[n:])
					}
				}
			}
			return nil, fmt.Errorf("no element %q", name)
		default:
			return nil, fmt.Errorf("nothing below %q", strings.Join(path[:i], "."))
		}
	}
	return v, nil
}

// tree describes every file and folder below dir, but for the lock file, which
// holds nothing while nobody works.
func tree(dir string) (string, error) {
	var lines []string
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name, _ := filepath.Rel(dir, path)
		if d.Name() == ".lock" {
			return nil
		}
		if d.IsDir() {
			lines = append(lines, name+"/")
			return nil
		}
		data, err := os.ReadFile(path)
		lines = append(lines, fmt.Sprintf("%s %x", name, sha256.Sum256(data)))
		return err
	})
	slices.Sort(lines)
	return strings.Join(lines, "\n") + "\n", err
}

func cmdSnapshot(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: snapshot dir")
	}
	dir := ts.MkAbs(args[0])
	text, err := tree(dir)
	ts.Check(err)
	ts.Check(os.WriteFile(snapshotFile(ts), []byte(text), 0o600))
}

func snapshotFile(ts *testscript.TestScript) string {
	return filepath.Join(ts.Getenv("WORK"), ".tmp", "snapshot")
}

// cmdUnchanged wants the tree as it was at the last snapshot.
func cmdUnchanged(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) != 1 {
		ts.Fatalf("usage: unchanged dir")
	}
	text, err := tree(ts.MkAbs(args[0]))
	ts.Check(err)
	before, err := os.ReadFile(snapshotFile(ts))
	ts.Check(err)
	if (text == string(before)) == neg {
		ts.Fatalf("the tree was:\n%s\nand is:\n%s", before, text)
	}
}

// cmdPicture makes a PNG: picture 16bit FILE, picture interlaced FILE.
func cmdPicture(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: picture kind file")
	}
	const w, h = 64, 48
	var data []byte
	switch args[0] {
	case "16bit":
		m := image.NewRGBA64(image.Rect(0, 0, w, h))
		for y := range h {
			for x := range w {
				m.SetRGBA64(x, y, color.RGBA64{uint16(x * 1023), uint16(y * 1365), 0x7fff, 0xffff})
			}
		}
		var b strings.Builder
		ts.Check(png.Encode(&b, m))
		data = []byte(b.String())
	case "located": // taken with the camera on its side, and with a position and an owner
		m := image.NewRGBA(image.Rect(0, 0, w, h))
		for y := range h {
			for x := range w {
				m.SetRGBA(x, y, color.RGBA{uint8(x * 4), uint8(y * 5), 0x20, 0xff})
			}
		}
		var b strings.Builder
		ts.Check(jpeg.Encode(&b, m, nil))
		// CIPA DC-008: an Exif segment with the orientation 6, then owner text
		// that stands where a position would.
		exif := "Exif\x00\x00MM\x00*\x00\x00\x00\x08" +
			"\x00\x01\x01\x12\x00\x03\x00\x00\x00\x01\x00\x06\x00\x00\x00\x00\x00\x00OWNER-AND-PLACE"
		data = []byte("\xff\xd8\xff\xe1" + string([]byte{0, byte(len(exif) + 2)}) + exif + b.String()[2:])
	case "interlaced":
		data = interlacedPNG(w, h)
		_, err := png.Decode(strings.NewReader(string(data)))
		ts.Check(err)
	default:
		ts.Fatalf("no picture %q", args[0])
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[1]), data, 0o600))
}

// cmdWords wants a text to hold words, whatever breaks the lines:
// words stdout 'the picture is clean'.
func cmdWords(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) != 2 {
		ts.Fatalf("usage: words file text")
	}
	text := strings.Join(strings.Fields(ts.ReadFile(args[0])), " ")
	if strings.Contains(text, strings.Join(strings.Fields(args[1]), " ")) == neg {
		ts.Fatalf("%s:\n%s", args[0], text)
	}
}

// cmdTinyDisk runs a command with a folder on a disk of 64 KiB: tinydisk DIR
// command…. It copies DIR there first, fills the rest, and copies the result
// back to DIR.
func cmdTinyDisk(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 3 {
		ts.Fatalf("usage: tinydisk dir size script")
	}
	dir := ts.MkAbs(args[0])
	// A mount namespace of its own: the disk is gone when the command ends.
	script := `set -e; cp -a "$1" "$1.copy"; mount -t tmpfs -o size="$2" none "$1"; cp -a "$1.copy/." "$1/"
dd if=/dev/zero of="$1/filler" bs=1k 2>/dev/null || true
set +e; cd "$1"; sh -c "$3"; code=$?; rm -f "$1/filler"
rm -rf "$1.copy"; mkdir "$1.copy"; cp -a "$1/." "$1.copy/"; exit $code`
	err := ts.Exec("unshare", "-rm", "sh", "-c", script, "sh", dir, args[1], args[2])
	soundMessage(ts, ts.ReadFile("stderr"))
	if err == nil {
		ts.Fatalf("a full disk was not noticed")
	}
	var exit *exec.ExitError
	if errors.As(err, &exit) && exit.ExitCode() != 2 {
		ts.Fatalf("exit code %d, want 2", exit.ExitCode())
	}
	ts.Check(os.RemoveAll(dir))
	ts.Check(os.Rename(dir+".copy", dir))
}

// waitFor waits until a file matches the pattern.
func waitFor(ts *testscript.TestScript, pattern string) {
	for range 1000 {
		if found, err := filepath.Glob(ts.MkAbs(pattern)); err == nil && len(found) > 0 {
			return
		}
		time.Sleep(5 * time.Millisecond)
	}
	ts.Fatalf("%s did not appear", pattern)
}

// cmdInterrupt starts a command, sends it the interrupt of Ctrl-C after a while,
// or once a file is there that matches a pattern, and wants it to end with exit code 2 within five seconds.
func cmdInterrupt(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: interrupt duration|pattern command…")
	}
	path, err := exec.LookPath(args[1])
	ts.Check(err)
	cmd := exec.Command(path, args[2:]...)
	cmd.Dir = ts.MkAbs(".")
	for _, name := range []string{"HOME", "PATH", "SOURCE_DATE_EPOCH", rootVariable} {
		cmd.Env = append(cmd.Env, name+"="+ts.Getenv(name))
	}
	var said strings.Builder
	cmd.Stderr = &said
	ts.Check(cmd.Start())
	if after, err := time.ParseDuration(args[0]); err == nil {
		time.Sleep(after)
	} else {
		waitFor(ts, args[0])
	}
	ts.Check(cmd.Process.Signal(syscall.SIGINT))
	done := make(chan error, 1)
	go func() { done <- cmd.Wait() }()
	select {
	case err = <-done:
	case <-time.After(5 * time.Second):
		cmd.Process.Kill()
		<-done
		ts.Fatalf("the interrupt did not end it")
	}
	soundMessage(ts, said.String())
	var exit *exec.ExitError
	if !errors.As(err, &exit) || exit.ExitCode() != 2 || !strings.Contains(said.String(), "stopped") {
		ts.Fatalf("ended with %v and said %q", err, said.String())
	}
}

// cmdEachBad runs a command once for every file of a folder, with FILE replaced
// by its path: each must end with exit code 2, say FILE:LINE:COLUMN, and leave
// the working folder as it was. It wants at least so many files.
func cmdEachBad(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 4 {
		ts.Fatalf("usage: eachbad pattern least dir command…")
	}
	files, err := filepath.Glob(ts.MkAbs(args[0]))
	ts.Check(err)
	least, err := strconv.Atoi(args[1])
	ts.Check(err)
	before, err := tree(ts.MkAbs(args[2]))
	ts.Check(err)
	n := 0
	for _, file := range files {
		if strings.HasSuffix(file, ".want") {
			continue
		}
		n++
		words := slices.Clone(args[3:])
		for i := range words {
			words[i] = strings.ReplaceAll(words[i], "FILE", file)
		}
		err := ts.Exec(words[0], words[1:]...)
		said := ts.ReadFile("stderr")
		soundMessage(ts, said)
		var exit *exec.ExitError
		if !errors.As(err, &exit) || exit.ExitCode() != 2 {
			ts.Fatalf("%s: %v, want exit code 2", file, err)
		}
		if !placed(said, filepath.Base(file)) {
			ts.Fatalf("%s: no place in\n%s", file, said)
		}
		after, err := tree(ts.MkAbs(args[2]))
		ts.Check(err)
		if before != after {
			ts.Fatalf("%s changed the folder:\n%s", file, after)
		}
	}
	if n < least {
		ts.Fatalf("%d files, want %d", n, least)
	}
}

// placed reports whether a message begins with a place in the file.
func placed(said, file string) bool {
	at := strings.Index(said, file+":")
	if at < 0 || strings.Contains(said[:at], "\n") {
		return false
	}
	var line, column int
	n, _ := fmt.Sscanf(said[at+len(file):], ":%d:%d:", &line, &column)
	return n == 2 && line > 0 && column > 0
}

// cmdPDF checks a PDF with other programs where they are installed, and keeps
// its text: pdf FILE TEXT.
func cmdPDF(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: pdf file text")
	}
	file := ts.MkAbs(args[0])
	for _, tool := range []string{"qpdf", "pdftotext"} {
		if _, err := exec.LookPath(tool); err != nil {
			if allChecks() {
				ts.Fatalf("%s is missing", tool)
			}
			ts.Check(os.WriteFile(ts.MkAbs(args[1]), nil, 0o600))
			ts.Logf("%s is missing", tool)
			return
		}
	}
	ts.Check(ts.Exec("qpdf", "--check", file))
	ts.Check(ts.Exec("pdftotext", "-layout", file, ts.MkAbs(args[1])))
}

// cmdSameForAll wants files that match a pattern to be equal, and so many:
// sameforall PATTERN N.
func cmdSameForAll(ts *testscript.TestScript, neg bool, args []string) {
	files, err := filepath.Glob(ts.MkAbs(args[0]))
	ts.Check(err)
	if strconv.Itoa(len(files)) != args[1] {
		ts.Fatalf("%d files, want %s", len(files), args[1])
	}
	first, err := os.ReadFile(files[0])
	ts.Check(err)
	for _, f := range files[1:] {
		data, err := os.ReadFile(f)
		ts.Check(err)
		if string(data) != string(first) {
			ts.Fatalf("%s differs from %s", f, files[0])
		}
	}
}
