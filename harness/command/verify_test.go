package command_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"proveout/harness/command"
	"proveout/harness/logs"
	"proveout/harness/workflow"
	"proveout/plans/fact"
	"proveout/plans/quantity"
	"proveout/report/content"
	"proveout/report/document"
	"proveout/report/record"
	"proveout/report/seal"
	"proveout/report/seal/check"
	"proveout/report/seal/pdffile"
)

// A sealedShop is the demo's shop, made once for the tests of this package.
type sealedShop struct {
	dir         string
	certificate []byte
	path        string
	identity    seal.Identity
}

// toolName is what documents of this version say they were made with.
const toolName = "proveout " + command.Version

// oneDemo is a demo that is made once for all tests, in a folder of its own.
// Each test works on a copy.
var oneDemo struct {
	once sync.Once
	dir  string
	err  error
}

func makeDemo() {
	oneDemo.dir, oneDemo.err = os.MkdirTemp("", "proveout-test-")
	if oneDemo.err != nil {
		return
	}
	root, err := filepath.Abs(filepath.Join("..", ".."))
	if err != nil {
		oneDemo.err = err
		return
	}
	c, said := testConsole(root)
	args := []string{"proveout", "demo", "--out", filepath.Join(oneDemo.dir, "d")}
	code := c.Run(context.Background(), args)
	if code != command.ExitPassed || !strings.Contains(said.String(), "Its documents:") {
		oneDemo.err = fmt.Errorf("demo: exit code %d\n%s", code, said)
	}
}

// copyDemo copies the demo to a folder.
func copyDemo(to string) error {
	oneDemo.once.Do(makeDemo)
	if oneDemo.err != nil {
		return oneDemo.err
	}
	if err := os.CopyFS(to, os.DirFS(filepath.Join(oneDemo.dir, "d"))); err != nil {
		return err
	}
	keys, err := filepath.Glob(filepath.Join(to, "shop", "keys", "*.key.pem"))
	for _, k := range keys {
		err = errors.Join(err, os.Chmod(k, 0o600)) // a copy has the usual mode
	}
	return err
}

// demoShop is a copy of the demo's shop.
func demoShop(t testing.TB) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "d")
	if err := copyDemo(dir); err != nil {
		t.Fatal(err)
	}
	return filepath.Join(dir, "shop")
}

func newSealedShop(t testing.TB) *sealedShop {
	t.Helper()
	d := &sealedShop{dir: demoShop(t)}
	files, err := filepath.Glob(filepath.Join(d.dir, "jobs", "*-0001", "issued", "*.pdf"))
	if err != nil || len(files) != 1 {
		t.Fatalf("certificates %v, %v", files, err)
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

// issueDay is when the tests' certificates are issued.
var issueDay = time.Date(2026, 3, 3, 12, 0, 0, 0, time.UTC)

// A program runs proveout, as a process of its own, so that tests can run side by
// side: the library of the command line keeps flags for a whole process.
type program struct {
	Dir  string // where it runs; the folder of the tests if empty
	root string
	said *bytes.Buffer // on both of its outputs
}

func testConsole(root string) (*program, *bytes.Buffer) {
	p := &program{root: root, said: new(bytes.Buffer)}
	return p, p.said
}

// Run runs a command line and returns its exit code. It is interrupted when the
// context ends.
func (p *program) Run(ctx context.Context, args []string) int {
	cmd := exec.CommandContext(ctx, args[0], args[1:]...)
	cmd.Cancel = func() error { return cmd.Process.Signal(os.Interrupt) }
	cmd.Dir, cmd.Stdout, cmd.Stderr = p.Dir, p.said, p.said
	cmd.Env = append(cmd.Environ(), rootVariable+"="+p.root,
		fmt.Sprintf("SOURCE_DATE_EPOCH=%d", issueDay.Unix()), "GOGC=400", "PROVEOUT_SHOP=", "PROVEOUT_PASSPHRASE=")
	if err := cmd.Run(); err != nil && cmd.ProcessState == nil {
		fmt.Fprintln(p.said, err)
		return -1
	}
	return cmd.ProcessState.ExitCode()
}

// The demo's certificate, and what may be done to it.
func TestCertificate(t *testing.T) {
	oneAtATime(t)
	t.Parallel()
	d := newSealedShop(t)
	for _, tt := range []struct {
		name string
		test func(*testing.T, *sealedShop)
	}{
		{"good", isGood},
		{"other programs", otherPrograms},
		{"damaged", damaged},
		{"edited and signed again", editedRecord},
		{"swapped and foreign parts", foreignParts},
		{"other version", otherVersion},
		{"logs outside", logsOutside},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			tt.test(t, d)
		})
	}
}

