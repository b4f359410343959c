package document

import (
	"bytes"
	"image"
	"image/png"
	"math"
	"slices"
	"strings"

	"github.com/boombuler/barcode/qr"
	"github.com/phpdave11/gofpdf"
	"golang.org/x/image/draw"

	"proveout/report/chart"
	"proveout/report/content"
	"proveout/scoring/conformity"
)

// front sets the first page: what a buyer needs in one look.
func (s *sheet) front(c *content.Content) {
	f := &c.Front
	s.part = s.tags.root.add("Sect")
	s.place(s.letterhead(c))
	s.gap(3)
	s.place(s.cardTitle(f))
	s.gap(3)
	s.place(s.verdictBox(f))
	s.gap(4)
	s.place(s.twoColumns(f))
	if len(f.Way) > 0 {
		s.gap(3)
		s.place(s.titled(f.WayHd, f.Way))
	}
	s.gap(4)
	s.place(s.isNot(f))
	if f.Check.Hd != "" {
		s.gap(3)
		s.place(s.check(&f.Check))
	}
}

// letterhead is the title of the document on the left and the shop on the
// right.
func (s *sheet) letterhead(c *content.Content) *block {
	b := &block{}
	f := &c.Front
	left, right := s.w*0.56, s.w*0.40
	title := face{size: 22, weight: chart.Bold}
	if c.Kind == content.TestReport {
		title.size = 20
	}
	y := b.as(s.part.add("H1")).text(0, 0, left, title, c.Title)
	b.as(s.part.add("P")).text(0, y+0.5, left, face{size: 11}, c.Number)
	x := s.w - right
	y = 0
	if f.Logo != nil {
		if h := s.logo(b.as(s.part.figure(f.ShopName)), f.Logo, x, right); h > 0 {
			y = h + 1.5
		}
	}
	y = b.as(s.part.add("P")).text(x, y+0.8, right, face{size: 10, weight: chart.Bold}, f.ShopName)
	for _, l := range f.ShopLines {
		if l != "" {
			y = b.as(s.part.add("P")).text(x, y, right, face{size: 8.5, color: darkGrey}, l)
		}
	}
	return b
}

// logo puts the shop's logo, at most 14 mm high, at x and returns its height.
func (s *sheet) logo(b *block, img image.Image, x, width float64) float64 {
	r := img.Bounds()
	if r.Empty() {
		return 0
	}
	const most = 14.0
	h := math.Min(most, width*float64(r.Dy())/float64(r.Dx()))
	w := h * float64(r.Dx()) / float64(r.Dy())
	px := min(600, r.Dx())
	for s.widths[px] { // the writer orders pictures by width alone
		px++
	}
	// Drawn anew, because the writer takes no PNG of 16 bits or interlaced.
	var data bytes.Buffer
	if err := png.Encode(&data, content.OnWhite(img, px, max(1, px*r.Dy()/r.Dx()), draw.ApproxBiLinear)); err != nil {
		s.errs = append(s.errs, err)
		return 0
	}
	b.picture(x, 0, w, h, "PNG", data.Bytes())
	return h
}

// picture puts an encoded picture, "JPEG" or "PNG", into a rectangle.
func (b *block) picture(x, y, w, h float64, kind string, data []byte) {
	b.add(x, y, w, h, func(c *canvas) {
		name, how := content.Digest(data), gofpdf.ImageOptions{ImageType: kind}
		c.pdf.RegisterImageOptionsReader(name, how, bytes.NewReader(data))
		c.pdf.ImageOptions(name, c.x*ptmm, (c.pageH-c.y)*ptmm-h, w, h, false, how, 0, "")
	})
}

// cardTitle names the card and all that ties the paper to it.
func (s *sheet) cardTitle(f *content.Front) *block {
	b := &block{}
	b.fill(0, 0, s.w, 0.4, black)
	y := b.as(s.part.add("H2")).text(0, 2, s.w, face{size: 17, weight: chart.Bold}, f.Card)
	if f.CardLine != "" && f.CardLine != f.Card {
		y = b.as(s.part.add("P")).text(0, y, s.w, face{size: 10, color: darkGrey}, f.CardLine)
	}
	y += 1
	name, text := face{size: 8, color: darkGrey}, face{size: 9.5, weight: chart.Bold}
	const gutter = 4.0
	w := (s.w - 2*gutter) / 3
	low := y
	marks := s.part.add("L")
	for i, id := range f.Identity {
		if i%3 == 0 {
			y = low
		}
		x := float64(i%3) * (w + gutter)
		what, says := marks.item()
		t := b.as(what).text(x, y, w, name, id.Name)
		low = math.Max(low, b.as(says).text(x, t, w, text, id.Text)+1)
	}
	b.h = math.Max(b.h, low)
	return b
}

