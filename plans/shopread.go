package plans

import (
	"fmt"
	"net/url"
	"path/filepath"
	"strconv"
	"strings"

	"proveout/plans/document"
	"proveout/plans/quantity"
)

// ParseShop reads a shop file. The name is that of the file, for messages. It
// returns the shop, or nil and everything that is wrong, in the order of the
// file.
func ParseShop(name string, data []byte) (*Shop, []Problem) {
	c, root := readDocument(name, data, `begin with name = "…"`)
	if root == nil {
		return nil, c.sorted()
	}
	s := newSection(c, root, "", shopKeys)
	sh := &Shop{
		Name:      s.need("name", `"…"`),
		Address:   s.texts("address"),
		Contact:   s.text("contact"),
		Numbering: s.text("numbering"),
		Paper:     s.word("paper", "A4", "A4", "Letter"),
		Language:  s.word("language", "en", "en", "de", "fr"),
		Logo:      s.text("logo"),
		TimeStamp: s.text("time_stamp_server"),
		Source:    string(data),
		File:      name,
	}
	if sh.Numbering == "" {
		sh.Numbering = "PO-{year}-{n:04}"
	}
	if _, err := CertificateNumber(sh.Numbering, 2026, 1); err != nil {
		s.problem("numbering", err.Error(), `write "PO-{year}-{n:04}"`)
	}
	if sh.Logo != "" && (filepath.IsAbs(sh.Logo) || strings.HasPrefix(sh.Logo, "/") || strings.Contains(sh.Logo, "..") || strings.Contains(sh.Logo, `\`)) {
		s.problem("logo", quoted(sh.Logo)+" is not inside the shop folder", `copy the picture there and write its name: "logo.png"`)
	}
	if at, err := url.Parse(sh.TimeStamp); sh.TimeStamp != "" && (err != nil || at.Host == "" || at.Scheme != "http" && at.Scheme != "https") {
		s.problem("time_stamp_server", quoted(sh.TimeStamp)+" is not an address", `write it in full, as in "https://stamp.example/tsa"`)
	}
	s.missingTable("bench", "[[bench]]")
	s.missingTable("technician", "[[technician]]")
	benches := s.groups("bench", benchKeys)
	unique(benches, "id")
	for _, g := range benches {
		sh.Benches = append(sh.Benches, readBench(g))
	}
	technicians := s.groups("technician", technicianKeys)
	unique(technicians, "id")
	signs := false
	for _, g := range technicians {
		t := Technician{ID: g.ident("id"), Name: g.need("name", `"…"`), Sign: g.boolean("sign", false)}
		signs = signs || t.Sign
		sh.Technicians = append(sh.Technicians, t)
	}
	if len(technicians) > 0 && !signs && !c.partial {
		c.add(technicians[0].t.At, "technician: nobody may sign, so no certificate can be issued", "add sign = true to one of them")
	}
	if len(c.problems) > 0 {
		return nil, c.sorted()
	}
	return sh, nil
}

func readBench(s *section) Bench {
	b := Bench{
		ID:          s.ident("id"),
		Title:       s.text("title"),
		Host:        s.text("host"),
		ControlCard: s.text("control_card"),
		Ambient:     s.quantity("ambient", quantity.Temperature, anything),
	}
	if b.Title == "" {
		b.Title = b.ID
	}
	if b.Ambient != nil && !b.Ambient.Tolerated {
		s.problem("ambient", "a range is missing", `write it with a tolerance, such as "`+b.Ambient.Text+` ±5 °C"`)
	}
	s.missingTable("slot", "[bench.slot]")
	if g := s.group("slot", slotKeys); g != nil {
		b.Slot = readSlot(g)
	}
	instruments := s.groups("instrument", instrumentKeys)
	unique(instruments, "id")
	for _, g := range instruments {
		b.Instruments = append(b.Instruments, readInstrument(g))
	}
	return b
}

func readInstrument(s *section) Instrument {
	in := Instrument{
		ID:        s.ident("id"),
		Title:     s.text("title"),
		Place:     s.word("place", "", "die", "heatsink", "case", "board", "ambient"),
		LastCheck: s.date("last_check"),
		NextCheck: s.date("next_check"),
	}
	if in.Title == "" {
		in.Title = in.ID
	}
	var words []string
	for _, d := range quantity.Dimensions() {
		words = append(words, string(d))
	}
	s.missing("measures", `["temperature"]`)
	s.nonEmpty("measures", `write ["temperature"]`)
	for _, w := range s.words("measures", words...) {
		in.Measures = append(in.Measures, quantity.Dimension(w))
	}
	s.missing("accuracy", `"±1.5 °C": as its data sheet states`)
	if len(in.Measures) == 0 || !in.Measures[0].Known() {
		s.text("accuracy")
		return in
	}
	readAccuracy(s, &in)
	if in.Place != "" && in.Measures[0] != quantity.Temperature {
		s.problem("place", "is for temperature sensors", "remove it")
	}
	if in.LastCheck != "" && in.NextCheck != "" && in.NextCheck < in.LastCheck {
		s.problem("next_check", in.NextCheck+" is before the last check, "+in.LastCheck, "")
	}
	return in
}

// readAccuracy reads the limits of an instrument and the step of its display.
func readAccuracy(s *section, in *Instrument) {
	dim := in.Measures[0]
	stepDim := dim
	if dim == quantity.Temperature {
		stepDim = quantity.Difference
	}
	in.Resolution = s.exact("resolution", stepDim, aboveZero)
	if k, ok := s.number("coverage"); ok {
		in.Coverage = k
		if k < 1 || k > 4 {
			s.problem("coverage", strconv.FormatFloat(k, 'g', -1, 64)+" is no coverage factor", "write 2, or remove it for plain limits")
		}
	}
	v := s.of("accuracy", document.String)
	if v == nil {
		return
	}
	limits, floor, err := quantity.ParseLimits(v.Text, dim, in.Resolution)
	if err != nil {
		s.notAQuantity(s.name("accuracy"), v, err)
		return
	}
	if limits.Value == 0 && (floor == nil || floor.Value == 0) {
		s.problem("accuracy", "no instrument is exact", "write the limits that its data sheet states")
	}
	in.Limits, in.Floor = limits, floor
	if len(in.Measures) > 1 && (limits.Dimension != quantity.Ratio || floor != nil) {
		s.problem("measures", "limits in units hold for one quantity only", fmt.Sprintf("make an instrument of its own for each; this one measures %s", dim))
	}
}

// CertificateNumber makes the number of the n-th certificate of a year from a
// pattern: {year} and {n}, or {n:04} for four digits with leading zeros. The
// result is used in file names.
func CertificateNumber(pattern string, year, n int) (string, error) {
	var b strings.Builder
	numbered := false
	for rest := pattern; rest != ""; {
		i := strings.IndexAny(rest, "{}")
		if i < 0 {
			b.WriteString(rest)
			break
		}
		b.WriteString(rest[:i])
		end := strings.IndexByte(rest[i:], '}')
		if rest[i] == '}' || end < 0 {
			return "", fmt.Errorf("%s: a brace stands alone", quoted(pattern))
		}
		field := rest[i+1 : i+end]
		rest = rest[i+end+1:]
		width, padded := strings.CutPrefix(field, "n:")
		w, err := strconv.Atoi(width)
		switch {
		case field == "year":
			b.WriteString(strconv.Itoa(year))
		case field == "n":
			b.WriteString(strconv.Itoa(n))
			numbered = true
		case padded && err == nil && w >= 1 && w <= 9:
			fmt.Fprintf(&b, "%0*d", w, n)
			numbered = true
		default:
			return "", fmt.Errorf("%s: {%s} is not known; {year} and {n} are", quoted(pattern), field)
		}
	}
	number := b.String()
	switch {
	case !numbered:
		return "", fmt.Errorf("%s has no {n}: every certificate would have the same number", quoted(pattern))
	case strings.ContainsAny(number, `/\:*?"<>|`) || strings.TrimSpace(number) != number || strings.HasPrefix(number, "."):
		return "", fmt.Errorf("%s makes no file name", quoted(pattern))
	case len(number) > 60:
		return "", fmt.Errorf("%s makes a number of more than 60 characters", quoted(pattern))
	}
	return number, nil
}
