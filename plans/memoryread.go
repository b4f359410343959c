package plans

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"proveout/plans/document"
	"proveout/plans/quantity"
)

func readMemories(s *section) []MemoryPool {
	pools := s.groups("memory", memoryKeys)
	unique(pools, "name")
	var out []MemoryPool
	seen := map[string]int{}
	for _, g := range pools {
		if len(pools) > 1 {
			g.missing("name", `"frame" or "texture": there is more than one memory`)
		}
		out = append(out, readMemory(g, seen))
	}
	return out
}

// readMemory reads one memory; seen holds the designators met so far with
// their lines.
func readMemory(s *section, seen map[string]int) MemoryPool {
	m := MemoryPool{Source: s.text("source")}
	if s.has("name") {
		m.Name = s.label("name")
	}
	s.missing("total", `"16 MiB"`)
	if q := s.exact("total", quantity.Bytes, aboveZero); q != nil {
		m.Total = *q
		if q.Value != float64(int64(q.Value)) || q.Value > 1<<40 {
			s.problem("total", quoted(q.Text)+" is no whole number of bytes", `write it like "16 MiB"`)
		}
	}
	m.Reserved = s.exact("reserved", quantity.Bytes, aboveZero)
	if s.has("chip") || s.has("bus") || s.has("banks") {
		s.missing("chip", `"1Mi x 16": words x bits of one chip`)
		s.missing("bus", `"128 bit"`)
		s.missing("banks", `["U1 U2 U3 U4"]`)
	}
	if v := s.of("chip", document.String); v != nil {
		var err error
		if m.Words, m.ChipBits, err = parseChip(v.Text); err != nil {
			s.problem("chip", err.Error(), `write words x bits of one chip, such as "1Mi x 16"`)
		}
	}
	if q := s.exact("bus", quantity.Bits, aboveZero); q != nil {
		m.BusBits = int(q.Value)
		if q.Value != float64(m.BusBits) || m.BusBits%8 != 0 || m.BusBits > 4096 {
			s.problem("bus", quoted(q.Text)+" is no width of a memory bus", `write a multiple of 8, such as "128 bit"`)
		}
	}
	m.Banks = readBanks(s, seen)
	m.Columns, _ = s.whole("column_bits", 1, 20)
	if s.sound() {
		checkMemory(s, m)
	}
	return m
}

// ParseChip reads the organisation of a chip: "1Mi x 16" is 1 048 576 words of
// 16 bits.
func ParseChip(text string) (words int64, bits int, err error) { return parseChip(text) }

// parseChip reads the organisation of a chip: "1Mi x 16", "256K×16". K and M
// are 2^10 and 2^20 here, as the trade prints them (common practice, no
// source).
func parseChip(text string) (words int64, bits int, err error) {
	bad := fmt.Errorf("%s is no organisation of a chip", quoted(text))
	left, right, ok := strings.Cut(strings.ReplaceAll(text, "×", "x"), "x")
	if !ok {
		return 0, 0, bad
	}
	left = strings.TrimSpace(left)
	shift := 0
	for _, p := range [...]struct {
		suffix string
		shift  int
	}{{"Ki", 10}, {"K", 10}, {"k", 10}, {"Mi", 20}, {"M", 20}, {"Gi", 30}, {"G", 30}} {
		if cut, found := strings.CutSuffix(left, p.suffix); found {
			left, shift = strings.TrimSpace(cut), p.shift
			break
		}
	}
	n, err1 := strconv.ParseInt(left, 10, 64)
	b, err2 := strconv.Atoi(strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(right), "bit")))
	if err1 != nil || err2 != nil || n <= 0 || n > 1<<20 && shift > 0 || n > 1<<40 {
		return 0, 0, bad
	}
	if !slices.Contains([]int{1, 4, 8, 16, 32}, b) {
		return 0, 0, fmt.Errorf("%s: a chip of %d data lines is not known", quoted(text), b)
	}
	return n << shift, b, nil
}

