package command_test

import (
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"proveout/harness/command"
)

// Certify that is stopped while it waits for a time stamp issues nothing, and
// takes no number.
func TestCertifyStopped(t *testing.T) {
	t.Parallel()
	d := newNumberedShop(t, "PO-{year}-{n:04}")
	ctx, stop := context.WithCancel(context.Background())
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if taken, err := filepath.Glob(filepath.Join(d.dir, "numbers", "*.json")); err != nil || len(taken) > 0 {
			t.Errorf("while it is signed the numbers taken are %q", taken)
		}
		io.Copy(io.Discard, r.Body)
		stop()
		select {
		case <-r.Context().Done():
		case <-time.After(time.Minute):
			t.Error("the request goes on")
		}
	}))
	defer server.Close()
	toml := filepath.Join(d.dir, "shop.toml")
	text, err := os.ReadFile(toml)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(toml, append([]byte("time_stamp_server = \""+server.URL+"\"\n"), text...), 0o600); err != nil {
		t.Fatal(err)
	}
	c, said := testConsole(repositoryRoot(t))
	certify := []string{"proveout", "certify", "1", "--shop", d.dir}
	if code := c.Run(ctx, certify); code != command.ExitNotDone || !strings.Contains(said.String(), "stopped") {
		t.Errorf("exit code %d, %s", code, said)
	}
	for _, pattern := range []string{"numbers/*.json", "jobs/*/issued/*", "jobs/*/issued/.*"} {
		if left, err := filepath.Glob(filepath.Join(d.dir, filepath.FromSlash(pattern))); err != nil || len(left) > 0 {
			t.Errorf("left behind: %q %v", left, err)
		}
	}
	if err := os.WriteFile(toml, text, 0o600); err != nil {
		t.Fatal(err)
	}
	said.Reset()
	code := c.Run(context.Background(), certify)
	if code != command.ExitPassed || !strings.Contains(said.String(), "Issued PO-2026-0001") {
		t.Errorf("after that: %d, %s", code, said)
	}
}
