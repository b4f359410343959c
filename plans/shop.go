package plans

import (
	"fmt"
	"net/url"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"proveout/plans/document"
	"proveout/plans/quantity"
)

// A Shop is the workshop: who signs, on which benches, with which instruments.
// Its JSON is what a record tells of it; the rest is for the next document, or
// for messages.
type Shop struct {
	Name        string       `json:"name"`
	Address     []string     `json:"address,omitempty"`
	Contact     string       `json:"contact,omitempty"`
	Numbering   string       `json:"-"` // certificate numbers: "PO-{year}-{n:04}"
	Paper       string       `json:"-"` // "A4" or "Letter"
	Language    string       `json:"-"` // "en"
	Logo        string       `json:"-"`
	TimeStamp   string       `json:"-"` // address of a time stamp server, asked at signing; or empty
	Benches     []Bench      `json:"benches,omitempty"`
	Technicians []Technician `json:"technicians,omitempty"`
	Source      string       `json:"-"` // the TOML text the shop was read from
	File        string       `json:"-"` // name of the file, for messages
}

// usualNumbering are the certificate numbers of a shop that says nothing.
const usualNumbering = "PO-{year}-{n:04}"

func newShop() *Shop { return &Shop{Numbering: usualNumbering, Paper: "A4", Language: "en"} }

// keys are those of a shop file. The languages are those that there are words in,
// which plans do not know; without them any will do.
func (sh *Shop) keys(languages []string) []key {
	language := document.Text(&sh.Language)
	if len(languages) > 0 {
		language = document.Word(&sh.Language, languages...)
	}
	return []key{
		{Name: "name", To: document.Text(&sh.Name), Needed: `"…"`, What: "of the workshop, as certificates print it"},
		{Name: "address", To: document.Texts(&sh.Address), What: "its lines"},
		{Name: "contact", To: document.Text(&sh.Contact), What: "telephone, mail or web address"},
		{Name: "numbering", To: document.Checked(&sh.Numbering, "text", isNumbering), What: "of certificates"},
		{Name: "paper", To: document.Word(&sh.Paper, "A4", "Letter"), What: "what documents are made for"},
		{Name: "language", To: language, What: "of documents and of the terminal"},
		{Name: "logo", To: document.Checked(&sh.Logo, "file name", isLogo), What: "a picture file in the shop folder"},
		{Name: "time_stamp_server", To: document.Checked(&sh.TimeStamp, "web address", isServer),
			What: "a time stamp server (RFC 3161), asked when a certificate is signed"},
		{Name: "bench", To: document.Tables(&sh.Benches, benchKeys, checkBench, "id"),
			Needed: "[[bench]]", What: "where cards are tested"},
		{Name: "technician", To: document.Tables(&sh.Technicians, technicianKeys, nil, "id"),
			Needed: "[[technician]]", What: "who tests them"},
	}
}

func isNumbering(pattern string) (what, fix string) {
	if _, err := CertificateNumber(pattern, 2026, 1); err != nil {
		return err.Error(), `write "` + usualNumbering + `"`
	}
	return "", ""
}

