package plans

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// depths of a pixel in bits.
var depths = []int{1, 2, 4, 8, 15, 16, 24, 32}

// ParseMode reads a display mode: width x height, depth in bits per pixel and
// frame rate in Hz, the last two as far as they are given: "1024x768x16@75".
func ParseMode(text string) (Mode, error) {
	m := Mode{Text: text}
	size, rate, hasRate := strings.Cut(strings.ReplaceAll(text, "×", "x"), "@")
	parts := strings.Split(size, "x")
	if len(parts) < 2 || len(parts) > 3 {
		return m, errors.New(quoted(text) + " is not a mode")
	}
	for i, p := range parts {
		n, err := strconv.Atoi(strings.TrimSpace(p))
		if err != nil || n <= 0 {
			return m, fmt.Errorf("%s is not a mode: %s is not a number of pixels or bits", quoted(text), quoted(p))
		}
		switch i {
		case 0:
			m.Width = n
		case 1:
			m.Height = n
		default:
			m.Depth = n
		}
	}
	if m.Width > 16384 || m.Height > 16384 {
		return m, fmt.Errorf("%s has more than 16384 pixels on a side", quoted(text))
	}
	if m.Depth != 0 && !slices.Contains(depths, m.Depth) {
		return m, fmt.Errorf("%s: %d is no depth; depths are 1, 2, 4, 8, 15, 16, 24 and 32 bits", quoted(text), m.Depth)
	}
	if hasRate {
		r, err := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(rate), "Hz")), 64)
		if err != nil || !(r >= 1 && r <= 1000) {
			return m, fmt.Errorf("%s: %s is not a frame rate in Hz", quoted(text), quoted(rate))
		}
		m.Rate = r
	}
	return m, nil
}

// Bytes returns how much memory one screen of the mode takes; 15-bit pixels
// take two bytes, 24-bit pixels three.
func (m Mode) Bytes() int64 {
	pixels := int64(m.Width) * int64(m.Height)
	switch {
	case m.Depth < 8:
		return (pixels*int64(m.Depth) + 7) / 8
	case m.Depth == 15:
		return pixels * 2
	}
	return pixels * int64(m.Depth/8)
}
