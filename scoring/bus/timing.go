package bus

import (
	"errors"
	"fmt"
	"math"

	"proveout/plans"
	"proveout/plans/fact"
)

// A Polarity is the sign of a sync pulse; empty when not known.
type Polarity string

// The polarities.
const (
	Positive Polarity = "+"
	Negative Polarity = "-"
)

// A Timing is a video mode down to its porches, in pixels and lines. The
// vertical values of an interlaced mode are those of a field.
type Timing struct {
	Standard     string   `json:"standard"` // DMT, CVT, CVT-RB, GTF, legacy, detailed
	DMT          int      `json:"dmt,omitempty"`
	Width        int      `json:"width"`
	Height       int      `json:"height"`
	Interlaced   bool     `json:"interlaced,omitempty"`
	PixelClockHz float64  `json:"pixel_clock_hz"`
	HFront       int      `json:"h_front"`
	HSync        int      `json:"h_sync"`
	HBack        int      `json:"h_back"`
	HBorder      int      `json:"h_border,omitempty"` // each side
	VFront       int      `json:"v_front"`
	VSync        int      `json:"v_sync"`
	VBack        int      `json:"v_back"`
	VBorder      int      `json:"v_border,omitempty"` // each side
	HPolarity    Polarity `json:"h_polarity,omitempty"`
	VPolarity    Polarity `json:"v_polarity,omitempty"`

	code int // two-byte standard timing code
}

// HTotal returns the pixels of a line with blanking.
func (t Timing) HTotal() int { return t.Width + 2*t.HBorder + t.HFront + t.HSync + t.HBack }

// VTotal returns the lines of a frame with blanking; both fields and the two
// half lines of an interlaced mode.
func (t Timing) VTotal() int {
	blank := 2*t.VBorder + t.VFront + t.VSync + t.VBack
	if t.Interlaced {
		return t.Height + 2*blank + 1
	}
	return t.Height + blank
}

// LineHz returns the horizontal frequency.
func (t Timing) LineHz() float64 {
	if t.HTotal() <= 0 {
		return math.NaN()
	}
	return t.PixelClockHz / float64(t.HTotal())
}

// RefreshHz returns the vertical frequency: frames, or fields when interlaced.
func (t Timing) RefreshHz() float64 {
	if t.VTotal() <= 0 {
		return math.NaN()
	}
	f := t.LineHz() / float64(t.VTotal())
	if t.Interlaced {
		f *= 2
	}
	return f
}

// Mode is the mode in words: "1024x768 at 60 Hz".
func (t Timing) Mode() fact.Fact {
	size := fmt.Sprintf("%dx%d", t.Width, t.Height)
	if t.Interlaced {
		size += "i"
	}
	return fact.New("bus.mode", "size", size, "rate", fact.In(t.RefreshHz(), "Hz").To(1))
}

// Name returns the standard with its number: "DMT 0x10".
func (t Timing) Name() string {
	if t.DMT > 0 {
		return fmt.Sprintf("DMT 0x%02x", t.DMT)
	}
	return t.Standard
}

// blanking selects a variant of the CVT formula.
type blanking int

// The variants of CVT.
const (
	normalBlanking  blanking = iota // for tubes
	reducedBlanking                 // version 1, 160 pixels
)

// checkMode refuses sizes and rates no graphics card shows; the formulas need
// the bounds.
func checkMode(m plans.Mode) error {
	if m.Width < 64 || m.Width > 16384 || m.Height < 64 || m.Height > 16384 || !(m.Rate >= 10 && m.Rate <= 500) {
		return fmt.Errorf("mode %dx%d at %g Hz is outside 64 to 16384 pixels and lines and 10 to 500 Hz",
			m.Width, m.Height, m.Rate)
	}
	return nil
}

var errNoTime = errors.New("no time is left for the lines at this refresh rate")

// Constants of both formulas: the blanking duty cycle is 30 % minus 300 % times
// the line time in milliseconds (C' and M' with C=40, M=600, K=128, J=20).
const (
	dutyOffset  = 30.0
	dutySlope   = 300.0
	minVSyncBP  = 550e-6 // s, least time of vertical sync and back porch
	syncPercent = 8.0
)

