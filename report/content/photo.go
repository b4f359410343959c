package content

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"runtime"
	"sync"

	"golang.org/x/image/draw"

	"proveout/scoring/outcome"
)

// maxSide is the longest side of a photo in a document, px: 85 mm at over
// 350 dpi, and a full screen on the page.
const maxSide = 1200

// quality of the photos' JPEG.
const quality = 80

// Prepare gathers the captures that the outcome shows, and scales and encodes
// the pictures that are not yet, once for all the documents made of them. Each
// picture is drawn anew, so that 16-bit and interlaced files work and metadata
// (position, owner) is left behind. Every photo gets a pixel width of its own,
// because the PDF writer orders pictures by width alone and would not repeat its
// bytes otherwise.
func (d *Document) Prepare() error {
	d.gatherCaptures()
	taken := map[int]bool{}
	pictures := d.Pictures()
	for _, p := range pictures {
		if len(p.JPEG) > 0 {
			taken[p.Width] = true
		}
	}
	var wg sync.WaitGroup
	slots := make(chan struct{}, max(1, runtime.GOMAXPROCS(0)))
	errs := make([]error, len(pictures))
	for i, p := range pictures {
		if len(p.JPEG) > 0 || p.Image == nil {
			continue
		}
		p.Width, p.Height = fit(p.Image.Bounds(), p.most(), taken)
		wg.Add(1)
		go func() {
			defer wg.Done()
			slots <- struct{}{}
			defer func() { <-slots }()
			p.JPEG, errs[i] = encode(p.Image, p.Width, p.Height)
		}()
	}
	wg.Wait()
	for i, err := range errs {
		if err != nil {
			return fmt.Errorf("picture %d (%s): %w", i+1, orElse(pictures[i].Caption, pictures[i].Role), err)
		}
	}
	return nil
}

// most is the longest side of a picture in a document, px. The panels of a
// capture stand three abreast; the difference keeps what is fine in it.
func (p *Photo) most() int {
	switch outcome.PanelKind(p.Role) {
	case outcome.PatternPanel, outcome.CapturePanel:
		return 480
	case outcome.DifferencePanel:
		return 1024
	}
	return maxSide
}

// fit returns the size of a picture in the document: at most the given length on
// the longer side, and a width that no other picture has.
func fit(b image.Rectangle, most int, taken map[int]bool) (w, h int) {
	w, h = b.Dx(), b.Dy()
	if long := max(w, h); long > most {
		w, h = max(1, w*most/long), max(1, h*most/long)
	}
	down := w
	for down > 1 && taken[down] {
		down--
	}
	for taken[down] {
		down++
	}
	taken[down] = true
	return max(1, down), max(1, h)
}

func encode(src image.Image, w, h int) ([]byte, error) {
	if src.Bounds().Empty() {
		return nil, fmt.Errorf("the picture has no pixels")
	}
	var out image.Image
	if y, ok := src.(*image.YCbCr); ok {
		out = shrinkYCbCr(y, w, h)
	} else {
		rgba := image.NewRGBA(image.Rect(0, 0, w, h))
		draw.Draw(rgba, rgba.Bounds(), image.NewUniform(color.White), image.Point{}, draw.Src)
		draw.ApproxBiLinear.Scale(rgba, rgba.Bounds(), preshrink(src, w, h), preshrinkBounds(src, w, h), draw.Over, nil)
		out = rgba
	}
	var buf bytes.Buffer
	if err := jpeg.Encode(&buf, out, &jpeg.Options{Quality: quality}); err != nil {
		return nil, err
	}
	return buf.Bytes(), nil
}

// PrintVersion makes the JPEG of a photo as documents show it, without metadata.
// The nth photo of a job, from 0, is that many pixels narrower, so that each has
// a width of its own.
func PrintVersion(img image.Image, n int) ([]byte, error) {
	w, h := fit(img.Bounds(), maxSide, map[int]bool{})
	return encode(img, max(1, w-n), h)
}

// Take makes a version for print the picture of the photo.
func (p *Photo) Take(small []byte) error {
	cfg, err := jpeg.DecodeConfig(bytes.NewReader(small))
	if err == nil && (cfg.Width < 1 || cfg.Height < 1 || max(cfg.Width, cfg.Height) > maxSide) {
		err = fmt.Errorf("%d × %d pixels", cfg.Width, cfg.Height)
	}
	if err == nil {
		p.JPEG, p.Width, p.Height = small, cfg.Width, cfg.Height
	}
	return err
}

