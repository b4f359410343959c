package session

import (
	"fmt"
	"io"
	"strings"
	"time"
	"unicode/utf8"
)

// A Look is how the session writes: how wide, whether with colour, and whether
// lines may be drawn over.
type Look struct {
	Width  int  // columns, at least 40
	Colour bool // the eight colours that follow the terminal's own palette
	Redraw bool // a line may be rewritten in place; never with a screen reader
}

// A screen writes wrapped text and, where it may, one line that is drawn over.
type screen struct {
	w    io.Writer
	look Look
	live bool // a drawn-over line stands at the bottom
}

// Terminal attributes of ECMA-48 (SGR). Bold and the palette colours are
// legible on light and dark grounds; blue and yellow are left out because they
// are not.
const (
	plain = "\x1b[0m"
	bold  = "\x1b[1m"
	red   = "\x1b[31m"
	green = "\x1b[32m"
	mag   = "\x1b[35m"
)

func (s *screen) tint(code, text string) string {
	if !s.look.Colour {
		return text
	}
	return code + text + plain
}

// line writes one paragraph, wrapped, with a hanging indent.
func (s *screen) line(indent int, text string) {
	s.settle()
	for _, l := range wrap(text, s.look.Width-indent) {
		fmt.Fprintf(s.w, "%s%s\n", strings.Repeat(" ", indent), l)
	}
}

func (s *screen) blank() { s.settle(); fmt.Fprintln(s.w) }

// heading writes a title with a rule under it.
func (s *screen) heading(text string) {
	s.blank()
	for _, l := range wrap(text, s.look.Width) {
		fmt.Fprintln(s.w, s.tint(bold, l))
	}
	if s.look.Redraw {
		fmt.Fprintln(s.w, strings.Repeat("─", min(s.look.Width, utf8.RuneCountInString(text))))
	}
}

// caution writes a warning that stands out without colour too.
func (s *screen) caution(text string) {
	s.settle()
	for i, l := range wrap(text, s.look.Width-9) {
		lead := "         "
		if i == 0 {
			lead = s.tint(bold+mag, "CAUTION  ")
		}
		fmt.Fprintln(s.w, lead+l)
	}
}

// verdict writes the verdict in words, first and in capitals.
func (s *screen) verdict(j Judgement) {
	code := bold
	switch {
	case j.Passed:
		code += green
	case j.Failed:
		code += red
	}
	s.settle()
	fmt.Fprintln(s.w, s.tint(code, strings.ToUpper(j.Verdict)))
}

// draw rewrites the live line.
func (s *screen) draw(text string) {
	if !s.look.Redraw {
		return
	}
	fmt.Fprintf(s.w, "\r\x1b[K%s", clip(text, s.look.Width-1))
	s.live = true
}

// settle leaves the live line standing and goes to the next.
func (s *screen) settle() {
	if s.live {
		fmt.Fprint(s.w, "\r\x1b[K")
		s.live = false
	}
}

// bell rings and says why in capitals.
func (s *screen) alarm(text string) {
	s.settle()
	ring := ""
	if s.look.Redraw {
		ring = "\a"
	}
	for i, l := range wrap(text, s.look.Width-7) {
		lead := "       "
		if i == 0 {
			lead = ring + s.tint(bold+red, "ALARM  ")
		}
		fmt.Fprintln(s.w, lead+l)
	}
}

// bar draws how much of a run is done in the given number of columns.
func bar(share float64, columns int) string {
	share = max(0, min(1, share))
	full := int(share*float64(columns) + 0.5)
	return "[" + strings.Repeat("=", full) + strings.Repeat(" ", columns-full) + "]"
}

// clock writes a duration as minutes and seconds, with hours when there are some.
func clock(d time.Duration) string {
	if d < 0 {
		d = 0
	}
	sec := int(d.Round(time.Second) / time.Second)
	if sec >= 3600 {
		return fmt.Sprintf("%d:%02d:%02d", sec/3600, sec/60%60, sec%60)
	}
	return fmt.Sprintf("%d:%02d", sec/60, sec%60)
}

// wrap breaks text into lines of at most width columns, between words where it can.
func wrap(text string, width int) []string {
	width = max(width, 10)
	var out []string
	for _, paragraph := range strings.Split(text, "\n") {
		line := ""
		for _, word := range strings.Fields(paragraph) {
			for utf8.RuneCountInString(word) > width {
				if line != "" {
					out, line = append(out, line), ""
				}
				r := []rune(word)
				out, word = append(out, string(r[:width])), string(r[width:])
			}
			switch {
			case line == "":
				line = word
			case utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) <= width:
				line += " " + word
			default:
				out, line = append(out, line), word
			}
		}
		out = append(out, line)
	}
	return out
}

func clip(text string, width int) string {
	if utf8.RuneCountInString(text) <= width {
		return text
	}
	return string([]rune(text)[:max(width-1, 0)]) + "…"
}