func isLogo(name string) (what, fix string) {
	odd := strings.Contains(name, "..") || strings.Contains(name, `\`)
	if !odd && filepath.IsLocal(name) && !strings.HasPrefix(name, "/") {
		return "", ""
	}
	return document.Quoted(name) + " is not inside the shop folder",
		`copy the picture there and write its name: "logo.png"`
}

func isServer(address string) (what, fix string) {
	at, err := url.Parse(address)
	if err != nil || at.Host == "" || at.Scheme != "http" && at.Scheme != "https" {
		return document.Quoted(address) + " is not an address", `write it in full, as in "https://stamp.example/tsa"`
	}
	return "", ""
}

// ParseShop reads a shop file. The name is that of the file, for messages; the
// languages are those that the shop may choose from, none for any. It returns the
// shop, or nil and everything that is wrong, in the order of the file.
func ParseShop(name string, data []byte, languages ...string) (*Shop, []Problem) {
	sh := newShop()
	sh.Source, sh.File = string(data), name
	problems := document.Read(name, data, `begin with name = "…"`, sh.keys(languages), func(s *section) {
		maySign := func(t Technician) bool { return t.Sign }
		if len(sh.Technicians) > 0 && !slices.ContainsFunc(sh.Technicians, maySign) {
			first := s.Table().Get("technician").Value.Items[0].At
			s.Add(first, "technician", "nobody may sign, so no certificate can be issued", "add sign = true to one of them")
		}
	})
	if len(problems) > 0 {
		return nil, problems
	}
	return sh, nil
}

// Bench returns the bench with the given id.
func (s *Shop) Bench(id string) (*Bench, bool) {
	return find(s.Benches, func(b *Bench) bool { return b.ID == id })
}

// A Bench is a place where cards are tested.
type Bench struct {
	ID          string             `json:"id"`
	Title       string             `json:"title"`
	Host        string             `json:"host,omitempty"` // the computer the card is plugged into
	Slot        Slot               `json:"slot"`
	Ambient     *quantity.Quantity `json:"ambient,omitempty"` // range of ambient, as value with tolerance
	Instruments []Instrument       `json:"instruments"`
	ControlCard string             `json:"control_card,omitempty"`
}

func benchKeys(b *Bench) []key {
	return []key{
		{Name: "id", To: document.ID(&b.ID), Needed: `"…"`, What: "readings and jobs name the bench by it"},
		{Name: "title", To: document.Text(&b.Title), Absent: "the id", What: "what documents call it"},
		{Name: "host", To: document.Text(&b.Host), What: "the computer the card is plugged into"},
		{Name: "ambient", To: amount(&b.Ambient, quantity.Temperature, tolerated),
			What: "range of ambient"},
		{Name: "control_card", To: document.Text(&b.ControlCard),
			What: "serial or mark of the shop's own known-good card"},
		{Name: "slot", To: document.Inner(&b.Slot, (*Slot).keys, checkSlot), Needed: "[bench.slot]",
			What: "what can be plugged in"},
		{Name: "instrument", What: "what readings are taken with",
			To: document.Tables(&b.Instruments, instrumentKeys, checkInstrument, "id")},
	}
}

func checkBench(_ *section, b *Bench) {
	if b.Title == "" {
		b.Title = b.ID
	}
}

// Instrument returns the instrument with the given id.
func (b *Bench) Instrument(id string) (*Instrument, bool) {
	return find(b.Instruments, func(in *Instrument) bool { return in.ID == id })
}

// An Instrument is what readings are taken with.
type Instrument struct {
	ID         string               `json:"id"`
	Title      string               `json:"title"`
	Measures   []quantity.Dimension `json:"measures"`
	Limits     quantity.Quantity    `json:"limits"`               // ±a of the reading: "±1.5 °C"; Ratio when relative
	Floor      *quantity.Quantity   `json:"floor,omitempty"`      // added to relative limits: "±0.5 % + 2 mV"
	Coverage   float64              `json:"coverage,omitempty"`   // k of Limits; 0: limits, taken as rectangular
	Resolution *quantity.Quantity   `json:"resolution,omitempty"` // of the display
	Place      string               `json:"place,omitempty"`      // where a temperature sensor sits
	LastCheck  string               `json:"last_check,omitempty"` // date of the last check
	NextCheck  string               `json:"next_check,omitempty"` // date it is due; empty when none is planned
}

func instrumentKeys(in *Instrument) []key {
	places := append(slices.Clone(sensorPlaces), "ambient")
	return []key{
		{Name: "id", To: document.ID(&in.ID), Needed: `"…"`, What: "readings name the instrument by it"},
		{Name: "title", To: document.Text(&in.Title), Absent: "the id", What: "make, range"},
		{Name: "measures", To: document.Words(&in.Measures, quantity.Dimensions()...), Needed: `["temperature"]`,
			Filled: `write ["temperature"]`, What: "temperature, voltage, resistance, frequency, frame rate, …"},
		{Name: "accuracy", To: document.Later("limits"), Needed: `"±1.5 °C": as its data sheet states`,
			What: `as its data sheet states: "±1.5 °C", "±0.5 % + 2 mV", "±0.5 % + 3 digits"`},
		{Name: "coverage", To: document.Number(&in.Coverage), Absent: "limits, taken as rectangular",
			What: "k, when the sheet states an expanded uncertainty"},
		{Name: "resolution", To: document.Later("quantity"), What: "one step of its display"},
		{Name: "place", To: document.Word(&in.Place, places...), What: "where a temperature sensor sits"},
		{Name: "last_check", To: document.Day(&in.LastCheck), What: "of its last check"},
		{Name: "next_check", To: document.Day(&in.NextCheck), What: "when the next is due"},
	}
}

func checkInstrument(s *section, in *Instrument) {
	if in.Title == "" {
		in.Title = in.ID
	}
	if len(in.Measures) > 0 && in.Measures[0].Known() {
		in.readAccuracy(s)
	}
	if in.Place != "" && len(in.Measures) > 0 && in.Measures[0] != quantity.Temperature {
		s.Problem("place", "is for temperature sensors", "remove it")
	}
	if in.LastCheck != "" && in.NextCheck != "" && in.NextCheck < in.LastCheck {
		s.Problem("next_check", in.NextCheck+" is before the last check, "+in.LastCheck, "")
	}
}

// readAccuracy reads the limits of an instrument and the step of its display,
// which depend on what it measures.
func (in *Instrument) readAccuracy(s *section) {
	dim := in.Measures[0]
	stepDim := dim
	if dim == quantity.Temperature {
		stepDim = quantity.Difference
	}
	if e := s.Table().Get("resolution"); e != nil {
		amount(&in.Resolution, stepDim, exact|aboveZero).Read(s, "resolution", e.Value)
	}
	if k := in.Coverage; k != 0 && (k < 1 || k > 4) {
		what := strconv.FormatFloat(k, 'g', -1, 64) + " is no coverage factor"
		s.Problem("coverage", what, "write 2, or remove it for plain limits")
	}
	e := s.Table().Get("accuracy")
	if e == nil || !s.Is("accuracy", e.Value, document.String) {
		return
	}
	limits, floor, err := quantity.ParseLimits(e.Value.Text, dim, in.Resolution)
	if err != nil {
		notAQuantity(s, "accuracy", e.Value, err)
		return
	}
	if limits.Value == 0 && (floor == nil || floor.Value == 0) {
		s.Problem("accuracy", "no instrument is exact", "write the limits that its data sheet states")
	}
	in.Limits, in.Floor = limits, floor
	if len(in.Measures) > 1 && (limits.Dimension != quantity.Ratio || floor != nil) {
		s.Problem("measures", "limits in units hold for one quantity only",
			fmt.Sprintf("make an instrument of its own for each; this one measures %s", dim))
	}
}

// A Technician may record readings and sign.
type Technician struct {
	ID   string `json:"id"`
	Name string `json:"name"`
	Sign bool   `json:"sign,omitempty"` // may authorise certificates
}

func technicianKeys(t *Technician) []key {
	return []key{
		{Name: "id", To: document.ID(&t.ID), Needed: `"…"`, What: "readings and documents name the technician by it"},
		{Name: "name", To: document.Text(&t.Name), Needed: `"…"`, What: "as certificates print it"},
		{Name: "sign", To: document.Flag(&t.Sign), What: "may authorise certificates"},
	}
}

// Measuring returns the bench's only instrument for a dimension, or for a
// temperature the only one that sits at the place. With several to choose from
// it reports false: the reading must name its instrument.
func (b *Bench) Measuring(dim quantity.Dimension, place string) (*Instrument, bool) {
	var found, placed *Instrument
	n, nPlaced := 0, 0
	for i := range b.Instruments {
		inst := &b.Instruments[i]
		if !slices.Contains(inst.Measures, dim) {
			continue
		}
		found, n = inst, n+1
		if place != "" && inst.Place == place {
			placed, nPlaced = inst, nPlaced+1
		}
	}
	switch {
	case nPlaced == 1:
		return placed, true
	case n == 1 && nPlaced == 0:
		return found, true
	}
	return nil, false
}

var numberField = regexp.MustCompile(`\{(.*?)\}`)

// CertificateNumber makes the number of the n-th certificate of a year from a
// pattern: {year} and {n}, or {n:04} for four digits with leading zeros. The
// result is used in file names.
func CertificateNumber(pattern string, year, n int) (string, error) {
	numbered, unknown := false, ""
	number := numberField.ReplaceAllStringFunc(pattern, func(field string) string {
		width, padded := strings.CutPrefix(strings.Trim(field, "{}"), "n:")
		digits, err := strconv.Atoi(width)
		switch {
		case field == "{year}":
			return strconv.Itoa(year)
		case field == "{n}":
			digits = 1
		case !padded || err != nil || digits < 1 || digits > 9:
			unknown = field
		}
		numbered = true
		return fmt.Sprintf("%0*d", digits, n)
	})
	switch {
	case unknown != "":
		return "", fmt.Errorf("%s: %s is not known; {year} and {n} are", document.Quoted(pattern), unknown)
	case strings.ContainsAny(number, "{}"):
		return "", fmt.Errorf("%s: a brace stands alone", document.Quoted(pattern))
	case !numbered:
		return "", fmt.Errorf("%s has no {n}: every certificate would have the same number", document.Quoted(pattern))
	case strings.ContainsAny(number, `/\:*?"<>|`) || strings.TrimSpace(number) != number || strings.HasPrefix(number, "."):
		return "", fmt.Errorf("%s makes no file name", document.Quoted(pattern))
	case len(number) > 60:
		return "", fmt.Errorf("%s makes a number of more than 60 characters", document.Quoted(pattern))
	}
	return number, nil
}
