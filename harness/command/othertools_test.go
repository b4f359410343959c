package command_test

import (
	"crypto/sha256"
	"encoding/hex"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// The lines of the README that check a certificate with programs of others.
func TestReadmeWithOtherPrograms(t *testing.T) {
	if !allChecks() {
		t.Skip("set PROVEOUT_ALL_CHECKS=1 to run the README's lines for other programs")
	}
	readme, err := os.ReadFile(filepath.Join(repositoryRoot(t), "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, rest, found := strings.Cut(string(readme), "```sh\npdfsig ")
	block, _, closed := strings.Cut(rest, "```")
	if !found || !closed {
		t.Fatal("the README has no such lines")
	}
	d := newSealedShop(t)
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "certificate.pdf"), d.certificate, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(filepath.Join(dir, "parts"), 0o700); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("sh", "-c", "pdfsig "+block)
	cmd.Dir = dir
	cmd.Env = append(os.Environ(), "LC_ALL=C.UTF-8", "HOME="+dir)
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	fp := d.identity.Fingerprint()
	record, _, _ := d.parts(t)
	sum := sha256.Sum256(record)
	for _, want := range []string{
		"Signature is Valid", "Total document signed", "CMS Verification successful",
		strings.ToUpper(fp.Colons()), hex.EncodeToString(sum[:]),
	} {
		if !strings.Contains(string(out), want) && !strings.Contains(string(out), strings.Replace(want, "CMS ", "", 1)) {
			t.Errorf("no %q in\n%s", want, out)
		}
	}
	for line := range strings.Lines(string(out)) {
		hash, name, ok := strings.Cut(strings.TrimSpace(line), "  parts/")
		if ok && strings.HasSuffix(name, ".csv") && !strings.Contains(string(record), hash) {
			t.Errorf("%s is not in the record", name)
		}
	}
}
