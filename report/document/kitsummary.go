package document

import (
	"bytes"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"strings"

	"golang.org/x/image/draw"
	"golang.org/x/image/font"
	"golang.org/x/image/math/fixed"

	"proveout/report/chart"
	"proveout/report/content"
)

// A board is a picture in the making.
type board struct{ img *image.RGBA }

var (
	ink       = color.RGBA{0x11, 0x11, 0x11, 0xFF}
	quiet     = color.RGBA{0x55, 0x55, 0x55, 0xFF}
	passGreen = color.RGBA{0x00, 0x75, 0x55, 0xFF} // Okabe and Ito's bluish green, darkened for white text upon it
)

func (b *board) fill(r image.Rectangle, c color.Color) {
	draw.Draw(b.img, r, image.NewUniform(c), image.Point{}, draw.Src)
}

// onOneLine is a text fit for drawing without its line ends.
func onOneLine(s string) string { return strings.ReplaceAll(clean(s), "\n", " ") }

// line writes one line with its baseline at y, shortened to fit into width.
func (b *board) line(x, y, width int, w chart.Weight, size float64, c color.Color, s string) {
	s = onOneLine(s)
	for r := []rune(s); chart.Width(w, size, s) > float64(width) && len(r) > 1; {
		r = r[:len(r)-1]
		s = strings.TrimSpace(string(r)) + "…"
	}
	d := font.Drawer{Dst: b.img, Src: image.NewUniform(c), Face: chart.Face(w, size, 72), Dot: fixed.P(x, y)}
	d.DrawString(s)
}

// fit draws a picture as large as it goes into r, in its own proportion.
func (b *board) fit(src image.Image, r image.Rectangle) {
	s := src.Bounds()
	w, h := r.Dx(), r.Dx()*s.Dy()/s.Dx()
	if h > r.Dy() {
		w, h = r.Dy()*s.Dx()/s.Dy(), r.Dy()
	}
	at := image.Rect(0, 0, w, h).Add(r.Min).Add(image.Pt((r.Dx()-w)/2, (r.Dy()-h)/2))
	draw.CatmullRom.Scale(b.img, at, src, s, draw.Src, nil)
}

// summary is the square picture: the card, the verdict, what was tested.
func (k *kit) summary() ([]byte, error) {
	const m = 70
	b := &board{img: image.NewRGBA(image.Rect(0, 0, side, side))}
	b.fill(b.img.Rect, color.White)
	f := &k.c.Front
	b.line(m, 120, side-2*m, chart.Bold, 72, ink, f.Card)
	b.line(m, 175, side-2*m, chart.Regular, 34, quiet, strings.Join(k.marks(), "  ·  "))

	top := 215
	if photo, err := k.best(); err != nil {
		return nil, err
	} else if photo != nil {
		b.fit(photo, image.Rect(m, top, side-m, top+640))
		top += 670
	}
	b.fill(image.Rect(m, top, side-m, top+130), passGreen)
	b.tick(m+65, top+65, 40)
	b.line(m+135, top+85, side-2*m-150, chart.Bold, 60, color.White, k.w.T("listing.accepted"))
	k.testedList(b, m, top+190)
	if err := k.foot(b, m); err != nil {
		return nil, err
	}
	var out bytes.Buffer
	err := png.Encode(&out, b.img)
	return out.Bytes(), err
}

// testedList writes the steps in two columns.
func (k *kit) testedList(b *board, x, y int) {
	steps := k.c.Front.Tested
	rows := (len(steps) + 1) / 2
	if rows == 0 {
		return
	}
	pitch := max(30, min(54, (1290-y)/rows))
	width := (side - 2*x - 60) / 2
	for i, s := range steps {
		cx, cy := x+(i/rows)*(width+60), y+(i%rows)*pitch
		if cy > 1330 {
			break
		}
		size := float64(pitch) * 0.6
		word := onOneLine(s.Word)
		ww := int(chart.Width(chart.Bold, size, word)) + 1
		b.line(cx, cy, width-ww-20, chart.Regular, size, ink, s.Title)
		b.line(cx+width-ww, cy, ww, chart.Bold, size, ink, word)
		b.fill(image.Rect(cx, cy+pitch/4, cx+width, cy+pitch/4+2), color.RGBA{0xCC, 0xCC, 0xCC, 0xFF})
	}
}

// foot names the shop and the certificate, with the QR code of the certificate.
func (k *kit) foot(b *board, m int) error {
	b.fill(image.Rect(m, 1360, side-m, 1363), ink)
	modules, bars, err := QRCode(k.c.Front.Check.QR)
	if err != nil {
		return err
	}
	px := 190 / modules
	left := side - m - px*modules
	for _, bar := range bars {
		at := image.Pt(left+bar.X*px, 1385+bar.Y*px)
		b.fill(image.Rectangle{at, at.Add(image.Pt(bar.Length*px, px))}, ink)
	}
	width := left - m - 40
	b.line(m, 1425, width, chart.Bold, 36, ink, k.d.Shop.Name)
	b.line(m, 1472, width, chart.Regular, 30, ink, k.number())
	size := 26.0
	for size > 18 && chart.Width(chart.Regular, size, onOneLine(k.c.Front.IsNot[0])) > float64(width) {
		size--
	}
	b.line(m, 1515, width, chart.Regular, size, quiet, k.c.Front.IsNot[0])
	b.line(m, 1555, width, chart.Regular, 26, quiet, k.d.Seal.Fingerprint.String())
	return nil
}

// tick draws the sign of acceptance: a white tick.
func (b *board) tick(x, y, r int) {
	stroke := func(x0, y0, x1, y1 int) {
		const steps = 200
		for i := range steps {
			px, py := x0+(x1-x0)*i/steps, y0+(y1-y0)*i/steps
			b.fill(image.Rect(px-6, py-6, px+6, py+6), color.White)
		}
	}
	stroke(x-r*3/4, y, x-r/5, y+r*3/5)
	stroke(x-r/5, y+r*3/5, x+r*4/5, y-r*3/5)
}

// best is the photo that shows the card after the work, else the first one.
func (k *kit) best() (image.Image, error) {
	var pick *content.Photo
	for i := range k.d.Photos {
		p := &k.d.Photos[i]
		if pick == nil || p.Role == "photo after" && pick.Role != "photo after" {
			pick = p
		}
	}
	if pick == nil {
		return nil, nil
	}
	return jpeg.Decode(bytes.NewReader(pick.JPEG))
}
