package logs

import (
	"regexp"
	"slices"
	"strings"
	"unicode"

	"proveout/plans/quantity"
)

// A guess is what a column header says about its column.
type guess struct {
	quantity string // empty when the header names none that is known
	unit     string // as the header gives it; empty where it gives none
	place    string
	time     string // how a time is written, where the header says it
	hinted   bool   // a person says so
	why      string // why it is not known
	lacking  string // quantity that it names without a unit, so that it is not read
}

const unknownWhy = "names no quantity that is known"

// recognise reads a column header such as "temp_c", "Core temp [°C]",
// "FrameTimeMs" or "fps".
func recognise(header string) guess {
	form := formIn(header)
	if form != "" {
		header = formWords.ReplaceAllString(header, "")
	}
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
	if q == "frame-time" && averaged(words) {
		return guess{why: "is an average of several frames, which shows none of them; " +
			"as a frame rate it is read with --unit fps=ms", lacking: "fps"}
	}
	m := measures[q]
	if unitText == "" {
		if !m.bare && !m.asked() {
			return guess{why: "names a " + q + " but no unit; say it with --unit " + q + "=" + usualUnit(m.dim), lacking: q}
		}
		return guess{quantity: q, place: place, time: form}
	}
	if _, ok := quantity.InFile(m.dim, unitText); !ok {
		return guess{why: "names a " + q + " in " + shown(unitText) + ", which is no unit of it"}
	}
	return guess{quantity: q, unit: unit, place: place}
}

// averaged reports whether the words of a header say that each of its values
// stands for several.
func averaged(words []string) bool {
	return bag(words).has("avg", "average", "averaged", "mean", "median")
}

var formWords = regexp.MustCompile(`(?i)\b(h{1,2}:m(?:m|in)?|m{1,2}:ss?)\b(:?)`)

