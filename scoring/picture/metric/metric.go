// Package metric says how far a captured picture is from the picture that was
// meant: mean absolute error, peak signal-to-noise ratio, structural similarity
// and the CIEDE2000 colour difference.
//
// Two pictures of one size come in, numbers go out. It does not align pictures.
package metric

import (
	"encoding/json"
	"fmt"
	"math"
	"sync"

	"proveout/scoring/picture/raster"
)

// workers is how many goroutines are used; all have ended when a comparison returns.
const workers = 2

// A Score holds the measures of one pair. The zero Score is of no pair.
type Score struct {
	MAE    float64 `json:"mae"` // mean absolute error of all samples, 0 to 255
	PSNR   Decibel `json:"psnr_db"`
	SSIM   float64 `json:"ssim"` // mean over the three channels, -1 to 1
	DeltaE DeltaE  `json:"delta_e"`
	Beyond float64 `json:"beyond"`          // share of pixels with a colour difference above 5
	Worst  *Worst  `json:"worst,omitempty"` // block with the largest mean absolute error
}

// A Decibel is a ratio in dB; infinity, of equal pictures, is written as null.
type Decibel float64

// MarshalJSON writes null for infinity, which JSON has no number for.
func (d Decibel) MarshalJSON() ([]byte, error) {
	if math.IsInf(float64(d), 0) {
		return []byte("null"), nil
	}
	return json.Marshal(float64(d))
}

// UnmarshalJSON reads what MarshalJSON writes.
func (d *Decibel) UnmarshalJSON(data []byte) error {
	if string(data) == "null" {
		*d = Decibel(math.Inf(1))
		return nil
	}
	return json.Unmarshal(data, (*float64)(d))
}

// A DeltaE sums up the CIEDE2000 differences of all pixels.
type DeltaE struct {
	Mean float64 `json:"mean"`
	P99  float64 `json:"p99"` // 99th percentile, linear between order statistics
}

// A Region is a rectangle of pixels.
type Region struct {
	X      int `json:"x"`
	Y      int `json:"y"`
	Width  int `json:"width"`
	Height int `json:"height"`
}

// A Worst region is told with its mean absolute error.
type Worst struct {
	Region
	MAE float64 `json:"mae"`
}

// threshold is the colour difference beyond which a pixel counts as visibly
// different: about twice the 2.3 that is often named as just noticeable (common
// practice, no source).
const threshold = 5.0

const block = 32

// Whole is the band of [Compare] that leaves out nothing.
const Whole = 256

// Compare computes every measure. Similarity and colour difference of a large
// picture are taken from a part of it: bands of so many rows (16 to [Whole]) in
// every 256, evenly down the picture, and twice as many where it has up to 640 000
// pixels. Pictures of up to 200 000 pixels are measured whole. Absolute and squared
// errors, and the worst region, always come from every pixel. It fails when the sizes
// differ.
func Compare(a, b *raster.RGB, band int) (Score, error) {
	const small, large = 200_000, 640_000 // pixels
	if a.Width != b.Width || a.Height != b.Height {
		return Score{}, fmt.Errorf("pictures of %d×%d and %d×%d cannot be compared pixel by pixel",
			a.Width, a.Height, b.Width, b.Height)
	}
	sum, squares, worst := absolute(a, b)
	n := float64(len(a.Pix))
	s := Score{MAE: float64(sum) / n, PSNR: psnr(float64(squares) / n), Worst: &worst}
	if squares == 0 { // equal pictures: nothing else can come out
		s.SSIM = 1
		return s, nil
	}
	if a.Width*a.Height <= large {
		band *= 2
	}
	band = min(Whole, max(16, band))
	if a.Width*a.Height <= small || band >= Whole {
		var err error
		if s.SSIM, err = similarityOf(a, b); err == nil {
			s.DeltaE, s.Beyond = deltaE(a, b)
		}
		return s, err
	}
	bandsA, bandsB := bandsOf(a, band), bandsOf(b, band)
	for y := 0; y < bandsA.Height; y += band { // no window crosses from one band into the next
		v, err := similarityOf(rowsOf(bandsA, y, band), rowsOf(bandsB, y, band))
		if err != nil {
			return Score{}, err
		}
		s.SSIM += v * float64(band) / float64(bandsA.Height)
	}
	s.DeltaE, s.Beyond = deltaE(bandsA, bandsB)
	return s, nil
}

// rowsOf is a part of a picture that shares its samples.
func rowsOf(p *raster.RGB, y, rows int) *raster.RGB {
	return &raster.RGB{Width: p.Width, Height: rows, Pix: p.Pix[3*y*p.Width : 3*(y+rows)*p.Width]}
}

// bandsOf puts the bands of a picture below one another.
func bandsOf(p *raster.RGB, band int) *raster.RGB {
	out := &raster.RGB{Width: p.Width}
	for y := (Whole - band) / 2; y+band <= p.Height; y += Whole {
		out.Pix = append(out.Pix, rowsOf(p, y, band).Pix...)
		out.Height += band
	}
	return out
}

// psnr is 10·log10(255²/MSE) in dB, infinite for equal pictures.
func psnr(mse float64) Decibel {
	if mse == 0 {
		return Decibel(math.Inf(1))
	}
	return Decibel(10 * math.Log10(255*255/mse))
}

// absolute returns the sums of absolute and squared differences, and the worst
// block.
func absolute(a, b *raster.RGB) (sum, squares int64, worst Worst) {
	across := (a.Width + block - 1) / block
	down := (a.Height + block - 1) / block
	blocks := make([]int64, across*down)
	var part [workers]int64
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
			worst = Worst{Region{x, y, w, h}, m}
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

// split runs f over [0, n) in workers parts at once.
func split(n int, f func(part, from, to int)) {
	var wg sync.WaitGroup
	for k := range workers {
		wg.Go(func() { f(k, n*k/workers, n*(k+1)/workers) })
	}
	wg.Wait()
}
