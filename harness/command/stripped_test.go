package command_test

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"proveout/harness/command"
	"proveout/report/seal/pdffile"
)

// private is a word that stands in everything a camera or a program may write
// into a picture beside the picture.
const private = "PRIVATE-4711"

func gradient(shift uint8) image.Image {
	m := image.NewRGBA(image.Rect(0, 0, 320, 240))
	for y := range 240 {
		for x := range 320 {
			m.SetRGBA(x, y, color.RGBA{uint8(x) + shift, uint8(y), uint8(x + y), 255})
		}
	}
	return m
}

// notedJPEG is a photo with all that cameras note: position and maker's notes in
// Exif (CIPA DC-008), XMP (ISO 16684-1) with its extension, IPTC (IIM in a
// resource block), a second image behind the first, a comment, a preview in
// JFXX, and something behind the end.
func notedJPEG(t *testing.T) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, gradient(0), nil); err != nil {
		t.Fatal(err)
	}
	segment := func(marker byte, body string) string {
		return string([]byte{0xFF, marker, byte((len(body) + 2) >> 8), byte(len(body) + 2)}) + body
	}
	// One directory with owner, then Exif with maker's notes, then position.
	be := binary.BigEndian
	entry := func(tag, kind uint16, count, value uint32) string {
		e := be.AppendUint16(nil, tag)
		e = be.AppendUint16(e, kind)
		e = be.AppendUint32(e, count)
		return string(be.AppendUint32(e, value))
	}
	word := private + "\x00" // 13 bytes
	n := uint32(len(word))
	const dir0, dirExif, dirGPS, text = 8, 8 + 2 + 3*12 + 4, 8 + 2 + 3*12 + 4 + 2 + 12 + 4, 8 + 2 + 3*12 + 4 + 2*(2+12+4)
	exif := "Exif\x00\x00MM\x00*\x00\x00\x00\x08" +
		"\x00\x03" + entry(0x013B, 2, n, text) + entry(0x8769, 4, 1, dirExif) + entry(0x8825, 4, 1, dirGPS) +
		"\x00\x00\x00\x00" +
		"\x00\x01" + entry(0x927C, 7, n, text) + "\x00\x00\x00\x00" +
		"\x00\x01" + entry(0x001D, 2, n, text) + "\x00\x00\x00\x00" + word
	head := segment(0xE0, "JFXX\x00\x13"+private) + segment(0xE1, exif) +
		segment(0xE1, "http://ns.adobe.com/xap/1.0/\x00<x:xmpmeta><dc:creator>"+private+"</dc:creator></x:xmpmeta>") +
		segment(0xE1, "http://ns.adobe.com/xmp/extension/\x00"+private) +
		segment(0xED, "Photoshop 3.0\x008BIM\x04\x04\x00\x00\x00\x00\x00\x12\x1c\x02\x50\x00\x0c"+private+"\x00") +
		segment(0xE2, "MPF\x00"+private) + segment(0xE2, "ICC_PROFILE\x00\x01\x01"+private) + segment(0xFE, private)
	return []byte("\xff\xd8" + head + b.String()[2:] + private)
}

// notedPNG is a picture with all chunks that hold text or notes (ISO/IEC 15948).
func notedPNG(t *testing.T) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, gradient(90)); err != nil {
		t.Fatal(err)
	}
	chunk := func(kind, body string) string {
		c := binary.BigEndian.AppendUint32(nil, uint32(len(body)))
		c = append(append(c, kind...), body...)
		return string(binary.BigEndian.AppendUint32(c, crc32.ChecksumIEEE(c[4:])))
	}
	const signatureAndHeader = 8 + 25
	notes := chunk("tEXt", "Author\x00"+private) +
		chunk("iTXt", "XML:com.adobe.xmp\x00\x00\x00\x00\x00"+private) +
		chunk("eXIf", "MM\x00*"+private) +
		chunk("tIME", "\x07\xea\x03\x03\x0c\x00\x00") +
		chunk("prIv", private)
	return []byte(b.String()[:signatureAndHeader] + notes + b.String()[signatureAndHeader:] + private)
}