// examined is what verify says of a file, when the shop's key is expected.
func (d *sealedShop) examined(pdf []byte) check.Report {
	o := check.Options{Signer: check.Exactly(d.identity.Fingerprint()), Now: time.Date(2026, 3, 4, 0, 0, 0, 0, time.UTC)}
	return workflow.Verify(pdf, o, &record.Examiner{}, toolName, 20*time.Second)
}

func wantBad(t *testing.T, what string, r check.Report, key string) {
	t.Helper()
	if r.Verdict != check.Bad || r.Valid {
		t.Errorf("%s: %s", what, r.Verdict)
	}
	for _, a := range r.Answers {
		if a.State == check.No {
			if key != "" && a.Key != key {
				t.Errorf("%s: caught by %q (%s), want %q", what, a.Key, a.Words, key)
			}
			return
		}
	}
	t.Errorf("%s: no answer says no", what)
}

func isGood(t *testing.T, d *sealedShop) {
	r := d.examined(d.certificate)
	t.Logf("%d bytes", len(d.certificate))
	if !r.Valid {
		t.Fatalf("%+v", r.Answers)
	}
	for _, a := range r.Answers {
		// Captures stay outside: their step needs the shop's files.
		others, _ := a.Words.Args["others"].(fact.List)
		pictures := slices.Equal(others.Items, []fact.Arg{fact.Phrase("Picture")})
		outside := a.Key == "scores" && a.State == check.Open && pictures
		if a.State != check.Yes && !outside {
			t.Errorf("%s: %s", a.Key, a.Words.Err())
		}
	}
	if len(d.certificate) > 2<<20 {
		t.Errorf("%d bytes", len(d.certificate))
	}
}

// One changed bit anywhere, a cut, or an added byte is never good.
func damaged(t *testing.T, d *sealedShop) {
	r := rand.New(rand.NewPCG(7, 2026))
	spoilt := bytes.Clone(d.certificate)
	flip := func(i int, bit byte) {
		spoilt[i] ^= bit
		if rep := d.examined(spoilt); rep.Verdict == check.Bad {
			spoilt[i] ^= bit
			return
		}
		t.Fatalf("bit %d of byte %d of %d flipped: still good", bit, i, len(spoilt))
	}
	// A smaller one is looked at in TestBytesOfACertificate; here, with logs and
	// figures inside, a sample.
	step := len(spoilt) / sampled(150, 4000)
	for i := r.IntN(step); i < len(spoilt); i += step {
		flip(i, 1<<r.IntN(8))
	}
	for n := 0; n < len(d.certificate); n += len(d.certificate) / sampled(20, 300) {
		wantBad(t, fmt.Sprintf("cut at %d", n), d.examined(d.certificate[:n]), "")
	}
	for _, more := range []string{"\n", " ", "%", "\n%%EOF\n", "\x00"} {
		wantBad(t, fmt.Sprintf("%q appended", more), d.examined(append(bytes.Clone(d.certificate), more...)), "")
	}
	wantBad(t, "twice the file", d.examined(append(bytes.Clone(d.certificate), d.certificate...)), "")
}

// parts are what a certificate was put together from.
func (d *sealedShop) parts(t testing.TB) (text []byte, files []pdffile.Attachment, pages []byte) {
	t.Helper()
	r := d.examined(d.certificate)
	if !r.Valid {
		t.Fatal(r.Summary)
	}
	for _, a := range r.Attachments {
		if a.Name != check.RecordName {
			files = append(files, a)
		}
	}
	return r.Record, files, r.Pages
}

