package content

import (
	"bytes"
	"encoding/binary"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"math"
	"strings"
	"testing"

	"proveout/harness/reading"
	"proveout/plans"
)

// quarters is a picture whose four quarters differ: red, green over blue,
// white.
func quarters(w, h int) image.Image {
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			c := color.RGBA{0xFF, 0, 0, 0xFF}
			switch {
			case y < h/2 && x >= w/2:
				c = color.RGBA{0, 0xFF, 0, 0xFF}
			case y >= h/2 && x < w/2:
				c = color.RGBA{0, 0, 0xFF, 0xFF}
			case y >= h/2:
				c = color.RGBA{0xFF, 0xFF, 0xFF, 0xFF}
			}
			img.SetRGBA(x, y, c)
		}
	}
	return img
}

// withOrientation puts an Exif block with an orientation, and one with a
// position, into a JPEG file.
func withOrientation(t *testing.T, img image.Image, o uint16, order binary.AppendByteOrder) []byte {
	t.Helper()
	var buf bytes.Buffer
	if err := jpeg.Encode(&buf, img, &jpeg.Options{Quality: 95}); err != nil {
		t.Fatal(err)
	}
	tiff := []byte("II*\x00")
	if order == binary.AppendByteOrder(binary.BigEndian) {
		tiff = []byte("MM\x00*")
	}
	tiff = order.AppendUint32(tiff, 8)
	tiff = order.AppendUint16(tiff, 2)
	for _, e := range [][4]uint32{{0x010F, 2, 4, 0x41414141}, {0x0112, 3, 1, 0}} {
		tiff = order.AppendUint16(tiff, uint16(e[0]))
		tiff = order.AppendUint16(tiff, uint16(e[1]))
		tiff = order.AppendUint32(tiff, e[2])
		if e[0] == 0x0112 {
			tiff = order.AppendUint16(order.AppendUint16(tiff, o), 0)
		} else {
			tiff = order.AppendUint32(tiff, e[3])
		}
	}
	body := append([]byte("Exif\x00\x00"), tiff...)
	app := binary.BigEndian.AppendUint16([]byte{0xFF, 0xE1}, uint16(len(body)+2))
	return append(append(append([]byte{0xFF, 0xD8}, app...), body...), buf.Bytes()[2:]...)
}

func hue(c color.Color) string {
	r, g, b, _ := c.RGBA()
	s := ""
	for _, v := range [3]uint32{r, g, b} {
		if v > 0x8000 {
			s += "1"
		} else {
			s += "0"
		}
	}
	return map[string]string{"100": "red", "010": "green", "001": "blue", "111": "white"}[s]
}

// Where row 0 and column 0 of the stored picture stand when it is shown: CIPA
// DC-008 (Exif), tag 0x0112 (from memory): 1 top left, 2 top right, 3 bottom
// right, 4 bottom left, 5 left top, 6 right top, 7 right bottom, 8 left bottom.
func TestOrientation(t *testing.T) {
	want := map[uint16][4]string{ // upper left, upper right, lower left, lower right as shown
		1: {"red", "green", "blue", "white"}, 2: {"green", "red", "white", "blue"},
		3: {"white", "blue", "green", "red"}, 4: {"blue", "white", "red", "green"},
		5: {"red", "blue", "green", "white"}, 6: {"blue", "red", "white", "green"},
		7: {"white", "green", "blue", "red"}, 8: {"green", "white", "red", "blue"},
		0: {"red", "green", "blue", "white"}, 9: {"red", "green", "blue", "white"},
	}
	for o, corners := range want {
		for _, order := range []binary.AppendByteOrder{binary.LittleEndian, binary.BigEndian} {
			img, err := ReadPhoto(withOrientation(t, quarters(64, 32), o, order))
			if err != nil {
				t.Fatal(err)
			}
			b := img.Bounds()
			if turned := o >= 5 && o <= 8; turned != (b.Dy() > b.Dx()) {
				t.Errorf("orientation %d: %v", o, b)
			}
			for i, p := range []image.Point{{4, 4}, {b.Dx() - 5, 4}, {4, b.Dy() - 5}, {b.Dx() - 5, b.Dy() - 5}} {
				if got := hue(img.At(p.X, p.Y)); got != corners[i] {
					t.Errorf("orientation %d: corner %d is %s, want %s", o, i, got, corners[i])
				}
			}
		}
	}
}