// What cameras and programs note in pictures stays in the shop: neither the
// certificate nor its page nor any file of the kit has it.
func TestPicturesCarryNoNotes(t *testing.T) {
	oneAtATime(t)
	t.Parallel()
	dir := t.TempDir()
	for name, data := range map[string][]byte{"one.jpg": notedJPEG(t), "two.png": notedPNG(t)} {
		if bytes.Count(data, []byte(private)) < 5 {
			t.Fatalf("%s holds too little to be stripped of", name)
		}
		if _, _, err := image.Decode(bytes.NewReader(data)); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	shop := filepath.Join(dir, "shop")
	c, said := testConsole(repositoryRoot(t))
	run := func(args ...string) {
		t.Helper()
		if code := c.Run(context.Background(), append([]string{"proveout"}, args...)); code == command.ExitNotDone {
			t.Fatalf("%q: %s", args, said)
		}
	}
	run("init", shop, "--name", "Reedmere Bench", "--technician", "Wren Ashdown", "--signing-key")
	if err := os.WriteFile(filepath.Join(shop, "logo.png"), notedPNG(t), 0o600); err != nil {
		t.Fatal(err)
	}
	toml := filepath.Join(shop, "shop.toml")
	text, err := os.ReadFile(toml)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(toml, append([]byte("logo = \"logo.png\"\n"), text...), 0o600); err != nil {
		t.Fatal(err)
	}
	commands := quickCommands(filepath.Join(dir, "one.jpg"))
	commands[0] = append(commands[0], "--close-up", filepath.Join(dir, "two.png"))
	kit := filepath.Join(dir, "kit")
	for _, args := range append(commands, []string{"certify", "1"}, []string{"listing", "1", "-o", kit}) {
		run(append(args, "--shop", shop)...)
	}
	files, err := filepath.Glob(filepath.Join(kit, "*"))
	if err != nil || len(files) < 8 {
		t.Fatalf("%v %v %s", files, err, said)
	}
	pictures := 0
	for _, f := range files {
		data, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		pictures += bare(t, filepath.Base(f), data)
	}
	if pictures < 8 { // two photos each alone, in the certificate and on its page, and the summary
		t.Errorf("only %d pictures were looked into", pictures)
	}
}

// bare looks into a file, and the pictures inside it, for what should not be
// there, and counts the pictures.
func bare(t *testing.T, name string, data []byte) (pictures int) {
	t.Helper()
	if bytes.Contains(data, []byte(private)) {
		t.Errorf("%s holds what was noted in a picture", name)
	}
	switch {
	case bytes.HasPrefix(data, []byte("\xff\xd8")):
		allowed := []byte{0xDB, 0xC0, 0xC4, 0xDA} // tables, frame, scan (ITU-T T.81, table B.1)
		for at := 2; data[at+1] != 0xDA; at += 2 + int(data[at+2])<<8 + int(data[at+3]) {
			if data[at] != 0xFF || !slices.Contains(allowed, data[at+1]) {
				t.Errorf("%s has a segment %#02x", name, data[at+1])
				break
			}
		}
		return 1
	case bytes.HasPrefix(data, []byte("\x89PNG")):
		for at := 8; at < len(data); at += 12 + int(binary.BigEndian.Uint32(data[at:])) {
			if kind := string(data[at+4 : at+8]); !slices.Contains([]string{"IHDR", "PLTE", "tRNS", "IDAT", "IEND"}, kind) {
				t.Errorf("%s has a chunk %s", name, kind)
			}
		}
		return 1
	case bytes.HasPrefix(data, []byte("%PDF")):
		jpegs, err := pdffile.JPEGs(data)
		if err != nil {
			t.Fatal(err)
		}
		for i, j := range jpegs {
			pictures += bare(t, fmt.Sprintf("%s, picture %d", name, i+1), j)
		}
		f, err := pdffile.Read(data)
		if err != nil {
			t.Fatal(err)
		}
		attached, err := f.Attachments()
		if err != nil && name != "bag-label.pdf" { // that one has none
			t.Fatal(err)
		}
		for _, a := range attached {
			pictures += bare(t, name+", "+a.Name, a.Data)
		}
	case strings.HasSuffix(name, ".html"):
		for i, m := range regexp.MustCompile(`data:image/[a-z]+;base64,([A-Za-z0-9+/=]+)`).FindAllSubmatch(data, -1) {
			inside, err := base64.StdEncoding.DecodeString(string(m[1]))
			if err != nil {
				t.Errorf("%s, picture %d: %v", name, i+1, err)
				continue
			}
			pictures += bare(t, fmt.Sprintf("%s, picture %d", name, i+1), inside)
		}
	}
	return pictures
}
