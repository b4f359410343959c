package quantity

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// An Error is what is wrong with the text of a quantity, and where.
type Error struct {
	Column int    // character of the text where it begins, from 0
	Width  int    // characters of trouble, at least 1
	What   string // lower case, no full stop
	Fix    string // what to write instead; empty if unknown
}

// Error returns what is wrong.
func (e *Error) Error() string {
	if e.Fix == "" {
		return e.What
	}
	return e.What + "; " + e.Fix
}

// maxLength is the longest text, in bytes, that is looked at.
const maxLength = 200

// Parse reads a quantity of the given dimension: a number, its unit and, where
// one is written, a tolerance.
//
//	137 MHz ±1 %      3.3 V +0.2 V -0.1 V     1 h 30 min
//	20 MiB            85 degC +- 2 degC       1 K/10min, 2 °C per h
//
// The decimal sign is a point; thousands may be set apart by blanks. The error
// is an [*Error].
func Parse(text string, dim Dimension) (Quantity, error) {
	return ParseIn(text, dim, Unit{})
}

// ParseIn is [Parse] for a prompt that has already named the unit: a number
// without a unit is taken in fallback.
func ParseIn(text string, dim Dimension, fallback Unit) (Quantity, error) {
	s := &scanner{text: text, dim: dim, fallback: fallback}
	if err := s.plausible(); err != nil {
		return Quantity{}, err
	}
	m, err := s.magnitude(dim, mayBeNegative)
	if err != nil {
		return Quantity{}, err
	}
	if !m.bare {
		s.fallback = Unit{} // once the value names its unit, so does the tolerance
	}
	q := Quantity{Dimension: dim, Value: m.value, Resolution: m.step, Unit: m.unit.Name, Text: text}
	if err := s.tolerance(&q); err != nil {
		return Quantity{}, err
	}
	return q, s.end()
}

// scanner walks the text of one quantity.
type scanner struct {
	text     string
	pos      int
	dim      Dimension // asked for, named in messages
	fallback Unit
}

// sign says whether a number may carry a minus.
type sign int

const (
	mayBeNegative sign = iota
	unsigned
)

// magnitude is a number with its unit, in base units.
type magnitude struct {
	value, step float64
	unit        Unit
	bare        bool // no unit was written
}

// plausible refuses what cannot be a quantity before looking closer.
func (s *scanner) plausible() error {
	if len(s.text) > maxLength {
		return s.fail(0, 1, "too long for a quantity", s.expected())
	}
	for i, r := range s.text {
		if r == utf8.RuneError && !strings.HasPrefix(s.text[i:], "\ufffd") {
			return s.fail(i, 1, "not UTF-8 text", "")
		}
	}
	if strings.TrimFunc(s.text, isBlank) == "" {
		return s.fail(0, len(s.text), "empty", s.expected())
	}
	return nil
}

// fail makes the error for text[from:from+width].
func (s *scanner) fail(from, width int, what, fix string) error {
	from = min(from, len(s.text))
	to := min(from+max(width, 0), len(s.text))
	return &Error{
		Column: utf8.RuneCountInString(s.text[:from]),
		Width:  max(1, utf8.RuneCountInString(s.text[from:to])),
		What:   what,
		Fix:    fix,
	}
}

func (s *scanner) expected() string {
	return `write a ` + string(s.dim) + ` such as "` + s.dim.Example() + `"`
}

// isBlank accepts the blanks that stand between number and unit in print:
// no-break, figure, thin and narrow no-break space.
func isBlank(r rune) bool { return strings.ContainsRune(" \t\u00a0\u2007\u2009\u202f", r) }

func (s *scanner) skip() {
	s.pos = len(s.text) - len(strings.TrimLeftFunc(s.text[s.pos:], isBlank))
}

