package pdffile

import (
	"bytes"
	"fmt"
	"image"
	"image/jpeg"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"github.com/phpdave11/gofpdf"
	"pgregory.net/rapid"
)

// drawn is a file as gofpdf writes it, with its empty name tree.
func drawn(t testing.TB, change func(*gofpdf.Fpdf)) []byte {
	t.Helper()
	f := gofpdf.New("P", "mm", "A4", "")
	f.SetCatalogSort(true)
	f.SetCreationDate(time.Date(2026, 11, 2, 0, 0, 0, 0, time.UTC))
	f.SetModificationDate(time.Date(2026, 11, 2, 0, 0, 0, 0, time.UTC))
	f.SetFont("Helvetica", "", 12)
	f.AddPage()
	f.Text(20, 20, "Core clock 137.4 MHz")
	f.AddPage()
	f.Text(20, 20, "(second) page \\")
	if change != nil {
		change(f)
	}
	var b bytes.Buffer
	if err := f.Output(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestAttachAndReadBack(t *testing.T) {
	files := []Attachment{
		{Name: "record.json", Type: "application/json", Relation: Source, Data: []byte(`{"a":1}`), Description: "the record"},
		{Name: "Wärmelauf (1).csv", Type: "text/csv", Relation: Data, Data: bytes.Repeat([]byte("1,2\n"), 5000)},
		{Name: "Журнал.txt", Type: "text/plain", Relation: Source, Data: []byte{}},
		{Name: "A.bin", Type: "application/octet-stream", Relation: Data, Data: []byte{0, 1, 2}},
	}
	for name, pdf := range map[string][]byte{
		"plain":     drawn(t, nil),
		"bookmarks": drawn(t, func(f *gofpdf.Fpdf) { f.Bookmark("Results", 0, -1) }),
		"links":     drawn(t, func(f *gofpdf.Fpdf) { f.SetPage(1); f.LinkString(1, 1, 10, 10, "https://example.org") }),
		"page mode": drawn(t, func(f *gofpdf.Fpdf) { f.SetDisplayMode("fullpage", "single") }),
	} {
		out, err := Attach(pdf, files)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if again, err := Attach(pdf, files); err != nil || !bytes.Equal(again, out) {
			t.Errorf("%s: attaching twice gives different bytes", name)
		}
		if !bytes.HasPrefix(out, pdf) {
			t.Errorf("%s: the file is not in front, as it was", name)
		}
		f, err := Read(out)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if len(f.Revisions) != 2 || f.Revisions[0].End != len(pdf) || f.Revisions[1].End != len(out) {
			t.Errorf("%s: revisions %+v of %d and %d bytes", name, f.Revisions, len(pdf), len(out))
		}
		got, err := f.Attachments()
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		for i := range got {
			got[i].packed = nil
			got[i].Data = append([]byte{}, got[i].Data...)
		}
		if !reflect.DeepEqual(got, files) {
			t.Errorf("%s: read back %+v", name, got)
		}
		cat, err := f.catalog()
		if err != nil {
			t.Fatal(err)
		}
		if cat.value.has("Outlines") != (name == "bookmarks") {
			t.Errorf("%s: bookmarks lost or found", name)
		}
		if _, err := Attach(out, files); err == nil {
			t.Errorf("%s: attached twice", name)
		}
		placeSignature(t, name, out)
	}
}

// A script that travels with the pages is refused.
func TestScriptRefused(t *testing.T) {
	scripted := drawn(t, func(f *gofpdf.Fpdf) { f.SetJavascript("1;") })
	files := []Attachment{{Name: "a", Type: "text/plain", Relation: Data, Data: []byte("x")}}
	if _, err := Attach(scripted, files); err == nil {
		t.Error("taken")
	}
}

// placeSignature puts a signature place into a file and reads it back.
func placeSignature(t *testing.T, name string, pdf []byte) {
	t.Helper()
	at := time.Date(2026, 11, 2, 10, 30, 0, 0, time.FixedZone("", 3600))
	s := Signature{Name: "Werkstatt", Reason: "ж", Time: at, Room: 600}
	out, hole, err := PlaceSignature(pdf, s)
	if err != nil {
		t.Errorf("%s: %v", name, err)
		return
	}
	f, err := Read(out)
	if err != nil {
		t.Errorf("%s: %v", name, err)
		return
	}
	got, err := f.Signature()
	if err != nil {
		t.Errorf("%s: %v", name, err)
		return
	}
	same := got.Time.Equal(s.Time) && got.Name == s.Name && got.Reason == s.Reason
	if got.Hole != hole || !got.HexExact || got.Change != 1 || len(got.Value) != 600 || !same {
		t.Errorf("%s: read back %+v", name, got.Signature)
	}
	if want := [4]int64{0, int64(hole.Start), int64(hole.End), int64(len(out) - hole.End)}; got.ByteRange != want {
		t.Errorf("%s: byte range %v, want %v", name, got.ByteRange, want)
	}
	if was, page := annotations(t, pdf), annotations(t, out); page != was+1 {
		t.Errorf("%s: %d annotations on the first page, %d before", name, page, was)
	}
	if _, _, err := PlaceSignature(out, s); err == nil {
		t.Errorf("%s: signed twice", name)
	}
}

func annotations(t *testing.T, pdf []byte) int {
	t.Helper()
	f, err := Read(pdf)
	if err != nil {
		t.Fatal(err)
	}
	cat, err := f.catalog()
	if err != nil {
		t.Fatal(err)
	}
	pages, err := f.pages(cat.value)
	if err != nil {
		t.Fatal(err)
	}
	a, err := f.resolve(pages[0].value.Get("Annots"))
	if err != nil {
		t.Fatal(err)
	}
	return len(a.Items)
}

// A second signature anywhere in the file is noticed.
func TestTwoSignatures(t *testing.T) {
	pdf := drawn(t, nil)
	u, err := newUpdate(pdf)
	if err != nil {
		t.Fatal(err)
	}
	u.add("[ << /Nested << /ByteRange [0 1 2 3] >> >> ]", nil)
	out, _, err := PlaceSignature(u.bytes(), Signature{Name: "x", Room: 600})
	if err != nil {
		t.Fatal(err)
	}
	f, err := Read(out)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.Signature(); err == nil || !strings.Contains(err.Error(), `pdffile.signatures","args":{"n":2}`) {
		t.Errorf("error %v", err)
	}
}

func TestPageText(t *testing.T) {
	text, err := PageText(drawn(t, func(f *gofpdf.Fpdf) {
		f.AddUTF8FontFromBytes("body", "", bytes.Clone(liberationsansregular.TTF))
		f.SetFont("body", "", 12)
		f.AddPage()
		f.Text(20, 20, "Memory clock 166.8 MHz")
		f.AddPage()
		f.Text(20, 20, "(fourth) page \\, Größe")
	}))
	if err != nil {
		t.Fatal(err)
	}
	for s, want := range map[string]bool{
		"166.8 MHz": true, "Memory clock\n166.8": true, `(fourth) page \`: true, "Größe": true, "166.9": false,
	} {
		if text.Contains(s) != want {
			t.Errorf("%q stands on the pages: %v", s, !want)
		}
	}
}

// Pictures come out as they were put in.
func TestJPEGs(t *testing.T) {
	var want [][]byte
	for i := range 3 {
		m := image.NewGray(image.Rect(0, 0, 20+i, 10))
		m.Pix[i] = 200
		var b bytes.Buffer
		if err := jpeg.Encode(&b, m, nil); err != nil {
			t.Fatal(err)
		}
		want = append(want, b.Bytes())
	}
	pdf := drawn(t, func(f *gofpdf.Fpdf) {
		for i, w := range want {
			name := fmt.Sprint("p", i)
			f.RegisterImageOptionsReader(name, gofpdf.ImageOptions{ImageType: "JPG"}, bytes.NewReader(w))
			f.ImageOptions(name, 10, 10, 20, 10, false, gofpdf.ImageOptions{ImageType: "JPG"}, 0, "")
		}
	})
	got, err := JPEGs(pdf)
	if err != nil || len(got) != len(want) {
		t.Fatalf("%d pictures, %v", len(got), err)
	}
	for _, w := range want {
		if !slices.ContainsFunc(got, func(g []byte) bool { return bytes.Equal(g, w) }) {
			t.Error("a picture came out changed")
		}
	}
}

func TestRefused(t *testing.T) {
	pdf := string(drawn(t, nil))
	for name, in := range map[string]string{
		"nothing":         "",
		"another format":  "%!PS-Adobe-3.0",
		"encrypted":       strings.Replace(pdf, "/Root", "/Encrypt 1 0 R /Root", 1),
		"two tables":      strings.Replace(pdf, "/Root", "/XRefStm 5 /Root", 1),
		"key twice":       strings.Replace(pdf, "/Root", "/Size 5 /Root", 1),
		"something after": pdf + "x",
		"no mark":         strings.TrimSuffix(strings.TrimSpace(pdf), "%%EOF"),
	} {
		if _, err := Read([]byte(in)); err == nil {
			t.Errorf("%s was read", name)
		}
	}
}

// Strings come back as they were written, whatever is in them.
func TestTextStrings(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.String().Draw(t, "text")
		if strings.HasPrefix(s, "\xfe\xff") || !strings.Contains(s, "\r") && strings.ToValidUTF8(s, "") != s {
			t.Skip()
		}
		n := 100
		o, err := (&parser{data: []byte(TextString(s)), nodes: &n, open: new(open)}).value(0)
		if err != nil || o.textString() != s {
			t.Errorf("%q came back as %q, %v", s, o.textString(), err)
		}
	})
}

// Dates come back to the second with their offset in whole minutes.
func TestDates(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		zone := time.FixedZone("", rapid.IntRange(-14*3600, 14*3600).Draw(t, "offset"))
		when := time.Unix(rapid.Int64Range(0, 7e9).Draw(t, "seconds"), 0).In(zone)
		n := 100
		o, err := (&parser{data: []byte(date(when)), nodes: &n, open: new(open)}).value(0)
		if err != nil {
			t.Fatal(err)
		}
		got, err := o.date()
		_, off := got.Zone()
		_, want := when.Zone()
		if err != nil || !got.Equal(when) || off != want-want%60 {
			t.Errorf("%v came back as %v, %v", when, got, err)
		}
	})
}

func FuzzRead(f *testing.F) {
	plain := drawn(f, nil)
	files := []Attachment{{Name: "a", Type: "text/plain", Relation: Data, Data: []byte("x")}}
	attached, err := Attach(plain, files)
	if err != nil {
		f.Fatal(err)
	}
	signed, _, err := PlaceSignature(attached, Signature{Name: "x", Room: 600})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(plain)
	f.Add(attached)
	f.Add(signed)
	f.Fuzz(func(t *testing.T, data []byte) {
		was := bytes.Clone(data)
		file, err := Read(data)
		if err != nil {
			return
		}
		file.Attachments()
		file.Signature()
		PageText(data)
		if out, err := Attach(data, files); err == nil {
			again, err := Read(out)
			if err != nil {
				t.Fatalf("attached, but cannot be read: %v", err)
			}
			if list, err := again.Attachments(); err != nil || len(list) != 1 || string(list[0].Data) != "x" {
				t.Fatalf("attached, but read back as %v, %v", list, err)
			}
		}
		if out, hole, err := PlaceSignature(data, Signature{Name: "x", Room: 600}); err == nil {
			again, err := Read(out)
			if err != nil {
				t.Fatalf("place for a signature, but cannot be read: %v", err)
			}
			if s, err := again.Signature(); err == nil && s.Hole != hole {
				t.Fatalf("another hole: %v, %v", s.Hole, hole)
			}
		}
		if !bytes.Equal(was, data) {
			t.Fatal("the input was changed")
		}
	})
}

// FuzzObject reads one value.
func FuzzObject(f *testing.F) {
	for _, s := range []string{
		"<< /A [1 0 R (x\\)\\101) <feff0041> 1.5 -2 true null] /B#20C /D >>",
		"((()", "1 0 R", "<</A/B/A/C>>", "[[[", "+.", "1 0 0 R",
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		n := 10000
		p := &parser{data: data, nodes: &n, open: new(open)}
		o, err := p.value(0)
		if err == nil && (o.Start < 0 || o.End > len(data) || o.Start > o.End) {
			t.Fatal(fmt.Sprint("span ", o.Start, o.End))
		}
	})
}

// assembled is a file with these objects, the first of them its catalog.
func assembled(objects ...string) []byte {
	var b bytes.Buffer
	var at []int
	b.WriteString("%PDF-1.4\n")
	for i, o := range objects {
		at = append(at, b.Len())
		fmt.Fprintf(&b, "%d 0 obj\n%s\nendobj\n", i+1, o)
	}
	table := b.Len()
	fmt.Fprintf(&b, "xref\n0 %d\n0000000000 65535 f \n", len(at)+1)
	for _, o := range at {
		fmt.Fprintf(&b, "%010d 00000 n \n", o)
	}
	fmt.Fprintf(&b, "trailer\n<< /Size %d /Root 1 0 R >>\nstartxref\n%d\n%%%%EOF\n", len(at)+1, table)
	return b.Bytes()
}

const bareCatalog = "<< /Type /Catalog /Pages 2 0 R >>"

// nested is a file with so many objects, each but the first inside a string of
// the one before.
func nested(deep int) []byte {
	var b bytes.Buffer
	b.WriteString("%PDF-1.4\n")
	at := []int{b.Len()}
	b.WriteString("1 0 obj\n" + bareCatalog + "\nendobj\n")
	for i := range deep {
		at = append(at, b.Len())
		fmt.Fprintf(&b, "%d 0 obj (", i+2)
	}
	b.WriteString(strings.Repeat(strings.Repeat(" ", 500)+") endobj ", deep))
	table := b.Len() + 1
	fmt.Fprintf(&b, "\nxref\n1 %d\n", len(at))
	for _, o := range at {
		fmt.Fprintf(&b, "%010d 00000 n \n", o)
	}
	fmt.Fprintf(&b, "trailer\n<< /Size %d /Root 1 0 R >>\nstartxref\n%d\n%%%%EOF\n", len(at)+1, table)
	return b.Bytes()
}

// Files made to take long or much memory are given up on when the values or the
// bytes that an honest one needs are spent: the work is counted.
func TestHostileFiles(t *testing.T) {
	for name, data := range map[string][]byte{
		"empty":                 nil,
		"no file at all":        []byte("hello"),
		"too large":             append([]byte("%PDF-1.4\n"), make([]byte, MaxSize)...),
		"brackets":              assembled(bareCatalog, strings.Repeat("[", 1<<20)),
		"values":                assembled(bareCatalog, "["+strings.Repeat("0 ", 1<<20)+"]"),
		"empty arrays":          assembled(bareCatalog, "["+strings.Repeat("[]", 1<<20)+"]"),
		"dictionaries":          assembled(bareCatalog, strings.Repeat("<</A", 1<<20)),
		"many keys":             assembled(bareCatalog, "<<"+manyKeys(100_000)+">>"),
		"spaces":                assembled(bareCatalog, "["+strings.Repeat("1"+strings.Repeat(" ", 10000), 200)+"]"),
		"one string":            assembled(bareCatalog, "("+strings.Repeat("x", 2<<20)+")"),
		"refers to itself":      assembled("<< /Type /Catalog /Pages 1 0 R /AcroForm 1 0 R >>"),
		"length of itself":      assembled(bareCatalog, "<< /Length 2 0 R >>\nstream\n\nendstream"),
		"objects in each other": nested(3_000),
		"many revisions":        bytes.Repeat(assembled(bareCatalog), 1000),
		"zeros":                 append([]byte("%PDF-1.4\n"), make([]byte, 1<<20)...),
	} {
		if _, err := Read(data); err != nil && len(data) > MaxSize {
			continue // refused by its length alone
		}
		f := newFile(data)
		err := f.tables()
		if err == nil {
			_, err = f.Certification()
			f.OneSignature()
			f.Attachments()
		}
		if err == nil {
			t.Errorf("%s: taken for signed", name)
		}
		values, read := maxNodes-f.nodes, allowance(len(data))-f.left
		t.Logf("%-22s %8d bytes: %6d values, %8d bytes read, %8d once more", name, len(data), values, read, f.again)
		// the object that spends the last of the allowance is read to its end
		if most := allowance(len(data)) + len(data); values > maxNodes+1 || read > most || f.again > 2*read+64 {
			t.Errorf("%s: %d values, %d bytes read, %d once more", name, values, read, f.again)
		}
	}
}

func manyKeys(n int) string {
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, "/K%d 0", i)
	}
	return b.String()
}

// Attachments are unpacked as far as they say, and together as far as is allowed.
func TestUnpackedBytesAreCounted(t *testing.T) {
	zeros := Attachment{Name: "zeros.bin", Type: "application/octet-stream", Relation: Data, Data: make([]byte, 1<<20)}
	more := zeros
	more.Name = "more.bin"
	pdf, err := Attach(drawn(t, nil), []Attachment{zeros, more})
	if err != nil {
		t.Fatal(err)
	}
	f, err := Read(pdf)
	if err != nil {
		t.Fatal(err)
	}
	const allowed = 1<<20 + 1000
	f.unpacked = allowed
	if _, err := f.Attachments(); err == nil {
		t.Error("more was unpacked than is allowed")
	}
	if spent := allowed - f.unpacked; spent != 1<<20 {
		t.Errorf("%d bytes were unpacked before the second one was refused", spent)
	}
	packed, err := pack(zeros.Data)
	if err != nil {
		t.Fatal(err)
	}
	left := int64(100)
	if _, err := inflate(packed, &left); err == nil || left != -1 {
		t.Errorf("of 100 bytes %d are left, %v", left, err)
	}
}
