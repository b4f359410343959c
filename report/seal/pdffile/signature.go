package pdffile

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"proveout/plans/fact"
)

// A Signature is what stands in the file about a signature besides its value.
type Signature struct {
	Name     string    // who signs
	Reason   string    // why, e.g. "acceptance test"
	Location string    // where
	Contact  string    // how the signer is reached
	Time     time.Time // to the second, with the offset of the place
	Room     int       // bytes kept free for the signature value
}

// A Hole is the part of a file that its signature cannot cover: the signature
// value itself, from its opening to behind its closing angle bracket.
type Hole struct{ Start, End int }

// Digest is the SHA-256 digest of a file without its hole.
func (h Hole) Digest(pdf []byte) [sha256.Size]byte {
	d := sha256.New()
	d.Write(pdf[:h.Start])
	d.Write(pdf[h.End:])
	return [sha256.Size]byte(d.Sum(nil))
}

const (
	minRoom = 512
	maxRoom = 1 << 20
)

// What is written of a signature. Its byte range is filled in when the file has
// its length.
const (
	rangeRoom     = "[0 0000000000 0000000000 0000000000]"
	signatureText = "<<\n/Type /Sig\n/Filter /Adobe.PPKLite\n/SubFilter /adbe.pkcs7.detached\n" +
		"/ByteRange %s\n/Contents <%s>\n" +
		"/Reference [ << /Type /SigRef /TransformMethod /DocMDP " +
		"/TransformParams << /Type /TransformParams /P 1 /V /1.2 >> >> ]\n" +
		"/Name %s\n/M %s\n%s>>"
	fieldText = "<< /Type /Annot /Subtype /Widget /FT /Sig /T (Seal) /TU (Signature of the workshop) " +
		"/F 132 /Rect [0 0 0 0] /P %d %d R /V %d 0 R >>"
	catalogText = "/AcroForm << /Fields [ %d 0 R ] /SigFlags 3 >>\n/Perms << /DocMDP %d 0 R >>\n"
)

// PlaceSignature appends a signature field without appearance, a signature
// dictionary with its value left at zero, and a catalog that names it as the
// one that certifies the document and allows no change (DocMDP, P 1). The same
// input gives the same output. The file must have no form and no signature yet.
//
// Source: ISO 32000-1:2008, 12.7.4.5 (signature fields), 12.8.1 (signature
// dictionary and byte range), 12.8.2.2 (DocMDP), table 254 (P).
func PlaceSignature(pdf []byte, s Signature) ([]byte, Hole, error) {
	if s.Room < minRoom || s.Room > maxRoom {
		return nil, Hole{}, fmt.Errorf("room of %d bytes for a signature: take %d to %d", s.Room, minRoom, maxRoom)
	}
	u, err := newUpdate(pdf)
	if err != nil {
		return nil, Hole{}, err
	}
	f, catalog := u.f, u.catalog.value
	if catalog.has("AcroForm") || catalog.has("Perms") {
		return nil, Hole{}, errors.New("the file has a form or a signature already")
	}
	pages, err := f.pages(catalog)
	if err != nil {
		return nil, Hole{}, err
	}
	page := pages[0]
	annots, err := f.resolve(page.value.Get("Annots"))
	if err != nil {
		return nil, Hole{}, err
	}
	zeros := strings.Repeat("0", 2*s.Room)
	about := optional("Reason", s.Reason) + optional("Location", s.Location) + optional("ContactInfo", s.Contact)
	sig := u.add(fmt.Sprintf(signatureText, rangeRoom, zeros, TextString(s.Name), date(s.Time), about), nil)
	field := u.add(fmt.Sprintf(fieldText, page.num, page.gen, sig), nil)
	list := ""
	for _, a := range annots.Items {
		list += " " + f.source(a)
	}
	u.replace(page, f.edit(page.value, []string{"Annots"}, fmt.Sprintf("/Annots [%s %d 0 R ]\n", list, field)))
	u.replace(u.catalog, f.edit(catalog, nil, fmt.Sprintf(catalogText, field, sig)))
	out := u.bytes()

	mark := []byte("/ByteRange " + rangeRoom + "\n/Contents <")
	at := len(pdf) + bytes.Index(out[len(pdf):], mark)
	h := Hole{Start: at + len(mark) - 1}
	h.End = h.Start + 2*s.Room + 2
	covered := fmt.Sprintf("[0 %d %d %d]", h.Start, h.End, len(out)-h.End)
	copy(out[at:], fmt.Sprintf("/ByteRange %-*s", len(rangeRoom), covered))
	return out, h, nil
}