// preshrink halves a much larger picture by whole factors first, so that the
// final scaling does not skip pixels.
func preshrink(src image.Image, w, h int) image.Image {
	k := factor(src, w, h)
	if k < 2 {
		return src
	}
	b := src.Bounds()
	out := image.NewRGBA(image.Rect(0, 0, b.Dx()/k, b.Dy()/k))
	n := uint32(k * k)
	for y := range out.Rect.Dy() {
		for x := range out.Rect.Dx() {
			var r, g, bl, a uint32
			for dy := range k {
				for dx := range k {
					cr, cg, cb, ca := src.At(b.Min.X+x*k+dx, b.Min.Y+y*k+dy).RGBA()
					r, g, bl, a = r+cr>>8, g+cg>>8, bl+cb>>8, a+ca>>8
				}
			}
			out.SetRGBA(x, y, color.RGBA{uint8(r / n), uint8(g / n), uint8(bl / n), uint8(a / n)})
		}
	}
	return out
}

func preshrinkBounds(src image.Image, w, h int) image.Rectangle {
	b := src.Bounds()
	if k := factor(src, w, h); k >= 2 {
		return image.Rect(0, 0, b.Dx()/k, b.Dy()/k)
	}
	return b
}

func factor(src image.Image, w, h int) int {
	return min(src.Bounds().Dx()/w, src.Bounds().Dy()/h)
}

// shrinkYCbCr scales a photo as cameras store it by averaging boxes, plane by
// plane, with chroma at half the resolution.
func shrinkYCbCr(src *image.YCbCr, w, h int) *image.YCbCr {
	out := image.NewYCbCr(image.Rect(0, 0, w, h), image.YCbCrSubsampleRatio420)
	b := src.Rect
	boxes(out.Y, out.YStride, w, h, src.Y[src.YOffset(b.Min.X, b.Min.Y):], src.YStride, b.Dx(), b.Dy())
	sw, sh := chroma(src)
	cw, ch := (w+1)/2, (h+1)/2
	at := src.COffset(b.Min.X, b.Min.Y)
	boxes(out.Cb, out.CStride, cw, ch, src.Cb[at:], src.CStride, sw, sh)
	boxes(out.Cr, out.CStride, cw, ch, src.Cr[at:], src.CStride, sw, sh)
	return out
}

// chroma returns the size of the chroma planes.
func chroma(src *image.YCbCr) (w, h int) {
	b := src.Rect
	last := src.COffset(b.Max.X-1, b.Max.Y-1) - src.COffset(b.Min.X, b.Min.Y)
	return last%src.CStride + 1, last/src.CStride + 1
}

// boxes averages the sw×sh plane src into the w×h plane dst, each sample by how
// much of it lies under the new one.
func boxes(dst []byte, dstStride, w, h int, src []byte, srcStride, sw, sh int) {
	if w == sw && h == sh {
		for y := range h {
			copy(dst[y*dstStride:][:w], src[y*srcStride:][:w])
		}
		return
	}
	across, down := spans(w, sw), spans(h, sh)
	sums := make([]float32, sw) // of the source rows under one row of dst
	for y, v := range down {
		clear(sums)
		for yy := v.from; yy <= v.to; yy++ {
			row, weight := src[yy*srcStride:][:sw], v.weight(yy)
			for i, s := range row {
				sums[i] += float32(s) * weight
			}
		}
		row := dst[y*dstStride:][:w]
		for x, u := range across {
			sum := sums[u.from]*u.first + sums[u.to]*u.last
			for _, s := range sums[u.from+1 : max(u.from+1, u.to)] {
				sum += s * u.middle
			}
			row[x] = byte(sum + 0.5)
		}
	}
}

// A span is which samples lie under a new one, and with what weight; the
// weights add up to one.
type span struct {
	from, to            int
	first, middle, last float32 // last is 0 where one sample is all
}

func (s *span) weight(i int) float32 {
	switch i {
	case s.from:
		return s.first
	case s.to:
		return s.last
	}
	return s.middle
}

// spans lays n new samples over old ones.
func spans(n, old int) []span {
	out := make([]span, n)
	for i := range out {
		a, b := i*old, (i+1)*old // in n-th parts of an old sample
		s := &out[i]
		s.from, s.to = a/n, (b-1)/n
		all := float32(b - a)
		s.middle = float32(n) / all
		if s.from == s.to {
			s.first = 1
			continue
		}
		s.first, s.last = float32((s.from+1)*n-a)/all, float32(b-s.to*n)/all
	}
	return out
}

// EncodeLogo encodes a shop's logo as it is attached to a certificate: at most
// 600 px wide, without metadata.
func EncodeLogo(img image.Image) ([]byte, error) {
	const widest = 600
	b := img.Bounds()
	if b.Empty() {
		return nil, errors.New("the logo has no pixels")
	}
	w, h := b.Dx(), b.Dy()
	if w > widest {
		w, h = widest, max(1, h*widest/w)
	}
	out := image.NewNRGBA(image.Rect(0, 0, w, h))
	draw.ApproxBiLinear.Scale(out, out.Bounds(), img, b, draw.Src, nil)
	var buf bytes.Buffer
	err := png.Encode(&buf, out)
	return buf.Bytes(), err
}
