package command_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"proveout/report/checkpage"
	"proveout/report/seal"
	"proveout/report/seal/check"
	"proveout/report/seal/pdffile"
	"proveout/report/words"
)

// The page asks nobody: it holds no address at all but those of the licence
// notes and of the names of name spaces.
func TestCheckPageIsAlone(t *testing.T) {
	page := string(checkpage.HTML())
	for _, bad := range []string{"src=", "href=", "<link", "@import", "fetch(\"", "XMLHttpRequest"} {
		if i := strings.Index(page, bad); i >= 0 {
			t.Errorf("%q in the page: %.80q", bad, page[i:])
		}
	}
	if !strings.Contains(page, "default-src 'none'") || strings.Contains(page, "connect-src") {
		t.Error("the page may reach a network")
	}
	if len(page) > 5<<20 {
		t.Errorf("%d bytes", len(page))
	}
	t.Logf("%d bytes", len(page))
}

// The checker inside the page is built from this tree: with
// PROVEOUT_UPDATE=1 it is built anew.
func TestCheckerIsBuiltFromHere(t *testing.T) {
	if !allChecks() {
		t.Skip("building for a browser takes long: set PROVEOUT_ALL_CHECKS=1")
	}
	t.Parallel()
	packed := buildChecker(t)
	path := filepath.Join(repositoryRoot(t), "report", "checkpage", "checker.wasm.gz")
	if os.Getenv("PROVEOUT_UPDATE") == "1" {
		if err := os.WriteFile(path, packed, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	there, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d bytes packed", len(there))
	if !bytes.Equal(there, packed) {
		t.Error("the checker inside the page was built from other sources or by another compiler; build it anew with " +
			"PROVEOUT_UPDATE=1 PROVEOUT_ALL_CHECKS=1 go test ./harness/command -run TestCheckerIsBuiltFromHere")
	}
	// In base64 this leaves the page, which is held to 5 MiB, little to grow.
	if len(there) > 3_800_000 {
		t.Errorf("%d bytes are too many for the page", len(there))
	}
}

func buildChecker(t *testing.T) []byte {
	t.Helper()
	out := filepath.Join(t.TempDir(), "checker.wasm")
	cmd := exec.Command("go", "build", "-trimpath", "-buildvcs=false", "-gcflags=all=-l",
		"-ldflags", "-s -w -buildid=", "-o", out, "./report/checkpage/browser")
	cmd.Dir = repositoryRoot(t)
	cmd.Env = append(os.Environ(), "GOOS=js", "GOARCH=wasm")
	if b, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, b)
	}
	wasm, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	z, err := gzip.NewWriterLevel(&b, gzip.BestCompression)
	if err != nil {
		t.Fatal(err)
	}
	z.Write(wasm)
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// A trial is a file that both the command and the page look at.
type trial struct {
	name string
	pdf  []byte
}

// trials are good and bad certificates of every kind.
func (d *sealedShop) trials(t *testing.T) []trial {
	record, files, pages := d.parts(t)
	older := edited(t, record, "proveout 0.9.0", "tool")
	clocks := stepIndex(t, record, "clocks")
	impostor, err := seal.NewIdentity(d.identity.Name(), time.Date(2026, 2, 1, 0, 0, 0, 0, time.UTC))
	if err != nil {
		t.Fatal(err)
	}
	forged, err := seal.Seal(pages, record, files, impostor, seal.Terms{Time: issueDay})
	if err != nil {
		t.Fatal(err)
	}
	unsigned, err := pdffile.Attach(pages, []pdffile.Attachment{seal.RecordAttachment(record)})
	if err != nil {
		t.Fatal(err)
	}
	fail := edited(t, record, "fail", "outcome", "steps", clocks, "verdict")
	serial := edited(t, record, "SN 0001", "job", "card", "serial")
	reading := edited(t, record, 120e6, "job", "attempts", "clocks", 0, "readings", 0, "value")
	fingerprint := edited(t, record, strings.Repeat("ab", 32), "signer", "fingerprint")
	out := []trial{
		{"good", d.certificate},
		{"good, logs outside", d.signed(t, pages, record, nil)},
		{"good, older version", d.signed(t, remade(t, older, pages), older, files)},
		{"good, another serial throughout", d.signed(t, remade(t, serial, pages), serial, files)},
		{"edited verdict", d.signed(t, pages, fail, files)},
		{"edited verdict, pages made to fit", d.signed(t, remade(t, fail, pages), fail, files)},
		{"edited reading", d.signed(t, pages, reading, files)},
		{"edited serial", d.signed(t, pages, serial, files)},
		{"edited number", d.signed(t, pages, edited(t, record, "QR-2026-0099", "number"), files)},
		{"edited fingerprint", d.signed(t, pages, fingerprint, files)},
		{"newer schema", d.signed(t, pages, edited(t, record, 99.0, "schema"), files)},
		{"something more", d.signed(t, pages, edited(t, record, "x", "extra"), files)},
		{"another key", forged}, {"unsigned", unsigned}, {"pages alone", pages},
		{"empty", nil}, {"no PDF", []byte("certificate")}, {"head alone", []byte("%PDF-1.4\n%%EOF\n")},
		{"appended", append(bytes.Clone(d.certificate), '\n')},
		{"twice", append(bytes.Clone(d.certificate), d.certificate...)},
	}
	r := rand.New(rand.NewPCG(11, 4))
	for len(out) < 50 {
		b := bytes.Clone(d.certificate)
		if len(out)%3 == 0 {
			n := r.IntN(len(b))
			out = append(out, trial{fmt.Sprintf("cut at %d", n), b[:n]})
			continue
		}
		i := r.IntN(len(b))
		b[i] ^= 1 << r.IntN(8)
		out = append(out, trial{fmt.Sprintf("byte %d", i), b})
	}
	return out
}

// The page in a browser says of 50 good and bad files what the command says.
func TestCheckPageSaysTheSame(t *testing.T) {
	if !allChecks() {
		t.Skip("the browser runs only with PROVEOUT_ALL_CHECKS=1")
	}
	chromium, err := exec.LookPath("chromium")
	if err != nil {
		t.Fatal("chromium is not installed, and all checks are asked for")
	}
	t.Parallel()
	d := newSealedShop(t)
	trials := d.trials(t)
	signer := d.identity.Fingerprint().String()
	got := make(chan pageAnswers, 1)
	server := httptest.NewServer(pageServer(trials, signer, got))
	defer server.Close()
	ctx, stop := context.WithTimeout(context.Background(), 4*time.Minute)
	defer stop()
	cmd := exec.CommandContext(ctx, chromium,
		"--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
		"--disable-component-update", "--disable-sync", "--remote-debugging-port=0", "--accept-lang=de-CH,fr",
		"--user-data-dir="+t.TempDir(), server.URL)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() {
		cmd.Process.Kill()
		cmd.Wait()
	}()
	var answers pageAnswers
	select {
	case answers = <-got:
	case <-ctx.Done():
		t.Fatal("the page gave no answers")
	}
	spokenAsTranslated(t, answers)
	good, reports := 0, answers.Reports
	for i, tr := range trials {
		want := d.examined(tr.pdf)
		if want.Verdict == check.Good {
			good++
		}
		if a, b := states(want), states(reports[i]); a != b || reports[i].Verdict != want.Verdict {
			t.Errorf("%s: the command says %s %s, the page %s %s", tr.name, want.Verdict, a, reports[i].Verdict, b)
		}
	}
	if good != 4 {
		t.Errorf("%d of the files are good, want 4", good)
	}
}

// pageAnswers is what the page was asked: every file in facts, some of them in
// every language, and what it showed when it began and when a language was chosen.
type pageAnswers struct {
	Reports []check.Report
	Spoken  map[string][]any // of the first files
	Shown   []struct{ Lang, Title, Status, Results string }
}

// The page speaks the browser's language, and the one that is chosen, with the
// words that the command has.
func spokenAsTranslated(t *testing.T, a pageAnswers) {
	t.Helper()
	for _, l := range words.Languages() {
		w, err := words.In(l)
		if err != nil {
			t.Fatal(err)
		}
		if len(a.Spoken[l]) != spokenTrials {
			t.Errorf("%s: %d answers; build the checker anew", l, len(a.Spoken[l]))
			continue
		}
		for i, got := range a.Spoken[l] {
			spoken, err := w.Plain().Spoken(a.Reports[i])
			if err != nil {
				t.Fatal(err)
			}
			var want any
			if err := json.Unmarshal(spoken, &want); err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("%s: file %d: %s", l, i, diff)
			}
		}
	}
	if len(a.Shown) != 3 {
		t.Fatalf("the page showed %+v", a.Shown)
	}
	for i, want := range []struct{ lang, title, status, result string }{
		{"de", "Zertifikat prüfen", "Bereit.", "Dieses Zertifikat ist so, wie es signiert wurde"},
		{"fr", "Vérifier un certificat", "Prêt.", "Ce certificat est tel qu’il a été signé"},
		{"en", "Check a certificate", "Ready.", "This certificate is as it was signed"},
	} {
		s := a.Shown[i]
		same := s.Lang == want.lang && s.Title == want.title && s.Status == want.status
		if !same || !strings.Contains(s.Results, want.result) {
			t.Errorf("the page showed %+v, want %+v", s, want)
		}
	}
}