func optional(key, value string) string {
	if value == "" {
		return ""
	}
	return "/" + key + " " + TextString(value) + "\n"
}

// A Found is a signature as it stands in a file.
type Found struct {
	Signature
	Hole      Hole
	ByteRange [4]int64
	Change    int64  // what may be changed after signing: 1 nothing (DocMDP P)
	Value     []byte // what stands in the hole, padding included
	HexExact  bool   // the hole holds nothing but lower-case hexadecimal digits
}

// OneSignature reads all objects that a reader can reach by number, and tells
// whether exactly one is a signature.
func (f *File) OneSignature() error {
	n := 0
	err := f.each(func(in *indirect) { n += signaturesIn(in.value) })
	if err == nil && n != 1 {
		err = fact.New("pdffile.signatures", "n", n).Err()
	}
	return err
}

// Certification reads the signature that the catalog names, and only what leads
// to it. Whether there are others is for [File.OneSignature] to tell.
func (f *File) Certification() (Found, error) {
	cat, err := f.catalog()
	if err != nil {
		return Found{}, err
	}
	if !cat.value.has("AcroForm") && !cat.value.has("Perms") {
		return Found{}, fact.New("pdffile.not-signed").Err()
	}
	fields, err := f.lookup(cat.value, "AcroForm", "Fields")
	if err != nil {
		return Found{}, err
	}
	if len(fields.Items) != 1 {
		return Found{}, fact.New("pdffile.other-fields").Err()
	}
	field, err := f.resolve(fields.Items[0])
	if err != nil {
		return Found{}, err
	}
	perms, err := f.lookup(cat.value, "Perms")
	if err != nil {
		return Found{}, err
	}
	v, docMDP := field.Get("V"), perms.Get("DocMDP")
	if v.Kind != Ref || docMDP.Kind != Ref || v.Int != docMDP.Int || len(perms.Entries) != 1 {
		return Found{}, fact.New("pdffile.not-certifying").Err()
	}
	d, err := f.resolve(v)
	if err != nil {
		return Found{}, err
	}
	return f.found(d)
}

func (f *File) found(d Object) (Found, error) {
	var s Found
	if !d.Get("Type").isName("Sig") || !d.Get("Filter").isName("Adobe.PPKLite") ||
		!d.Get("SubFilter").isName("adbe.pkcs7.detached") {
		return s, fact.New("pdffile.signature-kind").Err()
	}
	r := d.Get("ByteRange").Items
	if len(r) != len(s.ByteRange) || slices.ContainsFunc(r, func(o Object) bool { return o.Kind != Integer }) {
		return s, fact.New("pdffile.no-range").Err()
	}
	for i, o := range r {
		s.ByteRange[i] = o.Int
	}
	refs := d.Get("Reference")
	if len(refs.Items) != 1 || !refs.Items[0].Get("TransformMethod").isName("DocMDP") {
		return s, fact.New("pdffile.no-changes").Err()
	}
	if p := refs.Items[0].Get("TransformParams").Get("P"); p.Kind == Integer {
		s.Change = p.Int
	}
	c := d.Get("Contents")
	if c.Kind != String || c.End-c.Start < 2 || f.data[c.Start] != '<' || len(c.Text) > maxRoom {
		return s, fact.New("pdffile.no-value").Err()
	}
	s.Hole = Hole{c.Start, c.End}
	s.Value = c.Text
	s.HexExact = bytes.Equal(hex.AppendEncode(nil, c.Text), f.data[c.Start+1:c.End-1])
	s.Room = len(c.Text)
	s.Name = d.Get("Name").textString()
	s.Reason = d.Get("Reason").textString()
	s.Location = d.Get("Location").textString()
	s.Contact = d.Get("ContactInfo").textString()
	var err error
	s.Time, err = d.Get("M").date()
	return s, err
}

func signaturesIn(o Object) int {
	n := 0
	if o.Kind == Dict && (o.has("ByteRange") || o.Get("Type").isName("Sig") || o.Get("Type").isName("DocTimeStamp")) {
		n++
	}
	for _, i := range o.Items {
		n += signaturesIn(i)
	}
	for _, e := range o.Entries {
		n += signaturesIn(e.Value)
	}
	return n
}
