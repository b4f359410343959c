package pdffile

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"
	"unicode/utf16"

	"proveout/plans/fact"
)

// An update collects the objects that are appended to a file.
type update struct {
	f       *File
	catalog *indirect
	next    int // the next free object number
	changed map[int]change
}

type change struct {
	gen    int
	body   string
	stream []byte // nil unless a stream
}

func newUpdate(pdf []byte) (*update, error) {
	f, err := Read(pdf)
	if err != nil {
		return nil, err
	}
	catalog, err := f.catalog()
	if err != nil {
		return nil, err
	}
	size := f.Trailer.Get("Size")
	if size.Kind != Integer || size.Int <= 0 || size.Int > maxObjects-64 {
		return nil, errors.New("the trailer does not give the number of objects")
	}
	u := &update{f: f, catalog: catalog, next: int(size.Int), changed: map[int]change{}}
	for n := range f.objects {
		u.next = max(u.next, n+1)
	}
	return u, nil
}

// add appends a new object and returns its number.
func (u *update) add(body string, stream []byte) int {
	n := u.next
	u.next++
	u.changed[n] = change{body: body, stream: stream}
	return n
}

// replace writes an object of the file anew.
func (u *update) replace(in *indirect, body string) {
	u.changed[in.num] = change{gen: in.gen, body: body}
}

// source is the text of an object as it stands in the file.
func (f *File) source(o Object) string { return string(f.data[o.Start:o.End]) }

// edit writes a dictionary again without the keys in drop and with the text in
// add after the rest. Everything else is kept as it was written.
func (f *File) edit(d Object, drop []string, add string) string {
	var b strings.Builder
	b.WriteString("<<\n")
	for _, e := range d.Entries {
		if !slices.Contains(drop, e.Key) {
			b.Write(f.data[e.KeyStart:e.Value.End])
			b.WriteByte('\n')
		}
	}
	b.WriteString(add)
	b.WriteString(">>")
	return b.String()
}

// bytes is the longer file. The second half of the file identifier is a digest
// of everything before the trailer, so the same input gives the same file.
func (u *update) bytes() []byte {
	base := u.f.data
	out := make([]byte, 0, len(base)+8192)
	out = append(out, base...)
	if out[len(out)-1] != '\n' {
		out = append(out, '\n')
	}
	nums := slices.Sorted(maps.Keys(u.changed))
	offsets := make([]int, len(nums))
	for i, n := range nums {
		c := u.changed[n]
		offsets[i] = len(out)
		out = fmt.Appendf(out, "%d %d obj\n%s\n", n, c.gen, c.body)
		if c.stream != nil {
			out = append(out, "stream\n"...)
			out = append(out, c.stream...)
			out = append(out, "\nendstream\n"...)
		}
		out = append(out, "endobj\n"...)
	}
	sum := sha256.Sum256(out)
	first := sha256.Sum256(base)
	id := first[:16]
	if old := u.f.Trailer.Get("ID"); old.Kind == Array && len(old.Items) == 2 && old.Items[0].Kind == String {
		id = old.Items[0].Text
	}
	at := len(out)
	out = append(out, "xref\n"...)
	for i := 0; i < len(nums); {
		j := i + 1
		for j < len(nums) && nums[j] == nums[j-1]+1 {
			j++
		}
		out = fmt.Appendf(out, "%d %d\n", nums[i], j-i)
		for ; i < j; i++ {
			out = fmt.Appendf(out, "%010d %05d n \n", offsets[i], u.changed[nums[i]].gen)
		}
	}
	drop := []string{"Size", "Prev", "ID"}
	last := u.f.Revisions[len(u.f.Revisions)-1].XRef
	add := fmt.Sprintf("/Size %d\n/Prev %d\n/ID [<%x> <%x>]\n", u.next, last, id, sum[:16])
	trailer := u.f.edit(u.f.Trailer, drop, add)
	return fmt.Appendf(out, "trailer\n%s\nstartxref\n%d\n%%%%EOF\n", trailer, at)
}

// textBytes is a text string: as it is when it is plain ASCII, else in UTF-16 with
// its byte order mark (ISO 32000-1, 7.9.2.2).
func textBytes(s string) []byte {
	if !strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r >= 127 }) {
		return []byte(s)
	}
	out := []byte{0xfe, 0xff}
	for _, u := range utf16.Encode([]rune(s)) {
		out = binary.BigEndian.AppendUint16(out, u)
	}
	return out
}

// TextString writes a text string (ISO 32000-1, 7.9.2.2): plain where it is ASCII,
// UTF-16 else.
func TextString(s string) string {
	b := textBytes(s)
	if string(b) == s {
		return "(" + strings.NewReplacer(`\`, `\\`, "(", `\(`, ")", `\)`).Replace(s) + ")"
	}
	return fmt.Sprintf("<%x>", b)
}

// textString reads a text string as textBytes writes it.
func (o Object) textString() string {
	if o.Kind != String {
		return ""
	}
	if wide, marked := bytes.CutPrefix(o.Text, []byte{0xfe, 0xff}); marked {
		return fromUTF16(wide)
	}
	return string(o.Text)
}

// fromUTF16 reads big-endian UTF-16.
func fromUTF16(text []byte) string {
	u := make([]uint16, len(text)/2)
	for i := range u {
		u[i] = binary.BigEndian.Uint16(text[2*i:])
	}
	return string(utf16.Decode(u))
}

// date writes a time as ISO 32000-1, 7.9.4 has it, to the second, with the
// offset that t carries, in whole minutes.
func date(t time.Time) string {
	_, offset := t.Zone()
	t = t.In(time.FixedZone("", offset-offset%60))
	hours, minutes := t.Format("20060102150405-07"), t.Format("-0700")[3:]
	return "(D:" + hours + "'" + minutes + "')"
}

// date reads a time written as this package writes it.
func (o Object) date() (time.Time, error) {
	t, err := time.Parse("D:20060102150405-0700", strings.ReplaceAll(string(o.Text), "'", ""))
	if o.Kind != String || err != nil || date(t) != "("+string(o.Text)+")" {
		return time.Time{}, fact.New("pdffile.date").Err()
	}
	return t, nil
}