// signs of a verdict: a colour for who sees it, a drawing for who does not.
func verdictColor(v conformity.Verdict, accepted bool) chart.RGB {
	switch {
	case accepted && v == conformity.Pass:
		return green
	case v == conformity.Fail:
		return vermil
	case v == conformity.Inconclusive:
		return amber
	}
	return midGrey
}

// verdictBox says the verdict in large words, beside a sign that differs in
// form, not only in colour.
func (s *sheet) verdictBox(f *content.Front) *block {
	inner := &block{}
	const pad, sign = 4.0, 19.0
	width := s.w - sign - 2*pad
	headline := face{size: 22, weight: chart.Bold}.fitted(clean(f.Headline), width, 13, 1)
	y := inner.as(s.part.add("H2")).text(0, 0, width, headline, f.Headline)
	if f.Reason != "" {
		inner.as(s.part.add("P")).text(0, y+0.5, width, face{size: 9.5}, f.Reason)
	}
	h := math.Max(inner.h+2*pad-1, 20)
	b := &block{}
	edge := verdictColor(f.Verdict, f.Accepted)
	b.fill(0, 0, 3, h, edge)
	b.frame(0, 0, s.w, h, 0.7, black)
	b.join(inner, sign+pad, (h-inner.h)/2)
	const across = 12.0
	b.add(5, (h-across)/2, across, across, func(c *canvas) { c.sign(across/ptmm/2, f.Verdict, f.Accepted) })
	b.h = h
	return b
}

// sign draws the form of a verdict: a tick in a circle of radius r, a cross in a
// square, a bar in a diamond for all that is not decided.
func (c *canvas) sign(r float64, v conformity.Verdict, accepted bool) {
	line := func(xy ...float64) []chart.Point {
		out := make([]chart.Point, len(xy)/2)
		for i := range out {
			out[i] = chart.Point{X: r + xy[2*i]*r, Y: r + xy[2*i+1]*r}
		}
		return out
	}
	colour := verdictColor(v, accepted)
	var strokes [][]chart.Point
	switch {
	case accepted && v == conformity.Pass:
		c.Disc(colour, chart.Point{X: r, Y: r}, r)
		strokes = append(strokes, line(-0.5, -0.02, -0.15, -0.38, 0.5, 0.4))
	case v == conformity.Fail:
		c.Fill(colour, line(-0.9, -0.9, 0.9, -0.9, 0.9, 0.9, -0.9, 0.9))
		strokes = append(strokes, line(-0.5, -0.5, 0.5, 0.5), line(-0.5, 0.5, 0.5, -0.5))
	default:
		c.Fill(colour, line(0, -1.1, 1.1, 0, 0, 1.1, -1.1, 0))
		strokes = append(strokes, line(-0.5, 0, 0.5, 0))
	}
	c.Stroke(whiteInk, r*0.24, nil, strokes...)
}

// twoColumns sets what was tested beside the facts of the document.
func (s *sheet) twoColumns(f *content.Front) *block {
	b := &block{}
	const gutter = 8.0
	left := (s.w - gutter) * 0.56
	hd := face{size: 10, weight: chart.Bold}
	y := b.as(s.part.add("H2")).text(0, 0, left, hd, f.TestedHd)
	y += 0.8
	steps := s.part.add("L")
	text, note := face{size: 9.5}, face{size: 7.5, color: darkGrey}
	for _, t := range f.Tested {
		b.fill(0, y, left, 0.1, midGrey)
		y += 1.1
		word := face{size: 9}
		if t.Verdict == conformity.Fail || t.Verdict == conformity.Inconclusive {
			word.weight = chart.Bold
		}
		w := word.width(clean(t.Word))
		room := left - w - 6
		step, says := steps.item()
		low := b.as(step).text(0, y, room, text, t.Title)
		verdict := says.add("P")
		if t.Note != "" {
			low = b.as(says.add("P")).text(0, low-0.4, room, note, t.Note)
		}
		b.as(verdict).verdictWord(left-w-1.2, y+text.rise()-word.rise(), word, clean(t.Word), t.Verdict)
		y = low + 0.9
	}
	x, w := left+gutter, s.w-left-gutter
	y = 0
	facts := s.part.add("L")
	for i, fact := range f.Facts {
		if i > 0 {
			y += 2
		}
		what, says := facts.item()
		y = b.as(what).text(x, y, w, face{size: 7.5, color: darkGrey}, fact.Name)
		y = b.as(says).text(x, y-0.2, w, face{size: 9, weight: chart.Bold}, fact.Text)
	}
	return b
}

