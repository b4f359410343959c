package raster

import (
	"bytes"
	"encoding/binary"
	"errors"
	"image"
	"image/jpeg"
	"image/png"
	"runtime"
	"slices"
	"strings"
	"testing"

	"golang.org/x/image/bmp"
	"golang.org/x/image/tiff"
)

var usual = Limits{Bytes: 256 << 20, Pixels: 64_000_000, Side: 20_000}

func sample(w, h int) *RGB {
	p := New(w, h)
	for i := range p.Pix {
		p.Pix[i] = uint8(i*7 + i/50*31)
	}
	return p
}

// writePCX writes 8 bits in three planes, run-length coded, as the format asks:
// bytes from 0xC0 need a run.
func writePCX(p *RGB) []byte {
	d := make([]byte, 128)
	d[0], d[1], d[2], d[3], d[65] = 10, 5, 1, 8, 3
	binary.LittleEndian.PutUint16(d[8:], uint16(p.Width-1))
	binary.LittleEndian.PutUint16(d[10:], uint16(p.Height-1))
	line := p.Width + p.Width&1
	binary.LittleEndian.PutUint16(d[66:], uint16(line))
	for y := range p.Height {
		for ch := range 3 {
			for x := 0; x < line; {
				at := func(x int) byte { r, g, b := p.At(x, y); return [3]byte{r, g, b}[ch] }
				n := 1
				for n < 63 && x+n < line && at(x+n) == at(x) {
					n++
				}
				if n > 1 || at(x) >= 0xC0 {
					d = append(d, 0xC0|byte(n))
				}
				d = append(d, at(x))
				x += n
			}
		}
	}
	return d
}

// writeTGA writes 24 bits, bottom up, plain or run-length coded.
func writeTGA(p *RGB, coded byte) []byte {
	d := make([]byte, 18)
	d[2], d[16] = 2|coded<<3, 24
	binary.LittleEndian.PutUint16(d[12:], uint16(p.Width))
	binary.LittleEndian.PutUint16(d[14:], uint16(p.Height))
	for y := p.Height - 1; y >= 0; y-- {
		for x := range p.Width {
			r, g, b := p.At(x, y)
			switch {
			case coded == 1 && x+1 < p.Width && x%2 == 0: // two raw pixels
				d = append(d, 1)
			case coded == 1 && x%2 == 0:
				d = append(d, 0x80) // a run of one
			}
			d = append(d, b, g, r)
		}
	}
	return d
}

func files(t testing.TB, p *RGB) map[string][]byte {
	out := map[string][]byte{"pcx": writePCX(p), "tga": writeTGA(p, 0), "tga coded": writeTGA(p, 1)}
	for name, enc := range map[string]func(*bytes.Buffer) error{
		"png":  func(b *bytes.Buffer) error { return png.Encode(b, p.Image()) },
		"bmp":  func(b *bytes.Buffer) error { return bmp.Encode(b, p.Image()) },
		"tiff": func(b *bytes.Buffer) error { return tiff.Encode(b, p.Image(), nil) },
		"tiff deflate": func(b *bytes.Buffer) error {
			return tiff.Encode(b, p.Image(), &tiff.Options{Compression: tiff.Deflate, Predictor: true})
		},
	} {
		var b bytes.Buffer
		if err := enc(&b); err != nil {
			t.Fatal(err)
		}
		out[name] = b.Bytes()
	}
	return out
}