func TestReadPhotoRefuses(t *testing.T) {
	var buf bytes.Buffer
	if err := png.Encode(&buf, image.NewGray16(image.Rect(0, 0, 9, 9))); err != nil {
		t.Fatal(err)
	}
	if _, err := ReadPhoto(buf.Bytes()); err != nil {
		t.Errorf("a 16-bit PNG: %v", err)
	}
	for name, data := range map[string][]byte{"empty": nil, "text": []byte("hello"), "cut": buf.Bytes()[:40]} {
		if _, err := ReadPhoto(data); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	huge := bytes.Clone(buf.Bytes())
	binary.BigEndian.PutUint32(huge[16:], 40000)
	binary.BigEndian.PutUint32(huge[20:], 40000)
	if _, err := ReadPhoto(huge); err == nil {
		t.Error("a picture of 1.6 gigapixels was read")
	}
}

func FuzzOrientation(f *testing.F) {
	f.Add([]byte("\xff\xd8\xff\xe1\x00\x20Exif\x00\x00II*\x00\x08\x00\x00\x00\x01\x00\x12\x01\x03\x00\x01\x00\x00\x00\x06\x00\x00\x00"))
	f.Add([]byte("\xff\xd8\xff\xe1\x00\x10Exif\x00\x00MM\x00*\xff\xff\xff\xff"))
	f.Fuzz(func(t *testing.T, data []byte) {
		if o := orientation(data); o < 1 || o > 8 {
			t.Errorf("orientation %d", o)
		}
	})
}

// A photo made smaller is averaged, not sampled: of a chessboard of single pixels
// a grey remains. It keeps its colours.
func TestShrinkKeepsColours(t *testing.T) {
	chess := image.NewGray(image.Rect(0, 0, 970, 610))
	for i := range chess.Pix {
		chess.Pix[i] = uint8((i%970 + i/970) % 2 * 255)
	}
	grey, err := encode(chess, 311, 171)
	if err != nil {
		t.Fatal(err)
	}
	shown, err := jpeg.Decode(bytes.NewReader(grey))
	if err != nil {
		t.Fatal(err)
	}
	for y := 5; y < 160; y += 11 {
		for x := 5; x < 300; x += 13 {
			if r, _, _, _ := shown.At(x, y).RGBA(); math.Abs(float64(r>>8)-127.5) > 12 {
				t.Fatalf("%d, %d is %d", x, y, r>>8)
			}
		}
	}
	var buf bytes.Buffer
	if err := jpeg.Encode(&buf, quarters(1500, 1000), nil); err != nil {
		t.Fatal(err)
	}
	img, err := ReadPhoto(buf.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	var d Document
	d.Photos = []Photo{{Image: img}, {Image: quarters(1500, 1000)}}
	if err := d.Prepare(); err != nil {
		t.Fatal(err)
	}
	for i, p := range d.Photos {
		small, err := jpeg.Decode(bytes.NewReader(p.JPEG))
		if err != nil {
			t.Fatal(err)
		}
		if b := small.Bounds(); b.Dx() != p.Width || b.Dy() != p.Height || p.Width > maxSide || p.Width < maxSide-2 {
			t.Errorf("photo %d: %v, says %d × %d", i, b, p.Width, p.Height)
		}
		for k, want := range []string{"red", "green", "blue", "white"} {
			if got := hue(small.At(p.Width/4+k%2*p.Width/2, p.Height/4+k/2*p.Height/2)); got != want {
				t.Errorf("photo %d: quarter %d is %s, want %s", i, k, got, want)
			}
		}
		if bytes.Contains(p.JPEG, []byte("Exif")) {
			t.Errorf("photo %d keeps metadata", i)
		}
	}
}

func TestWidthsDiffer(t *testing.T) {
	d := Document{}
	for range 40 {
		d.Photos = append(d.Photos, Photo{Image: image.NewGray(image.Rect(0, 0, 8, 8))})
	}
	if err := d.Prepare(); err != nil {
		t.Fatal(err)
	}
	seen := map[int]bool{}
	for _, p := range d.Photos {
		if p.Width < 1 || seen[p.Width] {
			t.Fatalf("width %d twice", p.Width)
		}
		seen[p.Width] = true
	}
	first := &d.Photos[0].JPEG[0]
	if err := d.Prepare(); err != nil || &d.Photos[0].JPEG[0] != first {
		t.Errorf("prepared twice: %v", err)
	}
}

func TestFilesOnceInPlanOrder(t *testing.T) {
	ev := func(h string) reading.Evidence { return reading.Evidence{SHA256: h, Name: h} }
	d := Document{Plan: &plans.Plan{Steps: []plans.Step{{ID: "b"}, {ID: "a"}}}}
	captures := []reading.Capture{{Evidence: ev("3")}, {Evidence: ev("1")}, {}}
	d.Job = &reading.Job{Card: reading.Card{Photos: []reading.Evidence{ev("p"), ev("1")}}, Attempts: map[string][]reading.Attempt{
		"a": {{Logs: []reading.Log{{Evidence: ev("2")}}}},
		"b": {{Logs: []reading.Log{{Evidence: ev("1")}}}, {Captures: captures}},
	}}
	var got []string
	for _, e := range d.Files() {
		got = append(got, e.SHA256)
	}
	if s := strings.Join(got, " "); s != "1 3 2 p" {
		t.Errorf("files %q", s)
	}
}

// Photos made for print when they came in keep a width of their own each, and
// are taken as they are.
func TestPrintVersions(t *testing.T) {
	widths := map[int]bool{}
	for n := range 6 {
		small, err := PrintVersion(quarters(2000, 1500), n)
		if err != nil {
			t.Fatal(err)
		}
		var p Photo
		if err := p.Take(small); err != nil || p.Width != 1200-n || p.Height != 900 || !bytes.Equal(p.JPEG, small) {
			t.Errorf("photo %d: %d × %d, %v", n, p.Width, p.Height, err)
		}
		widths[p.Width] = true
	}
	if len(widths) != 6 {
		t.Errorf("%d widths for six photos", len(widths))
	}
	var p Photo
	var large bytes.Buffer
	if err := jpeg.Encode(&large, quarters(1300, 20), nil); err != nil {
		t.Fatal(err)
	}
	for _, data := range [][]byte{nil, []byte("no picture"), large.Bytes()} {
		if err := p.Take(data); err == nil || p.JPEG != nil {
			t.Errorf("%d bytes taken", len(data))
		}
	}
}
