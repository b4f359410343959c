package command_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"proveout/harness/command"
)

// dumpOf is a dump of so many devices with all their 4096 bytes, as text. The
// card stands last.
func dumpOf(devices int) string {
	// The head of the card and its AGP registers, as in testdata/script/import_bus.txtar;
	// the others are network controllers of an invented maker.
	card := map[int]string{
		0x00: "e1 f5 37 01 07 00 b0 02 03 00 00 03 00 20 00 00",
		0x10: "08 00 00 e8 00 00 00 f0 00 00 00 00 00 00 00 00",
		0x20: "00 00 00 00 00 00 00 00 00 00 00 00 e1 f5 01 0a",
		0x30: "00 00 00 00 60 00 00 00 00 00 00 00 0b 01 00 00",
		0x60: "02 00 20 00 03 02 00 1f 02 03 00 1f 00 00 00 00",
	}
	other := map[int]string{0x00: "e2 f5 01 00 07 00 00 02 00 00 00 02 00 00 00 00"}
	var b strings.Builder
	for n := range devices {
		rows := other
		if n == devices-1 {
			rows = card
		}
		fmt.Fprintf(&b, "%02x:%02x.0 device\n", n/32, n%32)
		for at := 0; at < 4096; at += 16 {
			row := rows[at]
			if row == "" {
				row = strings.TrimSpace(strings.Repeat("00 ", 16))
			}
			fmt.Fprintf(&b, "%02x: %s\n", at, row)
		}
	}
	return b.String()
}

// A dump that import takes is one that score, certify and verify take too.
func TestALargeDumpGoesAllTheWay(t *testing.T) {
	oneAtATime(t)
	t.Parallel()
	dir := t.TempDir()
	shop, dump := filepath.Join(dir, "shop"), filepath.Join(dir, "bus.txt")
	text := dumpOf(85)
	if len(text) < 1_100_000 {
		t.Fatalf("the dump has only %d bytes", len(text))
	}
	const plan = "id = \"found\"\ntitle = \"Found\"\n" +
		"[[step]]\nid = \"detection\"\nkind = \"detection\"\ntitle = \"Card is found\"\n"
	if err := os.WriteFile(dump, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	c, said := testConsole(repositoryRoot(t))
	run := func(want string, args ...string) {
		t.Helper()
		said.Reset()
		if code := c.Run(context.Background(), append([]string{"proveout"}, args...)); code != command.ExitPassed {
			t.Fatalf("%q: exit code %d\n%s", args, code, said)
		}
		if !strings.Contains(said.String(), want) {
			t.Errorf("%q does not say %q:\n%s", args, want, said)
		}
	}
	run("", "init", shop, "--name", "Reedmere Bench", "--technician", "Wren Ashdown", "--signing-key")
	if err := os.WriteFile(filepath.Join(shop, "plans", "found.plan.toml"), []byte(plan), 0o600); err != nil {
		t.Fatal(err)
	}
	run("Opened job", "job", "open", "--plan", "found", "--family", "lanternfish", "--variant", "137", "--shop", shop)
	run("a dump of 85 devices", "import", "1", "detection", dump, "--shop", shop)
	run("ACCEPTED", "score", "1", "--shop", shop)
	run("Issued PO-", "certify", "1", "--shop", shop)
	issued, err := filepath.Glob(filepath.Join(shop, "jobs", "*", "issued", "*.pdf"))
	if err != nil || len(issued) != 1 {
		t.Fatalf("%v, %v", issued, err)
	}
	run("All verdicts were worked out again from the readings and files", "verify", issued[0], "--shop", shop)
}
