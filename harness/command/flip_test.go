package command_test

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/jpeg"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"sync"
	"sync/atomic"
	"testing"

	"golang.org/x/image/draw"

	"proveout/harness/command"
	"proveout/report/seal"
	"proveout/report/seal/check"
)

// quickCommands lead a card through the quick plan, with a photo of it.
func quickCommands(photo string) [][]string {
	return [][]string{
		{"job", "open", "--plan", "quick", "--family", "lanternfish", "--variant", "137",
			"--mark", "sticker=A 17", "--mark", "date code U3=9823",
			"--complaint", "No picture", "--condition", "Dusty, one bent pin",
			"--work", "pins resoldered", "--work-notes", "Pins 14 and 15 of U2", "--after", photo},
		{"record", "1", "inspection", "bridges=yes", "unsoldered=yes", "bent-pins=yes", "alignment=yes", "pads=yes",
			"traces=n/a", "leftovers=yes", "capacitors=yes", "edge-contacts=yes", "heatsink=yes", "compound=yes"},
		{"record", "1", "rails", "3V3.ohm=36.4 ohm", "VDDQ.ohm=50.9 ohm", "core.ohm=10.7 ohm", "5V.ohm=190 ohm",
			"3V3.volt=3.31 V", "VDDQ.volt=3.30 V", "core.volt=2.51 V", "5V.volt=5.06 V"},
		{"record", "1", "detection", "detected=yes", "bus=AGP", "id=f5e1:0137", "rate=2x"},
		{"record", "1", "memory-size", "size=20 MiB"},
		{"record", "1", "clocks", "core=137.2 MHz", "memory=137.1 MHz"},
		{"record", "1", "picture", "640x480x16@75=clean", "800x600x16@75=clean", "1024x768x16@75=clean",
			"1024x768x32@60=clean", "1280x1024x16@60=clean", "depth=32 bit"},
	}
}

// smallPhoto is a photo of the demo at a sixth of its size, so that a
// certificate with it has about 100 kB.
func smallPhoto(t testing.TB) string {
	t.Helper()
	f, err := os.Open(filepath.Join(repositoryRoot(t), "testdata", "demo", "photos", "card-a-front.jpg"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	img, err := jpeg.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	small := image.NewRGBA(image.Rect(0, 0, img.Bounds().Dx()/6, img.Bounds().Dy()/6))
	draw.ApproxBiLinear.Scale(small, small.Rect, img, img.Bounds(), draw.Src, nil)
	var b bytes.Buffer
	if err := jpeg.Encode(&b, small, nil); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "card.jpg")
	if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// newQuickShop is a shop with one certificate of the quick plan: typed readings
// and a photo, no logs.
func newQuickShop(t testing.TB) *sealedShop {
	t.Helper()
	return newNumberedShop(t, "PO-{year}-{n:04}", []string{"certify", "1"})
}

// newNumberedShop is a shop that numbers its certificates like this, with one
// job and its certificates; the first of them is the shop's.
func newNumberedShop(t testing.TB, numbering string, certify ...[]string) *sealedShop {
	t.Helper()
	d := &sealedShop{dir: filepath.Join(t.TempDir(), "shop")}
	c, said := testConsole(repositoryRoot(t))
	run := func(args ...string) {
		t.Helper()
		if code := c.Run(context.Background(), append([]string{"proveout"}, args...)); code == command.ExitNotDone {
			t.Fatalf("%q: %s", args, said)
		}
	}
	run("init", d.dir, "--name", "Reedmere Bench", "--technician", "Wren Ashdown", "--signing-key")
	file := filepath.Join(d.dir, "shop.toml")
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	text = bytes.Replace(text, []byte(`"PO-{year}-{n:04}"`), fmt.Appendf(nil, "%q", numbering), 1)
	if err := os.WriteFile(file, text, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, args := range append(quickCommands(smallPhoto(t)), certify...) {
		run(append(args, "--shop", d.dir)...)
	}
	files, err := filepath.Glob(filepath.Join(d.dir, "jobs", "*", "issued", "*.pdf"))
	if err != nil || len(files) != len(certify) {
		t.Fatalf("certificates %v, %v: %s", files, err, said)
	}
	if len(files) == 0 {
		return d
	}
	d.path = files[0]
	if d.certificate, err = os.ReadFile(d.path); err != nil {
		t.Fatal(err)
	}
	if d.identity, err = seal.Keys(filepath.Join(d.dir, "keys")).Load(nil); err != nil {
		t.Fatal(err)
	}
	return d
}

// sampled chooses how much is tried: in a usual run, and in the full checks.
func sampled(usual, full int) int {
	if allChecks() {
		return full
	}
	return usual
}

// Bytes of an issued certificate are flipped in turn, by one bit or by all eight,
// and looked at with all that verify does: every seventh in the full checks, a
// sample in a usual run. Every byte of a sealed file is flipped in report/seal.
func TestBytesOfACertificate(t *testing.T) {
	t.Parallel()
	d := newQuickShop(t)
	if r := d.examined(d.certificate); !r.Valid {
		t.Fatalf("%+v", r.Answers)
	}
	step := sampled(401, 7)
	var next, tried atomic.Int64
	var wg sync.WaitGroup
	for w := range runtime.GOMAXPROCS(0) {
		wg.Add(1)
		go func() {
			defer wg.Done()
			r := rand.New(rand.NewPCG(7, uint64(w)))
			own := bytes.Clone(d.certificate)
			const batch = 256
			for !t.Failed() {
				from := int(next.Add(batch)) - batch
				if from >= len(own) {
					return
				}
				for i := from; i < min(from+batch, len(own)); i++ {
					if i%step != 0 {
						continue
					}
					mask := byte(0xFF)
					if r.IntN(4) > 0 {
						mask = 1 << r.IntN(8)
					}
					own[i] ^= mask
					rep := d.examined(own)
					own[i] ^= mask
					tried.Add(1)
					what := fmt.Sprintf("byte %d of %d flipped by %#02x", i, len(own), mask)
					wantBad(t, what, rep, "")
					wantCheap(t, what, rep)
				}
			}
		}()
	}
	wg.Wait()
	t.Logf("%d of %d bytes", tried.Load(), len(d.certificate))
	if r := d.examined(d.certificate); !r.Valid {
		t.Error("the certificate was not left as it was")
	}
}

// wantCheap wants a damaged file to be found out by its bytes alone: nothing is
// judged or drawn for it, and the reader is told the first fault in words.
func wantCheap(t *testing.T, what string, r check.Report) {
	t.Helper()
	if len(r.Answers) == 0 || len(r.Limits) == 0 || r.Summary.IsZero() {
		t.Errorf("%s: the report is not whole: %+v", what, r)
		return
	}
	for i, a := range r.Answers {
		bytesOnly := a.Key == "signed" || a.Key == "covers" || a.Key == "untouched"
		if !bytesOnly || a.Words.IsZero() || (a.State == check.No) != (i == len(r.Answers)-1) {
			t.Errorf("%s: answer %d is %q, %v: %s", what, i+1, a.Key, a.State, a.Words)
		}
	}
}
