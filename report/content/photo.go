package content

import (
	"bytes"
	"errors"
	"fmt"
	"image"
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
		wg.Go(func() {
			slots <- struct{}{}
			defer func() { <-slots }()
			p.JPEG, errs[i] = encode(p.Image, p.Width, p.Height)
		})
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
	w, h = Shrunk(b, most)
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

// Shrunk is the size of a picture whose longer side may have so many pixels.
func Shrunk(b image.Rectangle, most int) (w, h int) {
	w, h = b.Dx(), b.Dy()
	if long := max(w, h); long > most {
		w, h = max(1, w*most/long), max(1, h*most/long)
	}
	return w, h
}

// OnWhite draws a picture anew, w by h pixels, with white under what can be seen
// through.
func OnWhite(src image.Image, w, h int, how draw.Scaler) *image.RGBA {
	out := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(out, out.Rect, image.White, image.Point{}, draw.Src)
	how.Scale(out, out.Rect, src, src.Bounds(), draw.Over, nil)
	return out
}

func encode(src image.Image, w, h int) ([]byte, error) {
	if src.Bounds().Empty() {
		return nil, errors.New("the picture has no pixels")
	}
	var buf bytes.Buffer
	err := jpeg.Encode(&buf, OnWhite(src, w, h, draw.BiLinear), &jpeg.Options{Quality: quality})
	return buf.Bytes(), err
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
