package session

import (
	"fmt"
	"io"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"proveout/plans/document"
	"proveout/report/words"
)

// A Look is how the session writes: how wide, whether with colour, and whether
// lines may be drawn over.
type Look struct {
	Width  int        // columns, at least 40; a narrower terminal folds lines itself
	Resize func() int // asks for the width anew; may be nil
	Colour bool       // the colours that follow the terminal's own palette
	Redraw bool       // lines may be rewritten in place; never with a screen reader
	Bell   bool       // an alarm may ring
}

// A screen writes wrapped text and, where it may, a few lines above the prompt
// that are drawn over while somebody types.
type screen struct {
	w       io.Writer
	look    Look
	rows    int      // drawn-over lines that stand above the prompt
	prompt  string   // what stands on the line of the cursor
	entered int      // lines the cursor went down since: somebody pressed Enter
	pending []string // told while somebody may be typing; written out by settle
}

// Terminal attributes of ECMA-48 (SGR). Bold and the palette colours are
// legible on light and dark grounds; blue, yellow and cyan are left out because
// they are not on every one.
const (
	plain   = "\x1b[0m"
	bold    = "\x1b[1m"
	red     = "\x1b[31m"
	green   = "\x1b[32m"
	magenta = "\x1b[35m"
)

func (s *screen) width() int {
	if s.look.Resize != nil {
		if w := s.look.Resize(); w > 0 {
			return max(w, 40)
		}
	}
	return max(s.look.Width, 40)
}

func (s *screen) tint(code, text string) string {
	if !s.look.Colour {
		return text
	}
	return code + text + plain
}

// led returns text wrapped behind a lead, with the rest hanging under it.
func (s *screen) led(code, lead, text string) []string {
	n := utf8.RuneCountInString(lead)
	var out []string
	for i, l := range wrap(text, s.width()-n) {
		if i == 0 {
			out = append(out, s.tint(code, lead)+l)
			continue
		}
		out = append(out, strings.TrimRight(strings.Repeat(" ", n)+l, " "))
	}
	return out
}

// print writes lines below everything that stands.
func (s *screen) print(lines ...string) {
	s.settle()
	for _, l := range lines {
		fmt.Fprintln(s.w, l)
	}
}

// line writes one paragraph, wrapped.
func (s *screen) line(indent int, text string) {
	s.print(s.led("", strings.Repeat(" ", indent), text)...)
}

func (s *screen) blank() { s.print("") }

// heading writes a title between an empty line and a rule.
func (s *screen) heading(text string) {
	s.blank()
	lines := wrap(text, s.width())
	longest := 0
	for _, l := range lines {
		longest = max(longest, utf8.RuneCountInString(l))
		s.print(s.tint(bold, l))
	}
	if s.look.Redraw {
		s.print(strings.Repeat("─", longest))
	}
}

// tell says something while somebody may be typing: at once where lines are
// not drawn over, else above the prompt until the next Enter.
func (s *screen) tell(lines ...string) {
	if !s.look.Redraw || s.rows == 0 {
		s.print(lines...)
		return
	}
	s.pending = append(s.pending, lines...)
}

// ring calls for attention.
func (s *screen) ring() {
	if s.look.Bell {
		fmt.Fprint(s.w, "\a")
	}
}

// standing is how many lines are kept above the prompt while a clock runs.
const standing = 6

// draw rewrites the lines above the prompt. The cursor, and what stands on its
// line, stay as they are (DECSC and DECRC of ECMA-48's private extensions, as
// every terminal in use has them).
func (s *screen) draw(lines []string, prompt string) {
	if !s.look.Redraw {
		return
	}
	width := s.width()
	shown := append(append([]string{}, lines...), tail(s.pending, standing-len(lines))...)
	for len(shown) < standing {
		shown = append(shown, "")
	}
	var b strings.Builder
	if s.rows == 0 {
		b.WriteString(strings.Repeat("\n", standing) + prompt)
		s.rows, s.prompt, s.entered = standing, prompt, 0
	}
	fmt.Fprintf(&b, "\x1b7\x1b[%dA", s.rows)
	for _, l := range shown[:standing] {
		b.WriteString("\r\x1b[K" + clip(l, width-1) + "\n")
	}
	b.WriteString("\x1b8")
	io.WriteString(s.w, b.String())
}

func tail(lines []string, n int) []string { return lines[max(0, len(lines)-max(n, 0)):] }

// typed notes that Enter was pressed behind text.
func (s *screen) typed(text string) {
	if s.rows > 0 {
		s.entered = 1 + (utf8.RuneCountInString(s.prompt)+utf8.RuneCountInString(text))/s.width()
	}
}

// settle takes the drawn-over lines away and writes out what was told in them.
func (s *screen) settle() {
	if s.rows == 0 {
		return
	}
	fmt.Fprintf(s.w, "\x1b[%dA\r\x1b[J", s.rows+s.entered)
	s.rows, s.entered = 0, 0
	for _, l := range s.pending {
		fmt.Fprintln(s.w, l)
	}
	s.pending = nil
}

// bar draws how much of a run is done in the given number of columns.
func bar(share float64, columns int) string {
	share = max(0, min(1, share))
	full := int(share*float64(columns) + 0.5)
	return strings.Repeat("▪", full) + strings.Repeat("·", columns-full)
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

// wrap breaks text into lines of at most width columns, between words where it
// can. Control characters, which could steer a terminal, are left out, and what
// was kept on one line is plain text then.
func wrap(text string, width int) []string {
	width = max(width, 10)
	var out []string
	for paragraph := range strings.SplitSeq(text, "\n") {
		lines := document.Wrap(document.Fit(visible(paragraph), width), width, width)
		if len(lines) == 0 {
			lines = []string{""}
		}
		for _, l := range lines {
			out = append(out, words.Unbound(l))
		}
	}
	return out
}

func visible(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\t':
			return ' '
		case unicode.IsControl(r):
			return -1
		}
		return r
	}, s)
}

// clip cuts a line that may hold colours to width columns.
func clip(text string, width int) string {
	n := 0
	for i := 0; i < len(text); {
		if text[i] == '\x1b' {
			end := strings.IndexByte(text[i:], 'm')
			if end < 0 {
				return text[:i]
			}
			i += end + 1
			continue
		}
		_, size := utf8.DecodeRuneInString(text[i:])
		if n++; n > width {
			rest := ""
			if strings.Contains(text[:i], "\x1b") {
				rest = plain
			}
			return text[:i] + rest
		}
		i += size
	}
	return text
}
