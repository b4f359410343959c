package command_test

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"proveout/harness/command"
)

// others wants programs that others wrote, which the full checks need.
func others(t *testing.T, names ...string) {
	t.Helper()
	for _, n := range names {
		if _, err := exec.LookPath(n); err != nil {
			t.Fatalf("%s is missing, and all checks are asked for", n)
		}
	}
}

// decoded is what an independent decoder reads from a picture.
func decoded(picture string) string {
	cmd := exec.Command("zbarimg", "--raw", "-q", "-S", "disable", "-S", "qrcode.enable", picture)
	out, _ := cmd.Output() // ends with 4 when it finds nothing
	return strings.TrimSpace(string(out))
}

// The QR codes of certificate, bag label, summary and key show are read by an
// independent decoder (zbar) as scanners and printers of little resolution give
// them, in grey.
func TestCodesAreReadByOthers(t *testing.T) {
	t.Parallel()
	if !allChecks() {
		t.Skip("set PROVEOUT_ALL_CHECKS=1 to have the codes read by zbarimg")
	}
	others(t, "zbarimg", "pdftoppm")
	for name, numbering := range map[string]string{
		"usual number": "PO-{year}-{n:04}",
		"long number":  "Werkstatt Seerosenweg, Abnahme {year}-{n:08}",
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			codesAreRead(t, numbering)
		})
	}
}

func codesAreRead(t *testing.T, numbering string) {
	d := newNumberedShop(t, numbering,
		[]string{"certify", "1"}, []string{"certify", "1", "--paper", "Letter", "--language", "de"})
	c, said := testConsole(repositoryRoot(t))
	run := func(args ...string) {
		t.Helper()
		line := append([]string{"proveout"}, append(args, "--shop", d.dir)...)
		if code := c.Run(context.Background(), line); code != command.ExitPassed {
			t.Fatalf("%q: %d %s", args, code, said)
		}
	}
	dir := t.TempDir()
	kit := filepath.Join(dir, "kit")
	run("listing", "1", "-o", kit)
	hash := "SHA-256:" + strings.ToUpper(d.identity.Fingerprint().Hex())
	number := func(n int) string {
		numbers := []string{"{year}", "2026", "{n:04}", fmt.Sprintf("%04d", n), "{n:08}", fmt.Sprintf("%08d", n)}
		return strings.NewReplacer(numbers...).Replace(numbering)
	}
	files, err := filepath.Glob(filepath.Join(d.dir, "jobs", "*", "issued", "*.pdf"))
	if err != nil || len(files) != 2 {
		t.Fatal(files, err)
	}
	n := 0
	for i, pdf := range append(files, filepath.Join(kit, "bag-label.pdf")) {
		want := number(min(i+1, 2)) + " " + hash
		for _, dpi := range []string{"100", "150", "300"} {
			n++
			to := filepath.Join(dir, fmt.Sprint(n))
			draw := exec.Command("pdftoppm", "-gray", "-r", dpi, "-singlefile", "-png", pdf, to)
			if out, err := draw.CombinedOutput(); err != nil {
				t.Fatalf("pdftoppm: %v %s", err, out)
			}
			if got := decoded(to + ".png"); got != want {
				t.Errorf("%s at %s dpi: read as %q, want %q", filepath.Base(pdf), dpi, got, want)
			}
		}
	}
	if got := decoded(filepath.Join(kit, "summary.png")); got != number(2)+" "+hash {
		t.Errorf("summary: read as %q", got)
	}
	run("key", "show", "--qr", filepath.Join(dir, "key.png"))
	if got := decoded(filepath.Join(dir, "key.png")); got != hash {
		t.Errorf("key show --qr: read as %q, want %q", got, hash)
	}
	var onTerminal bytes.Buffer
	terminal := &command.Console{
		Out: &onTerminal, Diag: &onTerminal, Getenv: func(string) string { return "" }, Now: time.Now, Terminal: true,
	}
	if code := terminal.Run(context.Background(), []string{"proveout", "key", "show", "--shop", d.dir}); code != 0 {
		t.Fatal(onTerminal.String())
	}
	shown := filepath.Join(dir, "terminal.png")
	if err := os.WriteFile(shown, screen(t, onTerminal.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	if got := decoded(shown); got != hash {
		t.Errorf("key show on a terminal: read as %q", got)
	}
}

// screen draws the block characters of a terminal as it shows them: each
// character twice as high as wide.
func screen(t *testing.T, said string) []byte {
	t.Helper()
	const half = 6 // px, of half a character's height and of its width
	var rows [][]rune
	for line := range strings.Lines(said) {
		if _, code, found := strings.Cut(line, "\x1b[38;5;16;48;5;231m"); found {
			code, _, _ = strings.Cut(code, "\x1b[0m")
			rows = append(rows, []rune(code))
		}
	}
	if len(rows) < 10 {
		t.Fatalf("no code in\n%s", said)
	}
	img := image.NewGray(image.Rect(0, 0, len(rows[0])*half, len(rows)*2*half))
	for y := range img.Rect.Dy() {
		for x := range img.Rect.Dx() {
			r := rows[y/half/2][x/half]
			upper := y/half%2 == 0
			if dark := r == '█' || upper && r == '▀' || !upper && r == '▄'; !dark {
				img.SetGray(x, y, color.Gray{255})
			}
		}
	}
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}