// spokenTrials is how many files are asked for in other languages: good ones
// and bad ones.
const spokenTrials = 6

func states(r check.Report) string {
	var b strings.Builder
	for _, a := range r.Answers {
		fmt.Fprintf(&b, "%s=%s ", a.Key, a.State)
	}
	return b.String()
}

// pageServer serves the page, with a script that has it look at every trial
// and report back. Nothing else of the page is changed but that the browser
// lets it reach this server.
func pageServer(trials []trial, signer string, got chan<- pageAnswers) http.Handler {
	script := fmt.Sprintf(`(function () {
  var ready = globalThis.proveoutReady;
  globalThis.proveoutReady = async function () {
    ready();
    var out = [];
    for (var i = 0; i < %d; i++) {
      var b = await (await fetch("/" + i)).arrayBuffer();
      out.push(JSON.parse(proveoutCheck(new Uint8Array(b), %q)));
    }
    var spoken = {}, shown = [], choice = document.getElementById("language");
    ["de", "en", "fr"].forEach(function (l) {
      spoken[l] = out.slice(0, %d).map(function (r) { return JSON.parse(proveoutSay(JSON.stringify(r), l)); });
    });
    document.getElementById("signer").value = %q;
    var file = new DataTransfer();
    file.items.add(new File([await (await fetch("/0")).arrayBuffer()], "good.pdf"));
    var input = document.getElementById("file");
    input.files = file.files;
    input.dispatchEvent(new Event("change"));
    var results = document.getElementById("results");
    while (!results.firstChild) { await new Promise(function (r) { setTimeout(r, 20); }); }
    [document.documentElement.lang, "fr", "en"].forEach(function (l) {
      choice.value = l;
      choice.dispatchEvent(new Event("change"));
      shown.push({
        Lang: document.documentElement.lang,
        Title: document.querySelector("h1").textContent,
        Status: document.getElementById("status").textContent,
        Results: results.textContent
      });
    });
    await fetch("/done", { method: "POST", body: JSON.stringify({ Reports: out, Spoken: spoken, Shown: shown }) });
  };
})();`, len(trials), signer, spokenTrials, signer)
	sum := sha256.Sum256([]byte(script))
	page := string(checkpage.HTML())
	allowed := "connect-src 'self'; script-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "' "
	page = strings.Replace(page, "script-src ", allowed, 1)
	page = strings.Replace(page, "</body>", "<script>"+script+"</script></body>", 1)
	mux := http.NewServeMux()
	mux.HandleFunc("/{$}", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/html")
		io.WriteString(w, page)
	})
	mux.HandleFunc("/{n}", func(w http.ResponseWriter, r *http.Request) {
		var n int
		if _, err := fmt.Sscan(r.PathValue("n"), &n); err != nil || n >= len(trials) {
			http.NotFound(w, r)
			return
		}
		w.Write(trials[n].pdf)
	})
	mux.HandleFunc("POST /done", func(_ http.ResponseWriter, r *http.Request) {
		var answers pageAnswers
		if err := json.NewDecoder(r.Body).Decode(&answers); err != nil {
			panic(err)
		}
		got <- answers
	})
	return mux
}