func TestLosslessFormats(t *testing.T) {
	want := sample(33, 21)
	for name, d := range files(t, want) {
		got, format, err := Decode(bytes.NewReader(d), usual)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if format != strings.Fields(name)[0] || got.Width != 33 || got.Height != 21 ||
			!bytes.Equal(got.Pix, want.Pix) {
			t.Errorf(
				"%s: read as %s, %d×%d, samples equal: %v",
				name,
				format,
				got.Width,
				got.Height,
				bytes.Equal(got.Pix, want.Pix),
			)
		}
		if _, _, err := Decode(bytes.NewReader(d[:len(d)/2]), usual); err == nil {
			t.Errorf("%s: half of the file is accepted", name)
		}
		if _, _, err := Decode(bytes.NewReader(d), Limits{1 << 20, 100, 4096}); !errors.Is(err, errTooLarge) {
			t.Errorf("%s: the pixel limit is not kept: %v", name, err)
		}
		if _, _, err := Decode(bytes.NewReader(d), Limits{50, 1 << 20, 4096}); !errors.Is(err, errTooLarge) {
			t.Errorf("%s: the byte limit is not kept: %v", name, err)
		}
	}
}

func TestJPEG(t *testing.T) {
	p := New(64, 48)
	for i := range p.Pix {
		p.Pix[i] = uint8(i / 3 % 64 * 3)
	}
	var b bytes.Buffer
	jpeg.Encode(&b, p.Image(), &jpeg.Options{Quality: 95})
	got, format, err := Decode(&b, usual)
	if err != nil || format != "jpeg" {
		t.Fatal(format, err)
	}
	for i, v := range got.Pix {
		if d := int(v) - int(p.Pix[i]); d > 6 || d < -6 {
			t.Fatalf("sample %d is %d, want about %d", i, v, p.Pix[i])
		}
	}
}

func TestIndexedPCX(t *testing.T) {
	d := make([]byte, 128)
	d[0], d[1], d[2], d[3], d[65], d[66], d[8], d[10] = 10, 5, 1, 1, 4, 2, 9, 0 // 10×1, 4 planes of 1 bit
	copy(d[16+3*15:], []byte{10, 20, 30})                                       // colour 15
	copy(d[16+3*1:], []byte{1, 2, 3})
	d = append(d, 0xC1, 0xFF, 0, 0x80, 0, 0x80, 0, 0x80, 0) // pixel 0 has all planes, the next seven one
	p, _, err := Decode(bytes.NewReader(d), usual)
	if err != nil {
		t.Fatal(err)
	}
	if r, g, b := p.At(0, 0); r != 10 || g != 20 || b != 30 {
		t.Errorf("pixel 0: %d,%d,%d", r, g, b)
	}
	if r, g, b := p.At(1, 0); r != 1 || g != 2 || b != 3 {
		t.Errorf("pixel 1: %d,%d,%d", r, g, b)
	}
}

// bombs are files whose header says 60 000×60 000 pixels.
func bombs(t testing.TB) map[string][]byte {
	small := image.NewRGBA(image.Rect(0, 0, 2, 2))
	var p, b, tf, j bytes.Buffer
	png.Encode(&p, small)
	bmp.Encode(&b, small)
	tiff.Encode(&tf, small, nil)
	jpeg.Encode(&j, small, nil)
	png60 := p.Bytes()
	binary.BigEndian.PutUint32(png60[16:], 60000)
	binary.BigEndian.PutUint32(png60[20:], 60000)
	binary.BigEndian.PutUint32(png60[29:], crc(png60[12:29]))
	bmp60 := b.Bytes()
	binary.LittleEndian.PutUint32(bmp60[18:], 60000)
	binary.LittleEndian.PutUint32(bmp60[22:], 60000)
	tiff60 := tf.Bytes()
	for i := 0; i+12 <= len(tiff60); i++ { // width and length entries of the directory
		if (tiff60[i] == 0 || tiff60[i] == 1) && tiff60[i+1] == 1 && tiff60[i+2] == 3 && tiff60[i+3] == 0 &&
			tiff60[i+4] == 1 {
			binary.LittleEndian.PutUint16(tiff60[i+8:], 60000)
		}
	}
	jpeg60 := j.Bytes()
	if i := bytes.Index(jpeg60, []byte{0xFF, 0xC0}); i > 0 {
		binary.BigEndian.PutUint16(jpeg60[i+5:], 60000)
		binary.BigEndian.PutUint16(jpeg60[i+7:], 60000)
	}
	tga60 := writeTGA(sample(2, 2), 0)
	binary.LittleEndian.PutUint16(tga60[12:], 60000)
	binary.LittleEndian.PutUint16(tga60[14:], 60000)
	pcx60 := writePCX(sample(2, 2))
	binary.LittleEndian.PutUint16(pcx60[8:], 59999)
	binary.LittleEndian.PutUint16(pcx60[10:], 59999)
	return map[string][]byte{"png": png60, "bmp": bmp60, "tiff": tiff60, "jpeg": jpeg60, "tga": tga60, "pcx": pcx60}
}

