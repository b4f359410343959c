package raster

import (
	"image"
	"image/color"
	"image/draw"
	"testing"

	"pgregory.net/rapid"
)

func TestNewIsBlackAndRefusesNoSize(t *testing.T) {
	p := New(3, 2)
	if len(p.Pix) != 18 || p.Width != 3 || p.Height != 2 {
		t.Fatalf("%+v", p)
	}
	for _, v := range p.Pix {
		if v != 0 {
			t.Fatal("not black")
		}
	}
	for _, size := range [][2]int{{0, 1}, {1, 0}, {-1, 5}} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("a picture of %v was made", size)
				}
			}()
			New(size[0], size[1])
		}()
	}
}

// picture draws a small picture of any content.
func picture(t *rapid.T) *RGB {
	w, h := rapid.IntRange(1, 7).Draw(t, "width"), rapid.IntRange(1, 7).Draw(t, "height")
	return &RGB{w, h, rapid.SliceOfN(rapid.Byte(), 3*w*h, 3*w*h).Draw(t, "samples")}
}

func TestSetAndAt(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := picture(t)
		before := p.Clone()
		x, y := rapid.IntRange(-2, 8).Draw(t, "x"), rapid.IntRange(-2, 8).Draw(t, "y")
		p.Set(x, y, 1, 2, 3)
		inside := x >= 0 && y >= 0 && x < p.Width && y < p.Height
		for j := -2; j < 9; j++ {
			for i := -2; i < 9; i++ {
				r, g, b := p.At(i, j)
				r0, g0, b0 := before.At(i, j)
				switch {
				case inside && i == x && j == y:
					if r != 1 || g != 2 || b != 3 {
						t.Fatalf("%d,%d is %d,%d,%d", i, j, r, g, b)
					}
				case r != r0 || g != g0 || b != b0:
					t.Fatalf("setting %d,%d changed %d,%d", x, y, i, j)
				case (i < 0 || j < 0 || i >= p.Width || j >= p.Height) && (r != 0 || g != 0 || b != 0):
					t.Fatalf("outside, at %d,%d, it is not black", i, j)
				}
			}
		}
	})
}

func TestFillIsCutToThePicture(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := picture(t)
		before := p.Clone()
		at := func(name string) int { return rapid.IntRange(-3, 10).Draw(t, name) }
		x0, y0, x1, y1 := at("x0"), at("y0"), at("x1"), at("y1")
		p.Fill(x0, y0, x1, y1, 9, 8, 7)
		for y := range p.Height {
			for x := range p.Width {
				r, g, b := p.At(x, y)
				wr, wg, wb := before.At(x, y)
				if x >= x0 && x < x1 && y >= y0 && y < y1 {
					wr, wg, wb = 9, 8, 7
				}
				if r != wr || g != wg || b != wb {
					t.Fatalf("%d,%d is %d,%d,%d, want %d,%d,%d", x, y, r, g, b, wr, wg, wb)
				}
			}
		}
	})
}

func TestThereAndBackThroughAnImage(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := picture(t)
		m := p.Image()
		q := FromImage(m)
		if q.Width != p.Width || q.Height != p.Height || string(q.Pix) != string(p.Pix) {
			t.Fatalf("%v came back as %v", p, q)
		}
		for i := 3; i < len(m.Pix); i += 4 {
			if m.Pix[i] != 255 {
				t.Fatal("not opaque")
			}
		}
		c := p.Clone()
		c.Pix[0]++
		if p.Pix[0] == c.Pix[0] {
			t.Fatal("a clone shares its samples")
		}
	})
}

// Every kind of image gives what the standard library's colour model gives:
// red, green and blue with transparency laid over black, upper bytes kept.
func TestFromImageOfEveryKind(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w, h := rapid.IntRange(1, 6).Draw(t, "width"), rapid.IntRange(1, 6).Draw(t, "height")
		cut := image.Rect(1, 1, 1+w, 1+h) // images need not begin at 0,0
		whole := image.Rect(0, 0, w+2, h+2)
		var m image.Image
		fill := func(pix []uint8) {
			copy(pix, rapid.SliceOfN(rapid.Byte(), len(pix), len(pix)).Draw(t, "samples"))
		}
		switch rapid.IntRange(0, 7).Draw(t, "kind") {
		case 0:
			s := image.NewNRGBA(whole)
			fill(s.Pix)
			m = s.SubImage(cut)
		case 1:
			s := image.NewNRGBA(whole)
			fill(s.Pix)
			for i := 3; i < len(s.Pix); i += 4 {
				s.Pix[i] = 255
			}
			m = s.SubImage(cut)
		case 2:
			s := image.NewGray(whole)
			fill(s.Pix)
			m = s.SubImage(cut)
		case 3:
			p := color.Palette{color.RGBA{1, 2, 3, 255}, color.NRGBA{200, 100, 50, 128}, color.Gray16{0xABCD}}
			s := image.NewPaletted(whole, p)
			for i := range s.Pix {
				s.Pix[i] = uint8(rapid.IntRange(0, 2).Draw(t, "entry"))
			}
			m = s.SubImage(cut)
		case 4:
			s := image.NewYCbCr(whole, image.YCbCrSubsampleRatio420)
			fill(s.Y)
			fill(s.Cb)
			fill(s.Cr)
			m = s.SubImage(cut)
		case 5:
			s := image.NewRGBA64(whole)
			fill(s.Pix)
			for i := 6; i < len(s.Pix); i += 8 {
				s.Pix[i], s.Pix[i+1] = 255, 255
			}
			m = s.SubImage(cut)
		case 6:
			s := image.NewCMYK(whole)
			fill(s.Pix)
			m = s.SubImage(cut)
		default:
			s := image.NewRGBA(whole)
			fill(s.Pix)
			draw.Draw(s, whole, image.NewUniform(color.RGBA{10, 20, 30, 255}), image.Point{}, draw.Over)
			m = s.SubImage(cut)
		}
		p := FromImage(m)
		if p.Width != w || p.Height != h {
			t.Fatalf("%T of %d×%d came as %d×%d", m, w, h, p.Width, p.Height)
		}
		for y := range h {
			for x := range w {
				r, g, b, _ := m.At(1+x, 1+y).RGBA()
				if gr, gg, gb := p.At(x, y); gr != uint8(r>>8) || gg != uint8(g>>8) || gb != uint8(b>>8) {
					t.Fatalf("%T at %d,%d: %d,%d,%d, want %d,%d,%d", m, x, y, gr, gg, gb, r>>8, g>>8, b>>8)
				}
			}
		}
	})
}