// readBanks reads the designators: each bank a text of words or a list.
func readBanks(s *section, seen map[string]int) [][]string {
	v := s.of("banks", document.Array)
	if v == nil {
		return nil
	}
	s.nonEmpty("banks", `write ["U1 U2 U3 U4"]`)
	var out [][]string
	for _, item := range s.items("banks", v) {
		if len(item.Text) > 8192 || len(item.Items) > maxItems {
			s.c.add(item.At, s.name("banks")+": more chips than a bank can have", "")
			continue
		}
		var bank []string
		take := func(word string, at document.Span) {
			if line := seen[word]; line > 0 {
				s.c.add(at, s.name("banks")+": chip "+quoted(word)+" stands twice; first on line "+strconv.Itoa(line), "every designator is one chip")
				return
			}
			seen[word] = at.Line
			bank = append(bank, word)
		}
		switch item.Type {
		case document.String:
			takeWords(item, take)
		case document.Array:
			for _, chip := range item.Items {
				if chip.Type != document.String || strings.TrimSpace(chip.Text) == "" {
					s.c.add(chip.At, s.name("banks")+": expected a designator in quotes, found "+chip.Type.String(), `write "U1"`)
					continue
				}
				take(strings.TrimSpace(chip.Text), chip.At)
			}
		default:
			s.wrongType("banks", item, document.String)
			continue
		}
		if len(bank) == 0 {
			s.c.add(item.At, s.name("banks")+": the bank is empty", `write "U1 U2 U3 U4"`)
		}
		out = append(out, bank)
	}
	return out
}

// takeWords hands on the words of a text with their places.
func takeWords(v *document.Value, take func(word string, at document.Span)) {
	column, word, begin := 0, "", 0
	flush := func() {
		if word != "" {
			take(word, v.TextAt(begin, len([]rune(word))))
		}
		word = ""
	}
	for _, r := range v.Text {
		if r == ' ' || r == ',' || r == '\t' || r == '\n' {
			flush()
		} else {
			if word == "" {
				begin = column
			}
			word += string(r)
		}
		column++
	}
	flush()
}

// checkMemory holds the parts of a memory against each other.
func checkMemory(s *section, m MemoryPool) {
	if m.Reserved != nil && m.Reserved.Value >= m.Total.Value {
		s.problem("reserved", quoted(m.Reserved.Text)+" is not less than the whole memory, "+m.Total.Text, "")
	}
	if m.ChipBits == 0 || m.BusBits == 0 || len(m.Banks) == 0 {
		return
	}
	if m.BusBits%m.ChipBits != 0 {
		s.problem("bus", fmt.Sprintf("a bus of %d bits is not a multiple of the %d data lines of a chip", m.BusBits, m.ChipBits), "")
		return
	}
	chips := 0
	lanes := m.BusBits / m.ChipBits
	for i, bank := range m.Banks {
		chips += len(bank)
		if len(bank) != lanes {
			s.problem("banks", fmt.Sprintf("bank %d has %d chips, and a bus of %d bits takes %d chips of %d bits", i+1, len(bank), m.BusBits, lanes, m.ChipBits),
				"name every chip of the bank, or put bus or chip right")
			return
		}
	}
	if total := float64(m.Words) * float64(m.ChipBits) / 8 * float64(chips); total != m.Total.Value {
		unit, _ := quantity.LookUp(quantity.Bytes, m.Total.Unit)
		if total < unit.Scale() {
			unit = quantity.Choose(quantity.Bytes, total)
		}
		is := unit.Format(total, 0)
		s.problem("total", fmt.Sprintf("%d chips of %s are %s, not %s", chips, chipText(m), is, m.Total.String()),
			`write total = "`+is+`", or put chip or banks right`)
	}
}

// chipText prints the organisation of a chip: 1Mi×16.
func chipText(m MemoryPool) string {
	words := strconv.FormatInt(m.Words, 10)
	for _, p := range []struct {
		name  string
		scale int64
	}{{"Gi", 1 << 30}, {"Mi", 1 << 20}, {"Ki", 1 << 10}} {
		if m.Words%p.scale == 0 {
			words = strconv.FormatInt(m.Words/p.scale, 10) + p.name
			break
		}
	}
	return words + "×" + strconv.Itoa(m.ChipBits)
}
