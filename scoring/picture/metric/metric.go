// Package metric says how far a captured picture is from the picture that was
// meant: mean absolute error, peak signal-to-noise ratio, structural similarity
// and the CIEDE2000 colour difference.
//
// Two pictures of one size come in, numbers go out. It does not align pictures.
package metric

import (
	"fmt"
	"math"
	"sync"

	"proveout/scoring/picture/raster"
)

// Workers is how many goroutines [Compare] uses; all have ended when it returns.
const Workers = 2

// A Score holds the measures of one pair.
type Score struct {
	MAE     float64 `json:"mae"`     // mean absolute error of all samples, 0 to 255
	PSNR    float64 `json:"psnr_db"` // dB for a peak of 255; +Inf for equal pictures
	SSIM    float64 `json:"ssim"`    // mean over the three channels, -1 to 1
	DeltaE  DeltaE  `json:"delta_e"`
	Beyond  float64 `json:"beyond"` // share of pixels with a colour difference above Threshold
	Worst   Region  `json:"worst"`  // block with the largest mean absolute error
	Samples int     `json:"samples"`
}

// A DeltaE sums up the CIEDE2000 differences of all pixels.
type DeltaE struct {
	Mean float64 `json:"mean"`
	P99  float64 `json:"p99"` // 99th percentile, linear between order statistics
}

// A Region is a rectangle of pixels with its mean absolute error.
type Region struct {
	X      int     `json:"x"`
	Y      int     `json:"y"`
	Width  int     `json:"width"`
	Height int     `json:"height"`
	MAE    float64 `json:"mae"`
}

// Threshold is the colour difference beyond which a pixel counts as visibly
// different: about twice the 2.3 that is often named as just noticeable (common
// practice, no source).
const Threshold = 5.0

const block = 32

// Compare computes every measure. It fails when the sizes differ.
func Compare(a, b *raster.RGB) (Score, error) {
	if err := sameSize(a, b); err != nil {
		return Score{}, err
	}
	var s Score
	s.Samples = len(a.Pix)
	sum, squares, worst := absolute(a, b)
	n := float64(len(a.Pix))
	s.MAE = float64(sum) / n
	s.PSNR = psnr(float64(squares) / n)
	s.Worst = worst
	if squares == 0 { // equal pictures: nothing else can come out
		s.SSIM = 1
		return s, nil
	}
	var err error
	if s.SSIM, err = SSIM(a, b); err != nil {
		return Score{}, err
	}
	s.DeltaE, s.Beyond = deltaE(a, b)
	return s, nil
}

// Sampled is [Compare] with similarity and colour difference taken from a part
// of a large picture only: bands of so many rows (16 to 256) in every 256,
// evenly down the picture. Pictures of up to 320 000 pixels are measured whole.
// Absolute and squared errors, and the worst region, always come from every
// pixel.
func Sampled(a, b *raster.RGB, band int) (Score, error) {
	const every, small = 256, 320_000
	band = min(every, max(16, band))
	if err := sameSize(a, b); err != nil {
		return Score{}, err
	}
	if a.Width*a.Height <= small || band == every {
		return Compare(a, b)
	}
	part := func(p *raster.RGB) *raster.RGB {
		q := &raster.RGB{Width: p.Width}
		for y := (every - band) / 2; y+band <= p.Height; y += every {
			q.Pix = append(q.Pix, p.Pix[3*y*p.Width:3*(y+band)*p.Width]...)
			q.Height += band
		}
		return q
	}
	pa, pb := part(a), part(b)
	s := Score{Samples: len(a.Pix)}
	sum, squares, worst := absolute(a, b)
	s.MAE, s.PSNR, s.Worst = float64(sum)/float64(len(a.Pix)), psnr(float64(squares)/float64(len(a.Pix))), worst
	// No window crosses from one band into the next.
	for y := 0; y < pa.Height; y += band {
		cut := func(p *raster.RGB) *raster.RGB {
			return &raster.RGB{Width: p.Width, Height: band, Pix: p.Pix[3*y*p.Width : 3*(y+band)*p.Width]}
		}
		v, err := SSIM(cut(pa), cut(pb))
		if err != nil {
			return Score{}, err
		}
		s.SSIM += v * float64(band) / float64(pa.Height)
	}
	s.DeltaE, s.Beyond = deltaE(pa, pb)
	return s, nil
}

func sameSize(a, b *raster.RGB) error {
	if a.Width != b.Width || a.Height != b.Height {
		return fmt.Errorf("pictures of %d×%d and %d×%d cannot be compared pixel by pixel", a.Width, a.Height, b.Width, b.Height)
	}
	return nil
}

// PSNR returns 10·log10(255²/MSE) in dB, +Inf for equal pictures.
func PSNR(a, b *raster.RGB) (float64, error) {
	if err := sameSize(a, b); err != nil {
		return 0, err
	}
	_, squares, _ := absolute(a, b)
	return psnr(float64(squares) / float64(len(a.Pix))), nil
}

func psnr(mse float64) float64 {
	if mse == 0 {
		return math.Inf(1)
	}
	return 10 * math.Log10(255*255/mse)
}

// absolute returns the sums of absolute and squared differences, and the worst
// block.
func absolute(a, b *raster.RGB) (sum, squares int64, worst Region) {
	across := (a.Width + block - 1) / block
	down := (a.Height + block - 1) / block
	blocks := make([]int64, across*down)
	var part [Workers]int64
	split(down, func(k, from, to int) {
		for y := from; y < to; y++ {
			part[k] += blockRow(blocks[y*across:(y+1)*across], a, b, y*block)
		}
	})
	for _, v := range part {
		squares += v
	}
	best := -1.0
	for i, v := range blocks {
		sum += v
		x, y := i%across*block, i/across*block
		w, h := min(block, a.Width-x), min(block, a.Height-y)
		if m := float64(v) / float64(3*w*h); m > best {
			best = m
			worst = Region{x, y, w, h, m}
		}
	}
	return sum, squares, worst
}

// blockRow adds up the absolute differences of each block of one row of blocks,
// which begins at picture row y, and returns the sum of the squares.
func blockRow(sums []int64, a, b *raster.RGB, y int) (squares int64) {
	for ; y < a.Height; y++ {
		pa := a.Pix[3*y*a.Width : 3*(y+1)*a.Width]
		pb := b.Pix[3*y*a.Width : 3*(y+1)*a.Width]
		for k := range sums {
			at, end := 3*k*block, min(3*(k+1)*block, len(pa))
			va, vb := pa[at:end], pb[at:end]
			vb = vb[:len(va)]
			sum, sq := 0, 0
			for i, v := range va {
				d := int(v) - int(vb[i])
				sq += d * d
				sum += max(d, -d)
			}
			sums[k] += int64(sum)
			squares += int64(sq)
		}
		if y%block == block-1 {
			break
		}
	}
	return squares
}

// split runs f over [0, n) in Workers parts at once.
func split(n int, f func(part, from, to int)) {
	var wg sync.WaitGroup
	for k := range Workers {
		wg.Go(func() { f(k, n*k/Workers, n*(k+1)/Workers) })
	}
	wg.Wait()
}
