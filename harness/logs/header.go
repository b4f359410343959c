package logs

import (
	"slices"
	"strings"
	"unicode"

	"proveout/plans/quantity"
)

// A guess is what a column header says about its column.
type guess struct {
	quantity string // empty when the header names none that is known
	unit     string // as the header gives it
	place    string
	why      string // why it is not known
}

const unknownWhy = "names no quantity that is known"

// recognise reads a column header such as "temp_c", "Core temp [°C]",
// "FrameTimeMs" or "fps".
func recognise(header string) guess {
	words, unitText := splitHeader(header)
	b := bag(words)
	dim, unit, _ := anyUnit(unitText)
	q, place := classify(&b, dim)
	if q == "" {
		return guess{why: unknownWhy}
	}
	for _, w := range b {
		if !filler(w) {
			return guess{why: "does not say whose " + q + " it is: " + shown(w)}
		}
	}
	m := measures[q]
	if unitText == "" {
		if !m.bare {
			return guess{why: "names a " + q + " but no unit"}
		}
		return guess{quantity: q, place: place}
	}
	if _, ok := quantity.InFile(m.dim, unitText); !ok {
		return guess{why: "names a " + q + " in " + shown(unitText) + ", which is no unit of it"}
	}
	return guess{quantity: q, unit: unit, place: place}
}

// bag is the words of a header that nothing has claimed yet.
type bag []string

func (b bag) has(words ...string) bool {
	return slices.ContainsFunc(b, func(w string) bool { return slices.Contains(words, w) })
}

// take claims every one of the words and reports whether one was there.
func (b *bag) take(words ...string) bool {
	n := len(*b)
	*b = slices.DeleteFunc(*b, func(w string) bool { return slices.Contains(words, w) })
	return len(*b) < n
}

func filler(w string) bool {
	switch w {
	case "card", "sensor", "probe", "value", "reading", "avg", "average", "mean", "now",
		"of", "the", "in", "total", "log", "level":
		return true
	}
	return false
}

func classify(b *bag, dim quantity.Dimension) (name, place string) {
	frames := b.has("frame", "frames")
	switch {
	case b.take("fps"):
		b.take("rate", "frame", "frames")
		return "fps", ""
	case frames && (b.has("rate") || (b.has("per") && b.has("second", "s", "sec"))):
		b.take("frame", "frames", "rate", "per", "second", "s", "sec")
		return "fps", ""
	case frames && b.has("stamp", "timestamp", "stamps", "timestamps"):
		b.take("frame", "frames", "time", "stamp", "timestamp", "stamps", "timestamps")
		return "frame-stamp", ""
	case frames && (b.has("time", "duration", "interval") || dim == quantity.Duration):
		b.take("frame", "frames", "time", "times", "duration", "interval", "render")
		return "frame-time", ""
	case b.has("frames"):
		b.take("frames", "count", "rendered", "number")
		return "frames", ""
	case b.take("score", "points"):
		b.take("result")
		return "score", ""
	case b.has("temp", "temperature", "temps") || dim == quantity.Temperature:
		return classifyTemperature(b)
	case b.has("ambient", "room"):
		b.take("ambient", "room", "air")
		return "ambient", ""
	}
	return classifyRest(b, dim)
}

func classifyTemperature(b *bag) (name, place string) {
	b.take("temp", "temperature", "temps", "t")
	switch {
	case b.take("ambient", "room"):
		b.take("air")
		return "ambient", ""
	case b.take("memory", "mem", "ram", "vram"):
		b.take("chip", "chips")
		return "memory-temperature", ""
	case b.take("die", "core", "junction", "chip", "gpu"):
		return "temperature", "die"
	case b.take("heatsink", "sink", "cooler"):
		b.take("heat")
		return "temperature", "heatsink"
	case b.take("case", "package", "lid"):
		return "temperature", "case"
	case b.take("board", "pcb"):
		return "temperature", "board"
	}
	return "temperature", ""
}

func classifyRest(b *bag, dim quantity.Dimension) (name, place string) {
	switch {
	case b.take("fan"):
		b.take("speed", "duty")
		if dim == quantity.Ratio {
			return "fan-duty", ""
		}
		return "fan-speed", ""
	case dim == quantity.Frequency || (b.has("clock", "clk", "freq", "frequency") && !b.has("time")):
		b.take("clock", "clk", "freq", "frequency", "speed")
		switch {
		case b.take("memory", "mem", "ram", "vram"):
			return "memory-clock", ""
		case b.take("core", "engine", "chip", "gpu"):
			return "core-clock", ""
		}
		return "", ""
	case b.take("power", "draw", "consumption") || dim == quantity.Power:
		b.take("board")
		return "power", ""
	case b.take("busy", "utilization", "utilisation", "usage", "load") || (dim == quantity.Ratio && b.has("core", "gpu")):
		b.take("core", "gpu", "chip")
		return "busy", ""
	case b.take("voltage") || dim == quantity.Voltage:
		b.take("core", "gpu", "vcore")
		return "voltage", ""
	case dim == quantity.Current || b.take("amperage"):
		b.take("current")
		return "current", ""
	case b.take("time", "elapsed", "timestamp", "datetime", "runtime", "t") || (dim == quantity.Duration && len(*b) == 0):
		b.take("date", "clock", "elapsed", "stamp", "local", "utc", "hh", "mm", "ss", "sss", "fff",
			"since", "start", "unix", "iso", "run", "duration")
		return "time", ""
	}
	return "", ""
}

