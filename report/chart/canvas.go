package chart

// A Canvas is what figures are drawn on. Places are points (1/72 in) from its
// lower left corner, and what is drawn later covers what was drawn before.
type Canvas interface {
	// Stroke draws lines of a width through places; dash is how long they are in
	// turn drawn and left out, nil for whole lines.
	Stroke(c RGB, width float64, dash []float64, lines ...[]Point)
	// Fill fills the area that an outline encloses.
	Fill(c RGB, outline []Point)
	// Disc fills a circle.
	Disc(c RGB, centre Point, radius float64)
	// Text writes s from a place on, on the base line.
	Text(c RGB, w Weight, size float64, at Point, s string)
	// Clip holds what draw draws inside a rectangle. Text is not held.
	Clip(low, high Point, draw func())
}

// A Point is a place on a canvas.
type Point struct{ X, Y float64 }

// An RGB colour.
type RGB struct{ R, G, B uint8 }

// Colours of the Okabe–Ito set, in the order series take them.
var colours = [...]RGB{
	{0x00, 0x72, 0xB2}, // blue
	LimitColour,
	{0x00, 0x9E, 0x73}, // bluish green
	{0xCC, 0x79, 0xA7}, // reddish purple
	{0xE6, 0x9F, 0x00}, // orange
	{0x56, 0xB4, 0xE9}, // sky blue
}

// LimitColour is the colour of limit lines: vermilion.
var LimitColour = RGB{0xD5, 0x5E, 0x00}

var (
	ink   = RGB{0x22, 0x22, 0x22}
	grey  = RGB{0x88, 0x88, 0x88}
	light = RGB{0xDD, 0xDD, 0xDD}
	white = RGB{0xFF, 0xFF, 0xFF}
)

// SeriesColour returns the colour of the i-th series. Vermilion is left to the
// limits when the figure has any.
func SeriesColour(i int, limits bool) RGB {
	n := len(colours)
	if !limits {
		return colours[i%n]
	}
	if i %= n - 1; i >= 1 {
		i++
	}
	return colours[i]
}

// bandShade is a light tint that is told apart in grey.
func bandShade(i int) RGB {
	shades := [...]RGB{{0xD9, 0xEC, 0xF7}, {0xE6, 0xE6, 0xE6}, {0xFB, 0xEB, 0xC8}, {0xD5, 0xEE, 0xE5}}
	return shades[i%len(shades)]
}