// take consumes the first of the given words that stands here.
func (s *scanner) take(words ...string) bool {
	for _, w := range words {
		if strings.HasPrefix(s.text[s.pos:], w) {
			s.pos += len(w)
			return true
		}
	}
	return false
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

// decimal is a number as written: mantissa digits, decimals and exponent.
type decimal struct {
	negative bool
	mantissa string // digits with a point
	decimals int
	exponent int
}

// numberPattern is a number: digits, whose thousands may be set apart by one
// blank, decimals and exponent.
var numberPattern = regexp.MustCompile(
	`^(\d{1,3}(?:[ \x{a0}\x{2007}\x{2009}\x{202f}]\d{3})+|\d*)(\.\d*)?(?:[eE]([+-]?\d+))?`)

// number reads one number.
func (s *scanner) number(sg sign) (decimal, error) {
	var d decimal
	s.skip()
	start := s.pos
	if s.take("-", "\u2212", "\u2013") {
		d.negative = true
		if sg == unsigned {
			return d, s.fail(start, s.pos-start, "a tolerance is not negative", "")
		}
	} else {
		s.take("+")
	}
	s.skip()
	from := s.pos
	found := numberPattern.FindStringSubmatch(s.text[from:])
	whole, fraction, exponent := found[1], found[2], found[3]
	s.pos += len(found[0])
	if cut := strings.LastIndexFunc(whole, isBlank); cut > 0 && s.digitHere() { // 5 678 of 5 6789 is no number
		whole = whole[:cut]
		s.pos = from + cut
	}
	switch {
	case whole == "" && fraction == ".":
		return d, s.fail(from, 1, "no digits", s.expected())
	case whole == "" && fraction == "":
		s.pos = from
		return d, s.noNumber(from)
	}
	d.mantissa = strings.Join(strings.FieldsFunc(whole, isBlank), "") + fraction
	d.decimals = max(0, len(fraction)-1)
	if exponent != "" {
		var err error
		if d.exponent, err = strconv.Atoi(exponent); err != nil || d.exponent > 300 || d.exponent < -300 {
			return d, s.fail(s.pos-len(exponent)-1, len(exponent)+1,
				fmt.Sprintf("%q has an exponent out of range", s.text), s.expected())
		}
	}
	switch rest := s.text[s.pos:]; {
	case strings.HasPrefix(rest, ",") && exponent == "":
		return d, s.comma()
	case strings.HasPrefix(rest, "."):
		return d, s.fail(s.pos, 1, fmt.Sprintf("%q has a second decimal point", s.text), s.expected())
	}
	return d, nil
}

func (s *scanner) digitHere() bool { return s.pos < len(s.text) && isDigit(s.text[s.pos]) }

func (s *scanner) noNumber(from int) error {
	if from >= len(s.text) {
		return s.fail(from, 1, "a number is missing at the end", s.expected())
	}
	word := s.wordAt(from)
	return s.fail(from, len(word), "expected a number, found "+strconv.Quote(word), s.expected())
}

// comma explains a decimal comma, with the text as it should be.
func (s *scanner) comma() error {
	before, after := s.text[:s.pos], s.text[s.pos+1:]
	point := before + "." + after
	switch len(after) - len(strings.TrimLeft(after, "0123456789")) {
	case 0:
		return s.fail(s.pos, 1, "a comma where the unit should be", s.expected())
	case 3:
		return s.fail(s.pos, 1, "a comma may be a decimal sign or a thousands mark",
			`write "`+before+after+`" or "`+point+`"`)
	}
	return s.fail(s.pos, 1, "decimal comma", `write "`+point+`"`)
}

// in converts a number to base units, correctly rounded where the unit is a
// power of ten.
func (d decimal) in(u Unit) (value, step float64, ok bool) {
	value, err := strconv.ParseFloat(d.mantissa+"e"+strconv.Itoa(d.exponent+u.power), 64)
	value, step = u.Finish(value), u.Step(d.decimals-d.exponent)
	if d.negative {
		value = -value
	}
	return value, step, err == nil && !math.IsInf(value, 0) && !math.IsInf(step, 0)
}

// magnitude reads a number and its unit.
func (s *scanner) magnitude(dim Dimension, sg sign) (magnitude, error) {
	s.skip()
	start := s.pos
	if m, ok := s.coded(dim); ok {
		return m, nil
	}
	d, err := s.number(sg)
	if err != nil {
		return magnitude{}, err
	}
	if dim == TemperatureRate {
		return s.rate(d, start)
	}
	u, bare, err := s.unit(dim)
	if err != nil {
		return magnitude{}, err
	}
	v, step, ok := d.in(u)
	if !ok {
		return magnitude{}, s.fail(start, s.pos-start, "number out of range", "")
	}
	m := magnitude{value: v, step: step, unit: u, bare: bare}
	if dim == Duration && !bare {
		return s.moreTime(m)
	}
	return m, nil
}

// codePattern is a resistance as IEC 60062 (2016), 4.1, codes it (from memory):
// the letter of its unit stands in the place of the decimal point.
var codePattern = regexp.MustCompile(`^(\d{0,4})([RrKkM])(\d{1,3})(?:[ \x{a0}]?(?:Ω|\x{2126}|ohms?|Ohms?))?$`)

// coded reads a resistance coded as 2k2, R47 or 4R7, with which the text ends.
func (s *scanner) coded(dim Dimension) (magnitude, bool) {
	if dim != Resistance {
		return magnitude{}, false
	}
	found := codePattern.FindStringSubmatch(strings.TrimRightFunc(s.text[s.pos:], isBlank))
	if found == nil {
		return magnitude{}, false
	}
	u, _ := LookUp(Resistance, strings.ToUpper(found[2]))
	v, step, ok := decimal{mantissa: found[1] + "." + found[3], decimals: len(found[3])}.in(u)
	s.pos = len(s.text)
	return magnitude{value: v, step: step, unit: u}, ok
}

// moreTime reads the 30 min of 1 h 30 min: smaller and smaller units.
func (s *scanner) moreTime(m magnitude) (magnitude, error) {
	for {
		before := s.pos
		s.skip()
		if !s.digitHere() {
			s.pos = before
			return m, nil
		}
		from := s.pos
		d, err := s.number(unsigned)
		if err != nil {
			return m, err
		}
		u, bare, err := s.unit(Duration)
		if err != nil {
			return m, err
		}
		v, step, ok := d.in(u)
		if !ok || bare || u.Scale() >= m.unit.Scale() || v >= m.unit.Scale() {
			return m, s.fail(from, s.pos-from,
				"parts of a duration go from large to small, each less than one of the part before",
				`write it as "1 h 30 min"`)
		}
		if m.value < 0 {
			v = -v
		}
		m.value, m.step, m.unit = m.value+v, step, u
	}
}

// rate reads the K/h of 2 K/h, the °C per 10 min of 1 °C per 10 min.
func (s *scanner) rate(d decimal, start int) (magnitude, error) {
	k, bare, err := s.unit(Difference)
	if err != nil {
		return magnitude{}, err
	}
	if bare {
		if s.fallback.Dimension != TemperatureRate {
			return magnitude{}, s.fail(s.pos, 1, "unit missing", s.expected())
		}
		v, step, ok := d.in(s.fallback)
		if !ok {
			return magnitude{}, s.fail(start, s.pos-start, "number out of range", "")
		}
		return magnitude{value: v, step: step, unit: s.fallback}, nil
	}
	s.skip()
	if !s.take("/", "per ", "per\u00a0", "in ") {
		return magnitude{}, s.fail(s.pos, 1, "a rate says per what time", s.expected())
	}
	s.skip()
	count := 1.0
	if s.digitHere() {
		n, err := s.number(unsigned)
		if err != nil {
			return magnitude{}, err
		}
		var ok bool
		if count, _, ok = n.in(Unit{}); !ok || count <= 0 {
			return magnitude{}, s.fail(start, s.pos-start, "a rate needs a time above zero", s.expected())
		}
	}
	t, bare, err := s.unit(Duration)
	if err != nil {
		return magnitude{}, err
	}
	v, step, ok := d.in(k)
	per := count * t.Scale()
	if bare || !ok || math.IsInf(v/per, 0) {
		return magnitude{}, s.fail(start, s.pos-start, "a rate says per what time", s.expected())
	}
	unit, found := LookUp(TemperatureRate, "K/"+t.Name)
	if !found {
		unit = Choose(TemperatureRate, v/per)
	}
	return magnitude{value: v / per, step: step / per, unit: unit}, nil
}

// unit reads the unit of a dimension; bare is true when none is written and
// one may be left out.
func (s *scanner) unit(dim Dimension) (u Unit, bare bool, err error) {
	before := s.pos
	s.skip()
	rest := s.text[s.pos:]
	rest, cut := joinDegree(rest)
	longest := 0
	for known := range unitsOf(dim) {
		for w := range strings.SplitSeq(known.ways, " ") {
			if len(w) > longest && strings.HasPrefix(rest, w) && endsWord(w, rest[len(w):]) {
				longest, u = len(w), known.Unit
			}
		}
	}
	if longest > 0 {
		if longest > cut {
			longest += len(s.text[s.pos:]) - len(rest)
		}
		s.pos += longest
		return u, false, nil
	}
	word := s.wordAt(s.pos)
	if dim == Number && word == "" {
		s.pos = before
		return Unit{Dimension: Number}, true, nil
	}
	if word != "" {
		return u, false, s.wrongUnit(dim, word)
	}
	s.pos = before
	ofDegrees := dim == Difference && (s.fallback.Dimension == Temperature || s.dim == TemperatureRate)
	if s.fallback.Dimension == dim || ofDegrees {
		return s.fallback, true, nil
	}
	return u, true, s.fail(before, 1, "unit missing", s.expected())
}

// joinDegree drops the blank of "deg C" and "° C", and says after how many
// bytes it stood.
func joinDegree(rest string) (joined string, cut int) {
	for _, d := range [...]string{"deg", "°", "º"} {
		if after, ok := strings.CutPrefix(rest, d); ok {
			trimmed := strings.TrimLeftFunc(after, isBlank)
			if trimmed != after && trimmed != "" && (trimmed[0] == 'C' || trimmed[0] == 'c') {
				return d + trimmed, len(d)
			}
		}
	}
	return rest, len(rest)
}

// endsWord reports whether a unit w ends before rest.
func endsWord(w, rest string) bool {
	last, _ := utf8.DecodeLastRuneInString(w)
	next, _ := utf8.DecodeRuneInString(rest)
	if rest == "" || !unicode.IsLetter(last) {
		return true
	}
	return !unicode.IsLetter(next) && !isDigit(rest[0]) && next != '_'
}

// wordAt returns the run of letters and unit signs that stands at from.
func (s *scanner) wordAt(from int) string {
	rest := s.text[from:]
	for i, r := range rest {
		if !unicode.IsLetter(r) && !strings.ContainsRune("°º%‰/_*^?!\"'()[]{}<>=&$#@~|\\;:", r) {
			if i == 0 && !isBlank(r) && !isDigit(rest[0]) && !strings.ContainsRune("+-±\u2212\u2013", r) {
				return rest[:utf8.RuneLen(r)]
			}
			return rest[:i]
		}
	}
	return rest
}

// wrongUnit says what a unit measures, or what it may have meant.
func (s *scanner) wrongUnit(dim Dimension, word string) error {
	fix := s.expected()
	wrong := func(what, fix string) error { return s.fail(s.pos, len(word), what, fix) }
	shown := strconv.Quote(word)
	fahrenheit, _ := InFile(Temperature, "°F")
	switch meant, _ := InFile(Temperature, word); {
	case dim == Bytes && (hasWord("Mb mb Gb", word) || strings.HasSuffix(word, "bit") || strings.HasSuffix(word, "bits")):
		return wrong(shown+" may mean bits", `write bytes, such as "20 MiB"`)
	case dim == Bytes && hasWord("M K k G Mi Ki Gi", word):
		number := strings.TrimSpace(s.text[:s.pos])
		return wrong(shown+" is no unit of memory", `write "`+number+" "+strings.ToUpper(word[:1])+`iB"`)
	case dim == Duration && (word == "m" || word == "M"):
		return wrong(shown+" is no unit of time", `write "min" for minutes`)
	case (dim == Temperature || dim == Difference) && meant == fahrenheit:
		return wrong("degrees Fahrenheit are not read", s.celsius(dim, fahrenheit))
	case dim == Temperature && word == "K":
		return wrong("a temperature is written in °C; K is for differences", fix)
	case dim == Resistance && word == "m":
		return wrong(shown+" may mean milliohms or megohms", `write "mΩ" or "MΩ"`)
	case dim == Number:
		return wrong("expected a plain number, found the unit "+shown, "leave the unit out")
	}
	for _, other := range Dimensions() {
		if other == dim {
			continue
		}
		if _, ok := LookUp(other, word); ok {
			return wrong(shown+" measures "+string(other)+", not "+string(s.dim), fix)
		}
	}
	for u := range unitsOf(dim) {
		if strings.EqualFold(u.Name, word) {
			fix = `did you mean "` + u.Name + `"?`
		}
	}
	return wrong(shown+" is not a unit of "+string(dim), fix)
}

// celsius works out what a Fahrenheit text should say.
func (s *scanner) celsius(dim Dimension, fahrenheit Unit) string {
	f, err := strconv.ParseFloat(strings.TrimFunc(s.text[:s.pos], isBlank), 64)
	if err != nil {
		return s.expected()
	}
	c := f * fahrenheit.Scale()
	if dim == Temperature {
		c = fahrenheit.Base(f)
	}
	return `write "` + strconv.FormatFloat(c, 'f', 1, 64) + ` °C"`
}

// end complains about anything that is left.
func (s *scanner) end() error {
	s.skip()
	if s.pos >= len(s.text) {
		return nil
	}
	return s.fail(s.pos, len(s.text)-s.pos, "unexpected "+strconv.Quote(s.text[s.pos:]), "")
}
