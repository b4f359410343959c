package sample

import (
	"image"
	"image/color"
	"math/rand/v2"

	"proveout/report/content"
)

// FullPhotos gives a document photos as large as a camera of the kind benches
// use makes them, 1600 by 1200 pixels.
func FullPhotos(d *content.Document) *content.Document {
	d.Photos = photos(len(d.Photos), 1600, 1200)
	return d
}

// photos returns n painted pictures of boards with the noise of a camera.
func photos(n, w, h int) []content.Photo {
	titles := [...]struct{ role, caption string }{
		{"photo before", "component side as received"}, {"photo before", "bridges at U2"},
		{"photo after", "component side after repair"}, {"photo after", "U4 replaced"},
		{"close-up", "date codes of U1 and U2"}, {"close-up", "sticker on the back"},
	}
	out := make([]content.Photo, n)
	for i := range out {
		title := titles[i%len(titles)]
		out[i] = content.Photo{
			Image: Board(w, h, uint64(i)), Role: title.role, Caption: title.caption, SHA256: fakeHash(uint64(100 + i)),
		}
	}
	return out
}

// Board paints a circuit board: green laminate, black chips with pins, a
// bracket, and noise.
func Board(w, h int, seed uint64) *image.YCbCr {
	r := rand.New(rand.NewPCG(seed, 99))
	img := image.NewYCbCr(image.Rect(0, 0, w, h), image.YCbCrSubsampleRatio420)
	rect := func(x0, y0, x1, y1 int, c color.RGBA) {
		y, cb, cr := color.RGBToYCbCr(c.R, c.G, c.B)
		for py := max(0, y0); py < min(h, y1); py++ {
			for px := max(0, x0); px < min(w, x1); px++ {
				img.Y[img.YOffset(px, py)] = y
				o := img.COffset(px, py)
				img.Cb[o], img.Cr[o] = cb, cr
			}
		}
	}
	rect(0, 0, w, h, color.RGBA{0xB8, 0xB4, 0xAA, 0xFF})
	rect(w/16, h/8, w*15/16, h*7/8, color.RGBA{0x1D, 0x5C, 0x3A, 0xFF})
	for range 9 {
		cw, ch := w/12+r.IntN(w/10), h/14+r.IntN(h/9)
		x, y := w/10+r.IntN(w*6/10), h/6+r.IntN(h/2)
		for px := x; px < x+cw; px += 14 {
			rect(px, y-8, px+6, y+ch+8, color.RGBA{0xC9, 0xC9, 0xCF, 0xFF})
		}
		rect(x, y, x+cw, y+ch, color.RGBA{0x20, 0x20, 0x24, 0xFF})
	}
	for i := range img.Y {
		img.Y[i] = uint8(min(255, max(0, int(img.Y[i])+r.IntN(13)-6)))
	}
	return img
}
