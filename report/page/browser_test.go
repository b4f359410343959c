package page

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
)

// browser runs headless Chromium on a page with no network to speak of and
// returns what it printed and its log.
func browser(t *testing.T, file string, args ...string) (out, log string) {
	t.Helper()
	if os.Getenv("PROVEOUT_ALL_CHECKS") != "1" {
		t.Skip("the browser runs only with PROVEOUT_ALL_CHECKS=1")
	}
	path, err := exec.LookPath("chromium")
	if err != nil {
		t.Fatal("chromium is not installed, and all checks are asked for")
	}
	ctx, stop := context.WithTimeout(context.Background(), 2*time.Minute)
	defer stop()
	all := append([]string{
		"--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
		"--disable-background-networking", "--disable-component-update", "--disable-sync",
		"--user-data-dir=" + t.TempDir(), "--proxy-server=127.0.0.1:9", "--enable-logging=stderr", "--v=0",
		"--hide-scrollbars", "--virtual-time-budget=3000",
	}, args...)
	cmd := exec.CommandContext(ctx, path, append(all, "file://"+file)...)
	var o, e strings.Builder
	cmd.Stdout, cmd.Stderr = &o, &e
	if err := cmd.Run(); err != nil {
		t.Fatalf("chromium: %v\n%s", err, e.String())
	}
	return o.String(), e.String()
}

// The figures are drawn, the console is silent, and no text ran as a script.
func TestBrowserShowsThePage(t *testing.T) {
	for name, file := range save(t) {
		dom, log := browser(t, file, "--dump-dom")
		for _, l := range strings.Split(log, "\n") {
			if strings.Contains(l, "CONSOLE") {
				t.Errorf("%s: %s", name, l)
			}
		}
		charts := strings.Count(dom, `class="chart"`)
		drawn := len(regexp.MustCompile(`class="chart"[^>]*>\s*<div[^>]*>\s*<svg`).FindAllString(dom, -1))
		if charts < 3 || drawn != charts {
			t.Errorf("%s: %d of %d charts drawn", name, drawn, charts)
		}
		if name == "accepted" {
			for _, s := range []string{
				"96&nbsp;ms", "limit", "where the next good card is expected (95 %)", "good cards", "temperature, °C",
			} {
				if strings.Count(dom, ">"+s+"<") == 0 {
					t.Errorf("%s: no %q in any chart", name, s)
				}
			}
		}
	}
}

// Screenshots of a phone, a desk and both themes, to be looked at.
func TestBrowserScreenshots(t *testing.T) {
	dir := keep(t)
	for name, file := range save(t) {
		for _, size := range []string{"390,9000", "1200,5000"} {
			for _, theme := range []string{"light", "dark"} {
				shot := filepath.Join(dir, name+"-"+strings.SplitN(size, ",", 2)[0]+"-"+theme+".png")
				args := []string{"--window-size=" + size, "--screenshot=" + shot}
				if theme == "dark" {
					args = append(args, "--blink-settings=preferredColorScheme=0")
				}
				browser(t, file, args...)
				if s, err := os.Stat(shot); err != nil || s.Size() < 20_000 {
					t.Errorf("%s: no picture: %v", shot, err)
				}
			}
		}
	}
}

// On a screen of 360 px nothing is wider than the screen.
func TestBrowserFitsAPhone(t *testing.T) {
	for name, file := range save(t) {
		page, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		// A frame of 360 px measures the page: the window itself cannot be as
		// narrow. The policy of the page forbids foreign scripts, so the
		// measuring stands outside it.
		outer := `<!DOCTYPE html><iframe id="f" width="360" height="800" srcdoc="` +
			strings.NewReplacer("&", "&amp;", `"`, "&quot;").Replace(string(page)) +
			`"></iframe><script>
var f = document.getElementById('f');
f.onload = function () {
	setTimeout(function () { document.title = 'width ' + f.contentDocument.documentElement.scrollWidth; }, 500);
};
</script>`
		path := filepath.Join(t.TempDir(), "outer.html")
		if err := os.WriteFile(path, []byte(outer), 0o644); err != nil {
			t.Fatal(err)
		}
		dom, _ := browser(t, path, "--dump-dom")
		m := regexp.MustCompile(`<title>width (\d+)</title>`).FindStringSubmatch(dom)
		if m == nil {
			t.Fatalf("%s: not measured", name)
		}
		if m[1] != "360" {
			t.Errorf("%s: %s px wide on a screen of 360 px", name, m[1])
		}
	}
}
