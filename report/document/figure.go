package document

import (
	"math"

	"proveout/report/chart"
	"proveout/report/content"
)

// figureHeight is the height of a chart with its legend, mm: three fit on a page
// of A4.
const figureHeight = 66.0

// figure sets a chart with its number and caption over it and its source under
// it.
func (s *sheet) figure(f *content.Figure) {
	b := &block{}
	title := f.Label + " · " + f.Caption
	y := b.as(s.part.add("P")).text(0, 0, s.w, face{size: 9, weight: chart.Bold}, title)
	if f.Figure.Alt != "" {
		y = b.as(s.part.add("P")).text(0, y, s.w, face{size: 8}, f.Figure.Alt)
	}
	y += 1
	fig := chart.Prepare(f.Figure)
	b.as(s.part.figure(content.Join(" · ", title, f.Figure.Alt)))
	b.add(0, y, s.w, figureHeight, func(c *canvas) { chart.Draw(c, &fig, s.w/ptmm, figureHeight/ptmm, s.decim) })
	y += figureHeight
	if f.Source != "" {
		y = b.as(s.part.add("P")).text(0, y+0.5, s.w, face{size: 7.2, color: darkGrey}, f.Source)
	}
	b.h = y
	s.place(b)
	s.gap(5)
}

// mostPhoto is the greatest height of a photo, mm.
const mostPhoto = 66.0

// photos sets pictures two abreast with their captions.
func (s *sheet) photos(photos []content.ShownPhoto) {
	const gutter = 6.0
	w := (s.w - gutter) / 2
	for i := 0; i < len(photos); i += 2 {
		pair := photos[i:min(i+2, len(photos))]
		row := &block{}
		tall := 0.0
		for _, p := range pair {
			_, h := sizeOf(p.Picture, w, mostPhoto)
			tall = math.Max(tall, h)
		}
		for k, p := range pair {
			row.join(s.photo(&p, w, tall), float64(k)*(w+gutter), 0)
		}
		row.h += 3
		s.place(row)
	}
}

// sizeOf is the size of a picture in a space so wide and at most so high, mm.
func sizeOf(p content.Picture, width, most float64) (w, h float64) {
	if p.Width == 0 || p.Height == 0 {
		return 0, 0
	}
	w, h = width, width*float64(p.Height)/float64(p.Width)
	if h > most {
		w, h = w*most/h, most
	}
	return w, h
}

func (s *sheet) photo(p *content.ShownPhoto, w, tall float64) *block {
	b := &block{}
	if len(p.JPEG) > 0 {
		pw, ph := sizeOf(p.Picture, w, mostPhoto)
		b.as(s.part.figure(content.Join(" · ", p.Label, p.Caption))).picture(0, tall-ph, pw, ph, "JPEG", p.JPEG)
	}
	y := b.as(s.part.add("P")).text(0, tall+1, w, face{size: 8.5, weight: chart.Bold}, p.Label)
	if p.Caption != "" {
		y = b.text(0, y, w, face{size: 8.5}, p.Caption)
	}
	if p.Hash != "" {
		b.text(0, y, w, face{size: 6.3, color: darkGrey}, p.Hash)
	}
	return b
}