// cvt returns a progressive mode by the VESA Coordinated Video Timings formula
// (CVT 1.1, from memory).
func cvt(m plans.Mode, variant blanking) (Timing, error) {
	if err := checkMode(m); err != nil {
		return Timing{}, err
	}
	t := Timing{Standard: "CVT", Width: m.Width / 8 * 8, Height: m.Height, VFront: 3}
	t.VSync = cvtVSync(t.Width, t.Height)
	if variant == reducedBlanking {
		return reduced(t, m.Rate)
	}
	t.HPolarity, t.VPolarity = Negative, Positive
	line := (1/m.Rate - minVSyncBP) / float64(t.Height+t.VFront) // s
	if line <= 0 {
		return Timing{}, errNoTime
	}
	// Vertical sync and back porch last long enough for the beam to come back,
	// and are at least 6 lines besides the sync.
	syncAndBack := max(int(minVSyncBP/line)+1, t.VSync+6)
	t.VBack = syncAndBack - t.VSync
	// The shorter a line, the more of it goes to the beam's way back, a fifth at
	// least; in cells of 8 pixels, an even number of them.
	duty := max(dutyOffset-dutySlope*line*1e3, 20)
	blank := int(float64(t.Width)*duty/(100-duty)/16) * 16
	total := t.Width + blank
	t.PixelClockHz = math.Floor(float64(total)/line/0.25e6) * 0.25e6
	t.HSync = int(syncPercent/100*float64(total)/8) * 8
	t.HBack = blank / 2
	t.HFront = blank - t.HBack - t.HSync
	return t, nil
}

// reduced completes a mode with reduced blanking.
func reduced(t Timing, refreshHz float64) (Timing, error) {
	const minBlank = 460e-6 // s
	const step = 0.25e6     // Hz
	t.Standard, t.HPolarity, t.VPolarity = "CVT-RB", Positive, Negative
	line := (1/refreshHz - minBlank) / float64(t.Height)
	if line <= 0 {
		return Timing{}, errNoTime
	}
	lines := max(int(minBlank/line)+1, t.VFront+t.VSync+6)
	t.HFront, t.HSync, t.HBack = 48, 32, 80
	t.VBack = lines - t.VFront - t.VSync
	// A thousandth of a step keeps a product that is exact on paper from
	// falling into the step below.
	t.PixelClockHz = math.Floor(refreshHz*float64((t.Height+lines)*t.HTotal())/step+1e-3) * step
	return t, nil
}

// cvtVSync returns the vertical sync width, which tells the aspect ratio.
func cvtVSync(width, height int) int {
	for _, a := range []struct{ x, y, lines int }{{4, 3, 4}, {16, 9, 5}, {16, 10, 6}, {5, 4, 7}, {15, 9, 7}} {
		if height%a.y == 0 && height*a.x/a.y == width {
			return a.lines
		}
	}
	return 10
}

// gtf returns a progressive mode by the VESA Generalized Timing Formula, with
// its default parameters and the pixel clock rounded to 1 kHz (GTF 1.1, from
// memory).
func gtf(m plans.Mode) (Timing, error) {
	if err := checkMode(m); err != nil {
		return Timing{}, err
	}
	t := Timing{
		Standard: "GTF", Width: (m.Width + 4) / 8 * 8, Height: m.Height,
		VFront: 1, VSync: 3, HPolarity: Negative, VPolarity: Positive,
	}
	// The length of a line depends on how many lines the frame has, and these on
	// the length of a line: the formula estimates once and counts again.
	estimate := (1/m.Rate - minVSyncBP) / float64(t.Height+t.VFront) // s
	if estimate <= 0 {
		return Timing{}, errNoTime
	}
	syncAndBack := int(math.Round(minVSyncBP / estimate))
	t.VBack = max(syncAndBack-t.VSync, 0)
	lines := t.Height + syncAndBack + t.VFront
	line := 1 / m.Rate / float64(lines)
	duty := dutyOffset - dutySlope*line*1e3
	if duty <= 0 || duty >= 100 {
		return Timing{}, errNoTime
	}
	blank := int(math.Round(float64(t.Width)*duty/(100-duty)/16)) * 16
	total := t.Width + blank
	t.PixelClockHz = math.Round(float64(total)/line/1e3) * 1e3
	t.HSync = int(math.Round(syncPercent/100*float64(total)/8)) * 8
	t.HBack = blank / 2
	t.HFront = blank/2 - t.HSync
	return t, nil
}
