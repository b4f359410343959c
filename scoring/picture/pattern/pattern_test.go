package pattern

import (
	"bytes"
	"image/png"
	"os"
	"testing"

	"golang.org/x/image/bmp"
	"pgregory.net/rapid"

	"proveout/scoring/picture/raster"
)

func modes() []Mode {
	var out []Mode
	for _, f := range Formats() {
		out = append(out, Mode{Width: 320, Height: 240, Format: f})
	}
	return append(out, Mode{Width: 163, Height: 121, Format: RGB565})
}

// Bit replication: 5 bits abcde become abcdeabc (common practice, no source).
func TestWiden(t *testing.T) {
	for _, tt := range []struct {
		level uint32
		bits  int
		want  uint8
	}{{31, 5, 255}, {16, 5, 0b10000100}, {1, 5, 0b00001000}, {1, 6, 0b00000100}, {33, 6, 0b10000110},
		{1, 2, 0b01010101}, {5, 3, 0b10110110}, {200, 8, 200}, {1, 1, 255}} {
		if got := Widen(tt.level, tt.bits); got != tt.want {
			t.Errorf("Widen(%d, %d) = %08b, want %08b", tt.level, tt.bits, got, tt.want)
		}
	}
}

func TestShowAndCodeAreInverse(t *testing.T) {
	for _, f := range Formats() {
		for c := range uint32(1 << 16) {
			code := (c*2654435761 ^ c) & f.Mask()
			if got := f.code(f.show(code)); got != code {
				t.Fatalf("%s: code %#x came back as %#x", f, code, got)
			}
		}
	}
}

func TestEveryPatternIsRecognised(t *testing.T) {
	for i, m := range modes() {
		for k, p := range All(m) {
			if os.Getenv("PROVEOUT_ALL_CHECKS") != "1" && (i+k)%3 != 0 { // a third in the usual run
				continue
			}
			f, err := p.Render()
			if err != nil {
				t.Fatalf("%s %s: %v", m, p.Name(), err)
			}
			got, err := Recognise(f.RGB())
			if err != nil {
				t.Fatalf("%s %s: %v", m, p.Name(), err)
			}
			if got.Pattern != p {
				t.Errorf("%s %s recognised as %s %s", m, p.Name(), got.Pattern.Mode, got.Pattern.Name())
			}
			if n, err := ParseName(p.Name(), m); err != nil || n != p {
				t.Errorf("ParseName(%q) = %v, %v", p.Name(), n, err)
			}
		}
	}
}

func TestFilesKeepEveryPixel(t *testing.T) {
	for _, m := range modes() {
		f, _ := Pattern{m, Random, 7}.Render()
		want := f.RGB()
		var b bytes.Buffer
		if err := png.Encode(&b, f.Image()); err != nil {
			t.Fatal(err)
		}
		img, err := png.Decode(&b)
		if err != nil || !bytes.Equal(raster.FromImage(img).Pix, want.Pix) {
			t.Errorf("%s: PNG changed the picture (%v)", m, err)
		}
		b.Reset()
		if err := bmp.Encode(&b, f.Image()); err != nil {
			t.Fatal(err)
		}
		if img, err = bmp.Decode(&b); err != nil || !bytes.Equal(raster.FromImage(img).Pix, want.Pix) {
			t.Errorf("%s: BMP changed the picture (%v)", m, err)
		}
		g, err := ReadDump(bytes.NewReader(append(f.Bytes(), "more"...)), m)
		if err != nil || !bytes.Equal(g.RGB().Pix, want.Pix) {
			t.Errorf("%s: raw dump changed the picture (%v)", m, err)
		}
		if _, err := ReadDump(bytes.NewReader(f.Bytes()[:5000]), m); err == nil {
			t.Errorf("%s: a short dump is accepted", m)
		}
	}
}

// Little-endian pixels, line after line: the layout is a convention of the
// project.
func TestRawLayout(t *testing.T) {
	m := Mode{Width: 165, Height: 120, Format: RGB565}
	f := &Frame{Mode: m, Codes: make([]uint32, 165*120)}
	f.Codes[2*165+3] = 0xF81F
	b := f.Bytes()
	if len(b) != 120*330 || b[2*330+6] != 0x1F || b[2*330+7] != 0xF8 {
		t.Errorf("length %d, bytes %#x %#x", len(b), b[2*330+6], b[2*330+7])
	}
}