// signed signs a certificate with the shop's own key, as somebody who has it
// would.
func (d *sealedShop) signed(t testing.TB, pages, canon []byte, files []pdffile.Attachment) []byte {
	t.Helper()
	terms := seal.Terms{Time: issueDay, Reason: "Acceptance test passed"}
	pdf, err := seal.Seal(pages, canon, files, d.identity, terms)
	if err != nil {
		t.Fatal(err)
	}
	return pdf
}

// edited changes a value of the record: the path leads through objects and
// lists.
func edited(t testing.TB, canon []byte, value any, path ...any) []byte {
	t.Helper()
	var v any
	if err := json.Unmarshal(canon, &v); err != nil {
		t.Fatal(err)
	}
	at := v
	for i, p := range path {
		last := i == len(path)-1
		switch p := p.(type) {
		case string:
			m := at.(map[string]any)
			if last {
				m[p] = value
			}
			at = m[p]
		case int:
			l := at.([]any)
			if last {
				l[p] = value
			}
			at = l[p]
		}
	}
	out, err := check.Canonical(v)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// remade is the pages that a record gives.
func remade(t testing.TB, canon, pages []byte) []byte {
	t.Helper()
	r, err := record.Decode(canon)
	if err != nil {
		t.Fatal(err)
	}
	jpegs, err := pdffile.JPEGs(pages)
	if err != nil {
		t.Fatal(err)
	}
	doc, err := record.Document(r, jpegs, nil)
	if err != nil {
		t.Fatal(err)
	}
	laidOut, err := content.Build(doc)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := document.Write(&b, doc, laidOut, document.A4); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func stepIndex(t testing.TB, canon []byte, id string) int {
	t.Helper()
	r, err := record.Decode(canon)
	if err != nil {
		t.Fatal(err)
	}
	for i, s := range r.Outcome.Steps {
		if s.ID == id {
			return i
		}
	}
	t.Fatalf("no step %s", id)
	return 0
}

// A record edited by hand and signed again with the right key is caught where
// scoring or the pages do not follow.
func editedRecord(t *testing.T, d *sealedShop) {
	text, files, pages := d.parts(t)
	clocks, soak := stepIndex(t, text, "clocks"), stepIndex(t, text, "soak")
	if again := remade(t, text, pages); !bytes.Equal(again, pages) {
		t.Fatal("the pages made again differ")
	}
	instrument := instrumentOf(t, text, "frequency")
	conclusion := map[string]any{"fact": "outcome.accepted", "args": map[string]any{"n": 9}}
	cases := []struct {
		name  string
		key   string // of the answer that catches it with the pages as they were
		made  string // with the pages made to fit; empty: nothing can
		value any
		path  []any
	}{
		{"verdict of a step", "scores", "scores", "fail", []any{"outcome", "steps", clocks, "verdict"}},
		{"verdict of a check", "scores", "scores", "inconclusive", []any{"outcome", "steps", clocks, "checks", 0, "verdict"}},
		{"a reading", "scores", "scores", 120e6, []any{"job", "attempts", "clocks", 0, "readings", 0, "value"}},
		{"a temperature", "scores", "scores", map[string]any{"fact": "text", "args": map[string]any{"text": "41.0 °C"}},
			[]any{"outcome", "steps", soak, "checks", 0, "text"}},
		{"an instrument", "scores", "scores", 1e7, []any{"shop", "benches", 0, "instruments", instrument, "limits", "value"}},
		{"the conclusion", "scores", "scores", conclusion, []any{"outcome", "reason"}},
		{"a figure", "scores", "scores", 11.5, []any{"outcome", "steps", soak, "figures", 0, "series", 0, "y", 3}},
		{"the serial", "pages", "", "SN 0001", []any{"job", "card", "serial"}},
		{"the number", "pages", "", "QR-2026-0099", []any{"number"}},
		{"the technician", "pages", "", "Somebody Else", []any{"authorised_by"}},
		{"a photo", "pages", "", "back", []any{"photos", 0, "caption"}},
		{"the fingerprint", "pages", "named", strings.Repeat("ab", 32), []any{"signer", "fingerprint"}},
		{"something more", "scores", "", "x", []any{"extra"}},
	}
	for i, tt := range cases {
		canon := edited(t, text, tt.value, tt.path...)
		wantBad(t, tt.name, d.examined(d.signed(t, pages, canon, files)), tt.key)
		if tt.made != "" && (allChecks() || i%3 == 0) {
			wantBad(t, tt.name+", pages made to fit", d.examined(d.signed(t, remade(t, canon, pages), canon, files)), tt.made)
		}
	}
}

func foreignParts(t *testing.T, d *sealedShop) {
	text, files, pages := d.parts(t)
	// Another log under the name of the first.
	swapped := append([]pdffile.Attachment(nil), files...)
	f := swapped[0]
	swapped[0] = pdffile.Attachment{
		Name: f.Name, Description: f.Description, Type: f.Type, Relation: f.Relation,
		Data: append(bytes.Clone(f.Data), "9,9,9\n"...),
	}
	r := d.examined(d.signed(t, pages, text, swapped))
	for _, a := range r.Answers {
		if a.Key == "scores" && (a.State != check.Open || a.Words.Key != "check.scores-partly") {
			t.Errorf("another log: %s %s", a.State, a.Words)
		}
	}
	// The attachment is swapped without signing anew.
	serial := edited(t, text, "SN 0001", "job", "card", "serial")
	other, err := pdffile.Attach(pages, []pdffile.Attachment{seal.RecordAttachment(serial)})
	if err != nil {
		t.Fatal(err)
	}
	tail := d.certificate[len(d.certificate)-len(d.certificate)/20:]
	wantBad(t, "attachment swapped", d.examined(append(other, tail...)), "")
	wantBad(t, "attachment swapped, not signed", d.examined(other), "signed")
	// Halves of two certificates.
	second := d.signed(t, pages, edited(t, text, "QR-2026-0002", "number"), files)
	for _, at := range []int{len(pages), len(pages) / 2, len(d.certificate) - 4000} {
		joined := append(bytes.Clone(d.certificate[:at]), second[at:]...)
		wantBad(t, fmt.Sprintf("halves joined at %d", at), d.examined(joined), "")
	}
	// A sound signature with another key of the same name.
	impostor, err := seal.NewIdentity(d.identity.Name(), time.Date(2026, 2, 1, 0, 0, 0, 0, time.UTC))
	if err != nil {
		t.Fatal(err)
	}
	forged, err := seal.Seal(pages, text, files, impostor, seal.Terms{Time: issueDay})
	if err != nil {
		t.Fatal(err)
	}
	wantBad(t, "another key of the same name", d.examined(forged), "signer")
	unknown := workflow.Verify(forged, check.Options{}, &record.Examiner{}, toolName, 20*time.Second)
	wantBad(t, "signed again by somebody else", unknown, "named")
}

// Pages of another version are compared by their values.
func otherVersion(t *testing.T, d *sealedShop) {
	text, files, pages := d.parts(t)
	older := edited(t, text, "proveout 0.9.0", "tool")
	if r := d.examined(d.signed(t, remade(t, older, pages), older, files)); !r.Valid {
		t.Errorf("older version: %+v", r.Answers)
	} else {
		for _, a := range r.Answers {
			if a.Key == "pages" && a.Words.Key != "check.values-stand" {
				t.Error(a.Words)
			}
		}
	}
	serial := edited(t, older, "SN 0001", "job", "card", "serial")
	other := d.signed(t, remade(t, older, pages), serial, files)
	wantBad(t, "older version, another serial on its pages", d.examined(other), "pages")
	newer := edited(t, text, 99.0, "schema")
	wantBad(t, "newer schema", d.examined(d.signed(t, pages, newer, files)), "scores")
}

// Without the log files inside, the steps they belong to are said not to be
// worked out again, unless the reader gives them.
func logsOutside(t *testing.T, d *sealedShop) {
	text, _, pages := d.parts(t)
	pdf := d.signed(t, pages, text, nil)
	state := func(r check.Report) (check.State, fact.Fact) {
		for _, a := range r.Answers {
			if a.Key == "scores" {
				return a.State, a.Words
			}
		}
		t.Fatal("no answer")
		return check.No, fact.Fact{}
	}
	r := d.examined(pdf)
	if s, words := state(r); s != check.Open || !strings.Contains(words.Err().Error(), "Thermal soak") || !r.Valid {
		t.Errorf("%s %s %s", r.Verdict, s, words)
	}
	var all []pdffile.Attachment
	err := filepath.WalkDir(filepath.Join(d.dir, "jobs"), func(path string, e fs.DirEntry, err error) error {
		if err != nil || !e.Type().IsRegular() {
			return err
		}
		data, err := os.ReadFile(path)
		all = append(all, pdffile.Attachment{Data: data})
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	o := check.Options{Signer: check.Exactly(d.identity.Fingerprint())}
	given := &record.Examiner{Extra: record.Judging{Files: logs.Files}.InMemory(all)}
	r = workflow.Verify(pdf, o, given, toolName, 20*time.Second)
	if s, words := state(r); s != check.Yes || !r.Valid {
		t.Errorf("%s %s", s, words)
	}
	// What cannot be worked out again must not contradict itself.
	soak := stepIndex(t, text, "soak")
	failed := edited(t, text, "fail", "outcome", "steps", soak, "verdict")
	limited := checkWithLimit(t, text, soak)
	for name, canon := range map[string][]byte{
		"verdict of a step": edited(t, failed, false, "outcome", "accepted"),
		"not required":      edited(t, text, false, "outcome", "steps", soak, "required"),
		"a value":           edited(t, text, 190.0, "outcome", "steps", soak, "checks", limited, "value"),
	} {
		wantBad(t, name, d.examined(d.signed(t, pages, canon, nil)), "scores")
	}
}

// instrumentOf is the bench's first instrument for a dimension.
func instrumentOf(t testing.TB, text []byte, dim string) int {
	r, err := record.Decode(text)
	if err != nil {
		t.Fatal(err)
	}
	for i, in := range r.Shop.Benches[0].Instruments {
		if slices.Contains(in.Measures, quantity.Dimension(dim)) {
			return i
		}
	}
	t.Fatal("no instrument")
	return 0
}

// checkWithLimit is a check of the step that has an upper limit and a rule.
func checkWithLimit(t testing.TB, text []byte, step int) int {
	r, err := record.Decode(text)
	if err != nil {
		t.Fatal(err)
	}
	for i, c := range r.Outcome.Steps[step].Checks {
		if c.Value != nil && c.Limits != nil && c.Limits.High != nil && c.Rule != "" && float64(*c.Limits.High) < 150 {
			return i
		}
	}
	t.Fatal("no check with a limit")
	return 0
}

// Other programs find the certificate in order.
func otherPrograms(t *testing.T, d *sealedShop) {
	text, _, _ := d.parts(t)
	printed := []string{
		content.Digest(text), "ACCEPTED", "BX 04417", d.identity.Fingerprint().Groups()[0], "End of certificate",
	}
	for _, tool := range []struct {
		args []string
		want []string
	}{
		{[]string{"pdfsig", d.path}, []string{"Total document signed", "Signature is Valid"}},
		{[]string{"qpdf", "--check", d.path}, []string{"No syntax or stream encoding errors found"}},
		{[]string{"pdfdetach", "-list", d.path}, []string{"record.json", "soak.csv"}},
		{[]string{"pdftotext", d.path, "-"}, printed},
	} {
		if _, err := exec.LookPath(tool.args[0]); err != nil {
			if allChecks() {
				t.Errorf("%s is missing", tool.args[0])
			}
			continue
		}
		out, _ := exec.Command(tool.args[0], tool.args[1:]...).CombinedOutput() // pdfsig ends with 1 for an unknown issuer
		for _, w := range tool.want {
			if !strings.Contains(string(out), w) {
				t.Errorf("%s: no %q in\n%s", tool.args[0], w, out)
			}
		}
	}
}

func BenchmarkVerify(b *testing.B) {
	d := newSealedShop(b)
	for b.Loop() {
		if r := d.examined(d.certificate); !r.Valid {
			b.Fatal(r.Summary)
		}
	}
}

// BenchmarkCertify issues a signed certificate of the demo with its page.
func BenchmarkCertify(b *testing.B) {
	d := newSealedShop(b)
	c, said := testConsole(repositoryRoot(b))
	for b.Loop() {
		if code := c.Run(context.Background(), []string{"proveout", "certify", "1", "--shop", d.dir}); code != 0 {
			b.Fatal(said)
		}
	}
}
