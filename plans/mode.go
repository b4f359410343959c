package plans

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"proveout/plans/document"
	"proveout/plans/quantity"
)

// A Mode is one display mode.
type Mode struct {
	Width, Height int
	Depth         int     // bit per pixel; 0 when any will do
	Rate          float64 // Hz; 0 when any will do
	Text          string  // as it was written
}

// depths of a pixel in bits.
var depths = []int{1, 2, 4, 8, 15, 16, 24, 32}

// ParseMode reads a display mode: width x height, depth in bits per pixel and
// frame rate in Hz, the last two as far as they are given: "1024x768x16@75".
func ParseMode(text string) (Mode, error) {
	m := Mode{Text: text}
	quoted := document.Quoted(text)
	size, rate, hasRate := strings.Cut(strings.ReplaceAll(text, "×", "x"), "@")
	parts := strings.Split(size, "x")
	if len(parts) < 2 || len(parts) > 3 {
		return m, fmt.Errorf("%s is not a mode", quoted)
	}
	for i, p := range parts {
		n, err := strconv.Atoi(strings.TrimSpace(p))
		if err != nil || n <= 0 {
			return m, fmt.Errorf("%s is not a mode: %s is not a number of pixels or bits", quoted, document.Quoted(p))
		}
		*[]*int{&m.Width, &m.Height, &m.Depth}[i] = n
	}
	if m.Width > 16384 || m.Height > 16384 {
		return m, fmt.Errorf("%s has more than 16384 pixels on a side", quoted)
	}
	if m.Depth != 0 && !slices.Contains(depths, m.Depth) {
		return m, fmt.Errorf("%s: %d is no depth; depths are 1, 2, 4, 8, 15, 16, 24 and 32 bits", quoted, m.Depth)
	}
	if hasRate {
		r, err := quantity.ParseNumber(strings.TrimSuffix(strings.TrimSpace(rate), "Hz"))
		if err != nil || !(r >= 1 && r <= 1000) {
			return m, fmt.Errorf("%s: %s is not a frame rate in Hz", quoted, document.Quoted(rate))
		}
		m.Rate = r
	}
	return m, nil
}

// String writes the mode as [ParseMode] reads it: "1024x768x16@75".
func (m Mode) String() string {
	s := strconv.Itoa(m.Width) + "x" + strconv.Itoa(m.Height)
	if m.Depth != 0 {
		s += "x" + strconv.Itoa(m.Depth)
	}
	if m.Rate != 0 {
		s += "@" + strconv.FormatFloat(m.Rate, 'f', -1, 64)
	}
	return s
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

func modeText(m Mode) string { return m.Text }

// Is reports whether two modes are the same; depth and rate count only where
// both have one.
func (m Mode) Is(o Mode) bool {
	return m.Width == o.Width && m.Height == o.Height && (m.Depth == 0 || o.Depth == 0 || m.Depth == o.Depth) &&
		(m.Rate == 0 || o.Rate == 0 || m.Rate == o.Rate)
}

// modeTexts is a list of modes, as they are written.
func modeTexts(to *[]string) document.Target {
	texts := document.Texts(to)
	written := strings.Replace(texts.Type, "text", "modes", 1)
	return document.Own(written, func(s *section, key string, v *document.Value) {
		texts.Read(s, key, v)
		for _, item := range v.Items {
			if item.Type != document.String || s.Full() {
				continue // said already
			}
			if _, err := ParseMode(item.Text); err != nil {
				s.Add(item.At, key, err.Error(), `write width x height x depth @ rate, such as "1024x768x16@75"`)
			}
		}
	}, texts.Text)
}

// StepModes are the modes that a step tries; empty means the family's.
type StepModes []string

func (m *StepModes) key() key {
	return key{Name: "modes", To: orFromFamily(modeTexts((*[]string)(m))), Absent: "the family's",
		Says: namesOrAll(*m), Filled: nameOne, What: `width x height x depth @ rate: "1024x768x16@75"`}
}

// On returns the modes that are tried on a card of the family.
func (m StepModes) On(family *Family) []string {
	if len(m) > 0 {
		return m
	}
	return NamesOf(family.Modes, modeText)
}

func (m StepModes) against(x *crossCheck) {
	f := x.family
	if len(m) == 0 && len(f.Modes) == 0 {
		x.problem("kind", x.card()+" names no modes", "name the modes in the step")
	}
	frame := f.frameBytes()
	for i, text := range m {
		mode, err := ParseMode(text)
		quoted := document.Quoted(text)
		switch {
		case err != nil: // a problem of the plan itself
		case f.MaxDepth > 0 && mode.Depth > f.MaxDepth:
			what := fmt.Sprintf("%s is deeper than the %d bits of %s", quoted, f.MaxDepth, x.card())
			x.problemAt("modes", i, what, "take a mode of the family")
		case frame > 0 && mode.Bytes() > frame:
			size := quantity.Format(float64(frame), 0, quantity.Bytes)
			x.problemAt("modes", i, quoted+" needs more than the "+size+" of "+x.card(), "take a mode of the family")
		case len(f.Modes) > 0 && !slices.ContainsFunc(f.Modes, mode.Is):
			known := StepModes(nil).On(f)
			x.problemAt("modes", i, quoted+" is no mode of "+x.card(), document.DidYouMean(text, known))
		}
	}
}