// verdictWord sets a verdict with its top at y so that a fail stands out white
// on black and an undecided one on grey, in any print.
func (b *block) verdictWord(x, y float64, f face, word string, v conformity.Verdict) {
	w, h := f.width(word), f.lead()
	switch v {
	case conformity.Fail:
		b.fill(x-1, y-0.3, w+2, h+0.4, black)
		f.color = whiteInk
	case conformity.Inconclusive:
		b.fill(x-1, y-0.3, w+2, h+0.4, black)
		b.fill(x-0.8, y-0.1, w+1.6, h, paleGrey)
	case conformity.NotRun, conformity.NotApplicable:
		f.color = darkGrey
	}
	b.line(x, y+f.rise(), f, word)
}

// titled sets a list under its title.
func (s *sheet) titled(title string, items []string) *block {
	b := &block{}
	y := b.as(s.part.add("H2")).text(0, 0, s.w, face{size: 10, weight: chart.Bold}, title)
	all := s.part.add("L")
	for _, it := range items {
		y = s.bullet(b, all, y, it)
	}
	return b
}

// isNot says what the document is not.
func (s *sheet) isNot(f *content.Front) *block {
	return s.framed(s.statement(4, f.IsNotHd, f.IsNot), 0)
}

// check says how the document is checked, with the QR code beside it.
func (s *sheet) check(c *content.Check) *block {
	x, side := 4.0, 0.0
	if c.QR != "" {
		side = 24
		x += side + 4
	}
	lines := c.Lines
	if c.Ask != "" {
		lines = append(slices.Clip(lines), c.Ask)
	}
	inner := s.statement(x, c.Hd, lines)
	if len(c.Fingerprint) > 0 {
		groups := strings.Join(c.Fingerprint, " ")
		inner.as(s.part.add("P")).text(x, inner.h+0.6, s.w-x-4, face{size: 10, weight: chart.Bold}, groups)
	}
	b := s.framed(inner, side)
	if c.QR != "" {
		b.as(s.part.figure(content.Join(" · ", c.QRAlt, c.QR)))
		if err := b.code(c.QR, 3.5, (b.h-side)/2, side); err != nil {
			s.errs = append(s.errs, err)
		}
	}
	return b
}

// statement is a small title with paragraphs under it, from x on.
func (s *sheet) statement(x float64, title string, lines []string) *block {
	b := &block{}
	w := s.w - x - 4
	y := b.as(s.part.add("H2")).text(x, 0, w, face{size: 8.5, weight: chart.Bold}, title)
	for _, t := range lines {
		y = b.as(s.part.add("P")).text(x, y+0.3, w, face{size: 8}, t)
	}
	return b
}

// framed puts a frame around a block, at least so high that something tall has
// room in it: of a QR code four modules of white.
func (s *sheet) framed(inner *block, tall float64) *block {
	b := &block{h: math.Max(inner.h, tall) + 5}
	b.frame(0, 0, s.w, b.h, 0.25, black)
	b.join(inner, 0, (b.h-inner.h)/2)
	return b
}

// code draws a QR code. What is around it leaves the quiet zone.
func (b *block) code(text string, x, y, side float64) error {
	n, bars, err := QRCode(text)
	m := side / float64(n)
	for _, bar := range bars {
		b.fill(x+float64(bar.X)*m, y+float64(bar.Y)*m, float64(bar.Length)*m, m*1.02, black)
		b.fills[len(b.fills)-1].tag = b.tag
	}
	return err
}

// A QRBar is a run of dark modules in a row of a QR code, by columns and rows
// from the upper left corner.
type QRBar struct{ X, Y, Length int }

// QRCode is the QR code (ISO/IEC 18004) of a text: so many modules square, dark
// where there are bars.
func QRCode(text string) (modules int, bars []QRBar, err error) {
	img, err := qr.Encode(text, qr.M, qr.Auto)
	if err != nil {
		return 0, nil, err
	}
	n := img.Bounds().Dx()
	dark := func(x, y int) bool {
		r, _, _, _ := img.At(x, y).RGBA()
		return r < 0x8000
	}
	for y := range n {
		for x := 0; x < n; x++ {
			from := x
			for x < n && dark(x, y) {
				x++
			}
			if x > from {
				bars = append(bars, QRBar{from, y, x - from})
			}
		}
	}
	return n, bars, nil
}