// splitHeader takes a header apart into lower-case words and the unit, which
// stands in brackets, behind a slash, or last.
func splitHeader(header string) (words []string, unitText string) {
	text := strings.TrimSpace(header)
	if open := strings.LastIndexAny(text, "[("); open >= 0 && strings.HasSuffix(text, string(closing(text[open]))) {
		inside := strings.TrimSpace(text[open+1 : len(text)-1])
		if _, _, ok := anyUnit(inside); ok {
			text, unitText = text[:open], inside
		}
	} else if slash := strings.LastIndexByte(text, '/'); slash > 0 {
		if tail := strings.TrimSpace(text[slash+1:]); tail != "s" || !strings.Contains(strings.ToLower(text), "frames") {
			if _, _, ok := anyUnit(tail); ok {
				text, unitText = text[:slash], tail
			}
		}
	}
	for _, w := range headerWords(text) {
		w = strings.ToLower(w)
		if parts, ok := joined[w]; ok {
			words = append(words, parts...)
		} else {
			words = append(words, w)
		}
	}
	if n := len(words); unitText == "" && n > 0 {
		last := words[n-1]
		if _, _, ok := anyUnit(last); ok && last != "fps" && (n > 1 || len(last) > 2) && !slices.Contains(words, "per") {
			words, unitText = words[:n-1], last
			if n > 2 && words[n-2] == "in" {
				words = words[:n-2]
			}
		}
	}
	return words, unitText
}

func closing(open byte) byte {
	if open == '[' {
		return ']'
	}
	return ')'
}

// headerWords splits at spaces, punctuation and changes of case.
func headerWords(text string) []string {
	var words []string
	var word []rune
	flush := func() {
		if len(word) > 0 {
			words = append(words, string(word))
			word = nil
		}
	}
	runes := []rune(text)
	for i, r := range runes {
		switch {
		case r == '°' || r == 'º':
			flush()
			word = append(word, '°')
		case r == '%':
			flush()
			words = append(words, "%")
		case !unicode.IsLetter(r) && !unicode.IsDigit(r):
			if !(len(word) == 1 && word[0] == '°' && r == ' ') {
				flush()
			}
		case unicode.IsUpper(r) && len(word) > 0 && word[0] != '°' && newWord(runes, i):
			flush()
			word = append(word, r)
		default:
			word = append(word, r)
		}
	}
	flush()
	return words
}

// newWord reports whether the capital at i begins a word: "frameTime" at T,
// "GPUTemp" at T, but "MHz" nowhere.
func newWord(r []rune, i int) bool {
	if unicode.IsLower(r[i-1]) || unicode.IsDigit(r[i-1]) {
		return !strings.HasPrefix(strings.ToLower(string(r[i-1:])), "hz") && !isUnitTail(r, i)
	}
	return unicode.IsUpper(r[i-1]) && i+1 < len(r) && unicode.IsLower(r[i+1]) && !isUnitTail(r, i)
}

// isUnitTail reports whether the capital at i is the H of kHz, MHz or GHz or the
// W, V or A behind a milli sign that stands alone.
func isUnitTail(r []rune, i int) bool {
	if r[i] == 'H' && i+1 < len(r) && r[i+1] == 'z' {
		return strings.ContainsRune("kKMG", r[i-1])
	}
	alone := i < 2 || !unicode.IsLetter(r[i-2])
	return alone && (r[i-1] == 'm' || r[i-1] == 'k') && (i+1 == len(r) || !unicode.IsLetter(r[i+1]))
}

// joined are words written together, taken apart.
var joined = map[string][]string{
	"frametime":   {"frame", "time"},
	"frametimes":  {"frame", "time"},
	"framerate":   {"frame", "rate"},
	"coretemp":    {"core", "temp"},
	"gputemp":     {"gpu", "temp"},
	"memtemp":     {"memory", "temp"},
	"coreclock":   {"core", "clock"},
	"coreclk":     {"core", "clock"},
	"memclock":    {"memory", "clock"},
	"memclk":      {"memory", "clock"},
	"memoryclock": {"memory", "clock"},
}
