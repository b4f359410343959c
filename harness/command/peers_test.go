package command_test

import (
	"context"
	"fmt"
	"image"
	"image/jpeg"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/image/draw"

	"proveout/harness/command"
)

// photographed writes a photo as cameras make them: 3000 px wide, with the
// noise of a sensor, from one of the demo's.
func photographed(t testing.TB, name, out string, seed uint64) {
	t.Helper()
	f, err := os.Open(filepath.Join(repositoryRoot(t), "testdata", "demo", "photos", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	small, err := jpeg.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	img := image.NewRGBA(image.Rect(0, 0, 3000, 2000))
	draw.ApproxBiLinear.Scale(img, img.Rect, small, small.Bounds(), draw.Src, nil)
	noise := rand.New(rand.NewPCG(seed, 7))
	for i := 0; i < len(img.Pix); i += 4 {
		n := noise.IntN(17) - 8
		for k := range 3 {
			img.Pix[i+k] = uint8(min(255, max(0, int(img.Pix[i+k])+n)))
		}
	}
	w, err := os.Create(out)
	if err != nil {
		t.Fatal(err)
	}
	defer w.Close()
	if err := jpeg.Encode(w, img, &jpeg.Options{Quality: 90}); err != nil {
		t.Fatal(err)
	}
}

// photographedJob adds a job to the demo's shop that is accepted, with six
// photos and five figures, and returns the shop and the job's number.
func photographedJob(t testing.TB) (shop, number string) {
	t.Helper()
	shop = demoShop(t)
	inputs := filepath.Join(filepath.Dir(shop), "inputs")
	card := func(name string) string { return filepath.Join(inputs, "card-a", name) }
	open := []string{"job", "open", "--plan", "quick", "--family", "lanternfish", "--variant", "137",
		"--bench", "bench-1", "--mark", "sticker=BX 04417"}
	for i, photo := range []struct{ flag, demo string }{
		{"--before", "card-a-received.jpg"}, {"--before", "card-a-front.jpg"},
		{"--after", "card-a-closeup.jpg"}, {"--after", "card-b-front.jpg"},
		{"--close-up", "card-b-closeup.jpg"}, {"--close-up", "card-c-front.jpg"},
	} {
		file := filepath.Join(inputs, fmt.Sprintf("photo-%d.jpg", i))
		photographed(t, photo.demo, file, uint64(i))
		open = append(open, photo.flag, file)
	}
	for _, args := range [][]string{
		open,
		{"record", "4", "--file", card("results.toml")},
		{"import", "4", "load", card("run-1.csv"), card("run-2.csv"), "--again", "the logs of the first card"},
		{"score", "4"},
	} {
		c, said := testConsole(repositoryRoot(t))
		c.Dir = shop
		if code := c.Run(context.Background(), append([]string{"proveout"}, args...)); code == command.ExitNotDone {
			t.Fatalf("%q: %s", args, said)
		}
	}
	return shop, "4"
}

// chromiumPrints returns a print of a page to PDF by headless Chromium.
func chromiumPrints(t testing.TB) func(page string) {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		if allChecks() {
			t.Fatal("chromium is not installed, and all checks are asked for")
		}
		t.Skip("chromium is not installed")
	}
	profile, out := t.TempDir(), filepath.Join(t.TempDir(), "page.pdf")
	return func(page string) {
		cmd := exec.Command(path,
			"--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
			"--user-data-dir="+profile, "--no-pdf-header-footer", "--print-to-pdf="+out, "file://"+page)
		said, err := cmd.CombinedOutput()
		if st, missing := os.Stat(out); err != nil || missing != nil || st.Size() < 100_000 {
			t.Fatalf("chromium: %v, %v\n%s", err, missing, said)
		}
		if err := os.Remove(out); err != nil {
			t.Fatal(err)
		}
	}
}

// issuedPage is the page of the newest certificate of a job.
func issuedPage(t testing.TB, shop string) string {
	t.Helper()
	pages, err := filepath.Glob(filepath.Join(shop, "jobs", "*-0004", "issued", "*.html"))
	if err != nil || len(pages) == 0 {
		t.Fatalf("no page: %v", err)
	}
	slices.Sort(pages)
	return pages[len(pages)-1]
}

// BenchmarkIssue makes the certificate of a job with six photos and five
// figures, signed, and its page; beside it headless Chromium prints that page
// to PDF. The goal is a tenth of its time.
func BenchmarkIssue(b *testing.B) {
	shop, number := photographedJob(b)
	c, said := testConsole(repositoryRoot(b))
	c.Dir = shop
	b.Run("certify", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			if code := c.Run(context.Background(), []string{"proveout", "certify", number}); code != 0 {
				b.Fatal(said)
			}
		}
	})
	b.Run("chromium", func(b *testing.B) {
		prints, page := chromiumPrints(b), issuedPage(b, shop)
		for b.Loop() {
			prints(page)
		}
	})
}

// TestIssueBesideChromium shows how long the program takes, beside headless
// Chromium that merely prints the page to PDF, to judge a job with six photos
// and five figures again, write the certificate, sign it, and write its page.
// Both run in turn, whole processes. It is well under a tenth on a quiet
// computer; half of it would be a mistake on any. The job has no capture of the
// screen: comparing one takes a second of its own.
func TestIssueBesideChromium(t *testing.T) {
	if !allChecks() {
		t.Skip("times are measured when PROVEOUT_ALL_CHECKS=1")
	}
	prints, program := chromiumPrints(t), buildProgram(t)
	shop, number := photographedJob(t)
	var issue, print time.Duration
	for range 2 {
		start := time.Now()
		cmd := exec.Command(program, "certify", number)
		cmd.Dir = shop
		if said, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, said)
		}
		issue += time.Since(start)
		page := issuedPage(t, shop)
		start = time.Now()
		prints(page)
		print += time.Since(start)
	}
	t.Logf("certify %v, Chromium %v: 1/%.1f", issue/2, print/2, float64(print)/float64(issue))
	if issue*2 >= print {
		t.Errorf("certify takes %v, Chromium %v to print the page", issue/2, print/2)
	}
}

// BenchmarkFailures reads a million failing rows, from the start of the program
// to its findings, turn by turn with pandas.read_csv and its C engine, which
// merely reads the file. PROVEOUT_PYTHON names a Python that has pandas; without
// one the program runs alone.
func BenchmarkFailures(b *testing.B) {
	const rows = 1_000_000
	const script = "import pandas,sys,time\nt=time.perf_counter()\n" +
		"pandas.read_csv(sys.argv[1],engine='c')\nprint(time.perf_counter()-t)"
	program, list := buildProgram(b), writeFailureList(b, rows)
	python := ""
	for _, p := range []string{os.Getenv("PROVEOUT_PYTHON"), "/usr/bin/python3", "python3"} {
		if p != "" && python == "" && exec.Command(p, "-c", "import pandas").Run() == nil {
			python = p
		}
	}
	theirs := 0.0
	for b.Loop() {
		diagnose(b, program, list, rows)
		if python == "" {
			continue
		}
		b.StopTimer()
		text, err := exec.Command(python, "-c", script, list).CombinedOutput()
		seconds, wrong := strconv.ParseFloat(strings.TrimSpace(string(text)), 64)
		if err != nil || wrong != nil {
			b.Fatalf("%v %s", err, text)
		}
		theirs += seconds
		b.StartTimer()
	}
	b.ReportMetric(rows*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
	if theirs > 0 {
		b.ReportMetric(rows*float64(b.N)/theirs, "pandas-rows/s")
	}
}