// formIn is how a header says that its times are written: "Time (h:min)". Hours,
// minutes and seconds together need no word.
func formIn(header string) string {
	m := formWords.FindStringSubmatch(header)
	switch {
	case m == nil || m[2] != "":
		return ""
	case strings.HasPrefix(strings.ToLower(m[1]), "h"):
		return TimeMinute
	}
	return TimeSecond
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

// A naming says what the words of a header name.
type naming struct {
	quantity, place string
	one, and        []string // one of each must be there
	more            []string // what may stand beside them
	dim             quantity.Dimension
}

// namings are tried in this order. One without a quantity stands for what is
// not known. (Common practice, no source.)
var namings = func() []naming {
	w := strings.Fields
	frame, rate, second := w("frame frames"), w("rate"), w("rate second s sec")
	clock := w("clock clk freq frequency")
	memory, chip := w("memory mem ram vram"), w("chip chips")
	temp, t := w("temp temperature temps"), w("t")
	time := w("date clock elapsed stamp local utc hh mm ss sss fff since start unix iso run duration")
	return []naming{
		{quantity: "fps", one: w("fps"), more: w("rate frame frames")},
		{quantity: "fps", one: frame, and: rate, more: w("per second s sec")},
		{quantity: "fps", one: frame, and: w("per"), more: second},
		{quantity: "frame-stamp", one: frame, and: w("stamp timestamp stamps timestamps"), more: w("time")},
		{quantity: "frame-time", one: frame, and: w("time duration interval"), more: w("times render")},
		{quantity: "frames", one: w("frames"), more: w("count rendered number")},
		{quantity: "score", one: w("score points"), more: w("result")},
		{quantity: "ambient", one: temp, and: w("ambient room"), more: w("air t")},
		{quantity: "memory-temperature", one: temp, and: memory, more: append(chip, t...)},
		{quantity: "temperature", place: "die", one: temp, and: w("die core junction chip gpu"), more: t},
		{quantity: "temperature", place: "heatsink", one: temp, and: w("heatsink sink cooler"), more: w("heat t")},
		{quantity: "temperature", place: "case", one: temp, and: w("case package lid"), more: t},
		{quantity: "temperature", place: "board", one: temp, and: w("board pcb"), more: t},
		{quantity: "temperature", one: temp, more: t},
		{quantity: "ambient", one: w("ambient room"), more: w("air")},
		{quantity: "fan-duty", one: w("fan"), dim: quantity.Ratio, more: w("speed duty")},
		{quantity: "fan-speed", one: w("fan"), more: w("speed duty")},
		{quantity: "time", one: w("clock"), and: w("time"), more: time},
		{quantity: "memory-clock", one: clock, and: memory, more: w("speed")},
		{quantity: "core-clock", one: clock, and: w("core engine chip gpu"), more: w("speed")},
		{quantity: "", one: clock},
		{quantity: "power", one: w("power draw consumption"), more: w("board")},
		{quantity: "busy", one: w("busy utilization utilisation usage load"), more: w("core gpu chip")},
		{quantity: "busy", one: w("core gpu"), dim: quantity.Ratio, more: w("chip")},
		{quantity: "voltage", one: w("voltage"), more: w("core gpu vcore")},
		{quantity: "current", one: w("amperage"), more: w("current")},
		{quantity: "time", one: w("time elapsed timestamp datetime runtime t"), more: time},
	}
}()

// implied are words that a unit stands for.
var implied = map[quantity.Dimension]string{
	quantity.Duration:    "duration",
	quantity.Temperature: "temperature",
	quantity.Frequency:   "frequency",
	quantity.Power:       "power",
	quantity.Voltage:     "voltage",
	quantity.Current:     "amperage",
}

// classify says what the words of a header with a unit of a dimension name, and
// claims those that say so.
func classify(b *bag, dim quantity.Dimension) (name, place string) {
	there := func(words []string) bool { return b.has(words...) || slices.Contains(words, implied[dim]) }
	for _, n := range namings {
		if !there(n.one) || n.and != nil && !there(n.and) || n.dim != "" && n.dim != dim {
			continue
		}
		b.take(n.one...)
		b.take(n.and...)
		b.take(n.more...)
		return n.quantity, n.place
	}
	if dim == quantity.Duration && len(*b) == 0 {
		return "time", ""
	}
	return "", ""
}

// splitHeader takes a header apart into lower-case words and the unit, which
// stands in brackets, behind a slash, or last.
func splitHeader(header string) (words []string, unitText string) {
	text, unitText := cutUnit(strings.TrimSpace(header))
	for _, w := range headerWords(text) {
		w = strings.ToLower(w)
		if parts, ok := joined[w]; ok {
			words = append(words, parts...)
		} else {
			words = append(words, w)
		}
	}
	n := len(words)
	if unitText != "" || n == 0 || slices.Contains(words, "per") {
		return words, unitText
	}
	last := words[n-1]
	if _, _, ok := anyUnit(last); !ok || last == "fps" || n == 1 && len(last) <= 2 {
		return words, ""
	}
	if n > 2 && words[n-2] == "in" {
		return words[:n-2], last
	}
	return words[:n-1], last
}

// cutUnit cuts a unit off a header that stands in brackets or behind a slash.
func cutUnit(text string) (rest, unit string) {
	open, slash := strings.LastIndexAny(text, "[("), strings.LastIndexByte(text, '/')
	switch {
	case open >= 0 && strings.ContainsAny(text[len(text)-1:], "])"):
		rest, unit = text[:open], text[open+1:len(text)-1]
	case slash > 0:
		rest, unit = text[:slash], text[slash+1:]
		if strings.TrimSpace(unit) == "s" && strings.Contains(strings.ToLower(text), "frames") {
			return text, "" // a rate, frames/s
		}
	}
	unit = strings.TrimSpace(unit)
	if _, _, ok := anyUnit(unit); !ok {
		return text, ""
	}
	return rest, unit
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
