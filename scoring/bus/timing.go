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

// A Timing is a video mode with its totals, in pixels and lines.
type Timing struct {
	Standard     string   `json:"standard"` // DMT, CVT, CVT-RB, GTF, legacy, detailed
	DMT          int      `json:"dmt,omitempty"`
	Width        int      `json:"width"`
	Height       int      `json:"height"`
	Interlaced   bool     `json:"interlaced,omitempty"`
	PixelClockHz float64  `json:"pixel_clock_hz"`
	HTotal       int      `json:"h_total"` // pixels of a line with blanking
	VTotal       int      `json:"v_total"` // lines of a frame with blanking, of both fields when interlaced
	HPolarity    Polarity `json:"h_polarity,omitempty"`
	VPolarity    Polarity `json:"v_polarity,omitempty"`

	code int // two-byte standard timing code
}

// LineHz returns the horizontal frequency.
func (t Timing) LineHz() float64 { return t.PixelClockHz / float64(t.HTotal) }

// RefreshHz returns the vertical frequency: frames, or fields when interlaced.
func (t Timing) RefreshHz() float64 {
	f := t.LineHz() / float64(t.VTotal)
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
	dutyOffset = 30.0
	dutySlope  = 300.0
	minVSyncBP = 550e-6 // s, least time of vertical sync and back porch
)

// cvt returns a progressive mode by the VESA Coordinated Video Timings formula
// (CVT 1.1, from memory).
func cvt(m plans.Mode, variant blanking) (Timing, error) {
	if err := checkMode(m); err != nil {
		return Timing{}, err
	}
	const frontPorch, clockStep = 3, 0.25e6 // lines, Hz
	t := Timing{Standard: "CVT", Width: m.Width / 8 * 8, Height: m.Height, HPolarity: Negative, VPolarity: Positive}
	// Vertical sync and back porch last long enough for the beam to come back,
	// and the porch is at least 6 lines.
	least := cvtVSync(t.Width, t.Height) + 6
	if variant == reducedBlanking {
		return reduced(t, m.Rate, frontPorch+least, clockStep)
	}
	line := (1/m.Rate - minVSyncBP) / float64(t.Height+frontPorch) // s
	if line <= 0 {
		return Timing{}, errNoTime
	}
	t.VTotal = t.Height + frontPorch + max(int(minVSyncBP/line)+1, least)
	// The shorter a line, the more of it goes to the beam's way back, a fifth at
	// least; in cells of 8 pixels, an even number of them.
	duty := max(dutyOffset-dutySlope*line*1e3, 20)
	t.HTotal = t.Width + int(float64(t.Width)*duty/(100-duty)/16)*16
	t.PixelClockHz = math.Floor(float64(t.HTotal)/line/clockStep) * clockStep
	return t, nil
}

// reduced completes a mode with reduced blanking, of so many lines at least.
func reduced(t Timing, refreshHz float64, leastLines int, clockStep float64) (Timing, error) {
	const minBlank = 460e-6 // s
	t.Standard, t.HPolarity, t.VPolarity = "CVT-RB", Positive, Negative
	line := (1/refreshHz - minBlank) / float64(t.Height)
	if line <= 0 {
		return Timing{}, errNoTime
	}
	t.HTotal = t.Width + 160
	t.VTotal = t.Height + max(int(minBlank/line)+1, leastLines)
	// A thousandth of a step keeps a product that is exact on paper from
	// falling into the step below.
	t.PixelClockHz = math.Floor(refreshHz*float64(t.VTotal*t.HTotal)/clockStep+1e-3) * clockStep
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
	const frontPorch, sync = 1, 3 // lines
	t := Timing{
		Standard: "GTF", Width: (m.Width + 4) / 8 * 8, Height: m.Height, HPolarity: Negative, VPolarity: Positive,
	}
	// The length of a line depends on how many lines the frame has, and these on
	// the length of a line: the formula estimates once and counts again.
	estimate := (1/m.Rate - minVSyncBP) / float64(t.Height+frontPorch) // s
	if estimate <= 0 {
		return Timing{}, errNoTime
	}
	syncAndBack := int(math.Round(minVSyncBP / estimate))
	line := 1 / m.Rate / float64(t.Height+syncAndBack+frontPorch)
	t.VTotal = t.Height + frontPorch + max(syncAndBack, sync)
	duty := dutyOffset - dutySlope*line*1e3
	if duty <= 0 || duty >= 100 {
		return Timing{}, errNoTime
	}
	t.HTotal = t.Width + int(math.Round(float64(t.Width)*duty/(100-duty)/16))*16
	t.PixelClockHz = math.Round(float64(t.HTotal)/line/1e3) * 1e3
	return t, nil
}
