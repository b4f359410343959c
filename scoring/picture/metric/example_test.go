package metric_test

import (
	"fmt"

	"proveout/scoring/picture/metric"
	"proveout/scoring/picture/raster"
)

// A grey picture that came out one level too bright in a corner.
func ExampleCompare() {
	meant, shown := raster.New(64, 48), raster.New(64, 48)
	meant.Fill(0, 0, 64, 48, 120, 120, 120)
	shown.Fill(0, 0, 64, 48, 120, 120, 120)
	shown.Fill(0, 0, 16, 16, 121, 121, 121)
	s, err := metric.Compare(meant, shown, metric.Whole)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("off by %.3f levels on the average, PSNR %.1f dB\n", s.MAE, s.PSNR)
	fmt.Printf("worst at %d,%d, by %.2f levels\n", s.Worst.X, s.Worst.Y, s.Worst.MAE)
	// Output:
	// off by 0.083 levels on the average, PSNR 58.9 dB
	// worst at 0,0, by 0.25 levels
}