// Both patterns together show each bit of each pixel as 0 and as 1, and each
// bit of one alone is 1 in half of the places.
func TestRandomPatternsAreBalancedAndComplementary(t *testing.T) {
	m := Mode{Width: 320, Height: 240, Format: RGB888}
	a, _ := Pattern{m, Random, 1}.Render()
	b, _ := Pattern{m, RandomComplement, 1}.Render()
	mark := m.Layout().Mark
	var count [24]int
	n := 0
	seen := map[[2]uint32]bool{}
	for i := mark * 320; i < (240-mark)*320; i++ {
		if a.Codes[i]^b.Codes[i] != m.Format.Mask() {
			t.Fatalf("pixel %d: %#x and %#x are no complements", i, a.Codes[i], b.Codes[i])
		}
		for k := range count {
			count[k] += int(a.Codes[i] >> k & 1)
		}
		n++
		pair := [2]uint32{a.Codes[i], a.Codes[i+1]}
		if seen[pair] {
			t.Errorf("the pair at %d is not unique", i)
		}
		seen[pair] = true
	}
	for k, c := range count {
		if d := float64(c)/float64(n) - 0.5; d > 0.01 || d < -0.01 {
			t.Errorf("bit %d is 1 in %d of %d places", k, c, n)
		}
	}
}

func TestRampShowsEveryLevel(t *testing.T) {
	for _, m := range modes() {
		f, _ := Pattern{m, Ramp, 0}.Render()
		if m.Width < 256 && m.Format == RGB888 {
			continue
		}
		for ch, fl := range m.Format.Fields() {
			seen := map[uint32]bool{}
			for _, c := range f.Codes {
				seen[c>>fl.Shift&(1<<fl.Bits-1)] = true
			}
			if len(seen) != 1<<fl.Bits {
				t.Errorf("%s: channel %d shows %d levels of %d", m, ch, len(seen), 1<<fl.Bits)
			}
		}
	}
}

// CRC-16 with polynomial 0x1021 detects every error of up to three bits in a
// word this short; no damaged word may be read as another pattern.
func TestIdentificationSurvivesDamage(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := Mode{Width: rapid.IntRange(160, 2048).Draw(t, "w"), Height: rapid.IntRange(120, 1536).Draw(t, "h"),
			Format: rapid.SampledFrom(Formats()).Draw(t, "f")}
		p := Pattern{m, Random, rapid.IntRange(0, 1023).Draw(t, "seed")}
		if q, ok := unpack(p.pack()); !ok || q != p {
			t.Fatalf("%v came back as %v, %v", p, q, ok)
		}
		w := p.pack() ^ 1<<rapid.IntRange(0, 63).Draw(t, "a") ^ 1<<rapid.IntRange(0, 63).Draw(t, "b")
		if w != p.pack() {
			if q, ok := unpack(w); ok {
				t.Fatalf("a damaged word was read as %v", q)
			}
		}
		var soft [codeBits]float64
		for i := range soft {
			soft[i] = float64(p.pack()>>i&1)*2 - 1
		}
		soft[rapid.IntRange(0, 63).Draw(t, "c")] *= -0.1
		soft[rapid.IntRange(0, 63).Draw(t, "d")] *= -0.1
		if q, ok := decide(soft); !ok || q != p {
			t.Fatalf("two weak wrong cells were not put right: %v, %v", q, ok)
		}
	})
}

func TestModeProblems(t *testing.T) {
	for _, m := range []Mode{{}, {Width: 10, Height: 240, Format: RGB565}, {Width: 640, Height: 480}, {640, 480, 17}} {
		if m.Check() == nil {
			t.Errorf("%+v is accepted", m)
		}
	}
	if m := (Mode{640, 480, RGB565}); m.Check() != nil || m.String() != "640x480x16" {
		t.Errorf("%s: %v", m, m.Check())
	}
	if _, err := Recognise(raster.New(640, 480)); err == nil {
		t.Error("a black picture is recognised")
	}
}

func FuzzReadDump(f *testing.F) {
	f.Add([]byte{1, 2, 3}, 160, 120, 16)
	f.Fuzz(func(t *testing.T, d []byte, w, h, depth int) {
		m := Mode{Width: w, Height: h, Format: Format(depth)}
		if w*h > 1<<16 {
			return
		}
		if got, err := ReadDump(bytes.NewReader(d), m); err == nil && len(got.Codes) != w*h {
			t.Fatal("wrong size")
		}
	})
}
