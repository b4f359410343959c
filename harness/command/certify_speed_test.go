package command_test

import (
	"context"
	"fmt"
	"image"
	"image/jpeg"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/image/draw"
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
	open := []string{"job", "open", "--plan", "quick", "--family", "lanternfish", "--variant", "166", "--bench", "bench-1", "--mark", "sticker=BX 04417"}
	for i, flag := range []string{"--before", "--before", "--after", "--after", "--close-up", "--close-up"} {
		demo := []string{"card-a-received.jpg", "card-a-front.jpg", "card-a-closeup.jpg", "card-b-front.jpg", "card-b-closeup.jpg", "card-c-front.jpg"}[i]
		photo := filepath.Join(inputs, fmt.Sprintf("photo-%d.jpg", i))
		photographed(t, demo, photo, uint64(i))
		open = append(open, flag, photo)
	}
	results, err := os.ReadFile(filepath.Join(inputs, "card-a", "results.toml"))
	if err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{open, {"record", "4", "--file", filepath.Join(inputs, "card-a", "results.toml")},
		{"import", "4", "load", filepath.Join(inputs, "card-a", "run-1.csv"), filepath.Join(inputs, "card-a", "run-2.csv")}, {"score", "4"}} {
		var said strings.Builder
		if code := console(t, shop, &said).Run(context.Background(), append([]string{"proveout"}, args...)); code == 2 {
			t.Fatalf("%q: %s\n%s", args, said.String(), results)
		}
	}
	return shop, "4"
}

// BenchmarkIssue makes the certificate of a job with six photos and five
// figures, signed, and its page.
func BenchmarkIssue(b *testing.B) {
	shop, number := photographedJob(b)
	c := console(b, shop, io.Discard)
	b.ReportAllocs()
	for b.Loop() {
		if code := c.Run(context.Background(), []string{"proveout", "certify", number}); code != 0 {
			b.Fatalf("certify ends with %d", code)
		}
	}
}