func crc(d []byte) uint32 {
	c := ^uint32(0)
	for _, b := range d {
		c ^= uint32(b)
		for range 8 {
			c = c>>1 ^ 0xEDB88320&-(c&1)
		}
	}
	return ^c
}

func TestHugeHeader(t *testing.T) {
	for name, d := range bombs(t) {
		_, format, err := Decode(bytes.NewReader(d), usual)
		if !errors.Is(err, errTooLarge) || format != name {
			t.Errorf("%s: read as %q: %v", name, format, err)
		}
	}
}

func TestHugeHeaderTakesLittleMemory(t *testing.T) {
	all := bombs(t)
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	for _, d := range all {
		Decode(bytes.NewReader(d), usual)
	}
	runtime.ReadMemStats(&after)
	if got := after.TotalAlloc - before.TotalAlloc; got > 4<<20 {
		t.Errorf("six headers took %d bytes", got)
	}
}

func TestAnythingElse(t *testing.T) {
	gif, long := "GIF89a........................", strings.Repeat("x", 400)
	for _, s := range []string{"", "hello", gif, long, "BM", "\x89PNG\r\n\x1a\n"} {
		if _, _, err := Decode(strings.NewReader(s), usual); err == nil {
			t.Errorf("%q is accepted", s)
		}
	}
	if _, _, err := Decode(strings.NewReader("a note, not a picture"), usual); !errors.Is(err, ErrUnknown) {
		t.Errorf("unclear error: %v", err)
	}
}

func fuzz(f *testing.F, name string) {
	for n, d := range files(f, sample(9, 7)) {
		if strings.HasPrefix(n, name) {
			f.Add(d)
			f.Add(d[:len(d)*2/3])
		}
	}
	if d, ok := bombs(f)[name]; ok {
		f.Add(d)
	}
	limits := Limits{Bytes: 1 << 20, Pixels: 1 << 16, Side: 4096}
	f.Fuzz(func(t *testing.T, d []byte) {
		all := fileFormats()
		p, err := all[slices.IndexFunc(all, func(f fileFormat) bool { return f.name == name })].decode(d, limits)
		if err == nil && (len(p.Pix) != 3*p.Width*p.Height || int64(p.Width)*int64(p.Height) > limits.Pixels) {
			t.Fatalf("%d×%d with %d samples", p.Width, p.Height, len(p.Pix))
		}
	})
}

func FuzzPNG(f *testing.F)  { fuzz(f, "png") }
func FuzzJPEG(f *testing.F) { fuzz(f, "jpeg") }
func FuzzBMP(f *testing.F)  { fuzz(f, "bmp") }
func FuzzTIFF(f *testing.F) { fuzz(f, "tiff") }
func FuzzPCX(f *testing.F)  { fuzz(f, "pcx") }
func FuzzTGA(f *testing.F)  { fuzz(f, "tga") }

func FuzzDecode(f *testing.F) {
	for _, d := range files(f, sample(5, 4)) {
		f.Add(d)
	}
	f.Fuzz(func(t *testing.T, d []byte) {
		p, name, err := Decode(bytes.NewReader(d), Limits{Bytes: 1 << 20, Pixels: 1 << 16, Side: 4096})
		if err == nil && (name == "" || p == nil) {
			t.Fatal("read as nothing")
		}
	})
}
