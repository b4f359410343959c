package simulate

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"proveout/plans/document"
	"proveout/plans/quantity"
	"proveout/scoring/memory"
)

// ParseFault reads a fault: its kind and name=value words. A fault of the memory
// needs the memory.
func ParseFault(text string, org *memory.Organisation) (Fault, error) {
	typed := strings.Fields(text)
	if len(typed) == 0 {
		return Fault{}, errors.New("no kind; kinds: " + strings.Join(Kinds(), ", "))
	}
	ft := Fault{Kind: Kind(typed[0])}
	if !slices.Contains(Kinds(), typed[0]) {
		if near := document.Nearest(typed[0], Kinds()); near != "" {
			return ft, fmt.Errorf("there is no fault %q; did you mean %q?", typed[0], near)
		}
		return ft, fmt.Errorf("there is no fault %q; kinds: %s", typed[0], strings.Join(Kinds(), ", "))
	}
	takes := wordsOf(ft.Kind)
	if ofMemory(ft.Kind) && org == nil {
		return ft, fmt.Errorf("%s is a fault of the memory: name the --family", ft.Kind)
	}
	if ft.Kind == memory.AddressLine {
		ft.Chip = -1
	}
	given := map[string]bool{}
	for _, word := range typed[1:] {
		name, value, ok := strings.Cut(word, "=")
		if !ok {
			return ft, fmt.Errorf("%q is not name=value", word)
		}
		if !slices.Contains(takes.all(), name) {
			return ft, fmt.Errorf("%s takes no %q; it takes %s", ft.Kind, name, strings.Join(takes.all(), ", "))
		}
		if given[name] {
			return ft, fmt.Errorf("%s stands twice", name)
		}
		given[name] = true
		if err := ft.set(name, value, org, given["bank"]); err != nil {
			return ft, err
		}
	}
	for _, n := range takes.needed {
		if !given[n] {
			return ft, fmt.Errorf("%s needs %s=…", ft.Kind, n)
		}
	}
	return ft, nil
}

// words are what a kind of fault takes: those it needs, and those it may have.
type words struct{ needed, optional []string }

func (w words) all() []string { return slices.Concat(w.needed, w.optional) }

// A simulated kind of fault, with what it takes.
type simulated struct {
	kind Kind
	words
}

// everyKind lists first the faults of the memory, which all take a bank.
func everyKind() []simulated {
	return []simulated{
		{memory.LineStuck0, words{[]string{"chip", "line"}, []string{"bank"}}},
		{memory.LineStuck1, words{[]string{"chip", "line"}, []string{"bank"}}},
		{memory.LineOpen, words{[]string{"chip", "line"}, []string{"bank"}}},
		{memory.LinesShorted, words{[]string{"chip", "line", "with"}, []string{"bank", "wired"}}},
		{memory.LinesSwapped, words{[]string{"chip", "line", "with"}, []string{"bank"}}},
		{memory.ChipDead, words{[]string{"chip"}, []string{"bank", "value"}}},
		{memory.ChipWeak, words{[]string{"chip", "rate"}, []string{"bank"}}},
		{memory.AddressLine, words{[]string{"address-line"}, []string{"bank", "chip"}}},
		{memory.BankLost, words{[]string{"bank"}, []string{"value"}}},
		{ConverterBit, words{[]string{"channel", "bit"}, []string{"value"}}},
		{ChannelMissing, words{needed: []string{"channel"}}},
		{ChannelSwapped, words{needed: []string{"channel"}}},
		{Black, words{}},
		{Displaced, words{needed: []string{"amount"}}},
		{Stripe, words{needed: []string{"period", "amount"}}},
		{Noise, words{needed: []string{"rate"}}},
		{Geometry, words{needed: []string{"amount"}}},
		{Frozen, words{optional: []string{"shows"}}},
		{Sampling, words{[]string{"amount"}, []string{"period"}}},
	}
}

// Kinds lists the names of every fault that can be simulated.
func Kinds() []string {
	var out []string
	for _, k := range everyKind() {
		out = append(out, string(k.kind))
	}
	return out
}

func wordsOf(kind Kind) words {
	for _, k := range everyKind() {
		if k.kind == kind {
			return k.words
		}
	}
	return words{}
}

// ofMemory reports whether a kind is a fault of the memory.
func ofMemory(kind Kind) bool { return slices.Contains(wordsOf(kind).all(), "bank") }

// set takes one name=value.
func (ft *Fault) set(name, value string, org *memory.Organisation, bankGiven bool) (err error) {
	whole := func(low, high int) (int, error) {
		n, err := strconv.Atoi(value)
		if err != nil || n < low || n > high {
			return 0, fmt.Errorf("%s=%s is not a whole number from %d to %d", name, value, low, high)
		}
		return n, nil
	}
	switch name {
	case "bank":
		ft.Bank, err = whole(0, len(org.Banks)-1)
	case "chip":
		err = ft.setChip(value, org, bankGiven)
	case "line":
		ft.Line, err = whole(0, org.ChipBits-1)
	case "with":
		ft.Line2, err = whole(0, org.ChipBits-1)
	case "wired":
		switch value {
		case "and":
			ft.Wired = WiredAnd
		case "or":
			ft.Wired = WiredOr
		default:
			err = fmt.Errorf("wired=%s is neither and nor or", value)
		}
	case "address-line":
		ft.AddressLine, err = whole(0, max(0, org.AddressLines()-1))
	case "value":
		ft.Amount, err = whole(0, 1)
	case "rate":
		var v []float64
		if v, err = Numbers(value, 1, 0, 1); err == nil {
			ft.Rate = v[0]
		}
	case "channel":
		if ft.Channel = slices.Index([]string{"red", "green", "blue"}, value); ft.Channel < 0 {
			err = fmt.Errorf("channel=%s is not red, green or blue", value)
		}
	case "bit":
		ft.Bit, err = whole(0, 7)
	case "period":
		ft.Period, err = whole(2, 4096)
	case "shows":
		ft.Shows = value
	case "amount":
		ft.Amount, err = whole(-8192, 8192)
	}
	return err
}

// setChip takes a chip by its designator, or by its place in its bank.
func (ft *Fault) setChip(value string, org *memory.Organisation, bankGiven bool) error {
	for b, bank := range org.Banks {
		for k, d := range bank.Designators {
			if !strings.EqualFold(d, value) {
				continue
			}
			if bankGiven && ft.Bank != b {
				return fmt.Errorf("%s sits in bank %d", d, b)
			}
			ft.Bank, ft.Chip = b, k
			return nil
		}
	}
	n, err := strconv.Atoi(value)
	if err != nil || n < 0 || n >= org.ChipsPerBank() {
		return fmt.Errorf("the family has no chip %q: name a designator such as %s, or the place in its bank from 0",
			value, org.Banks[0].Designators[0])
	}
	ft.Chip = n
	return nil
}

// ParseCamera reads the settings of a photograph: "usual", or name=value words
// that change the usual ones.
func ParseCamera(text string) (Camera, error) {
	c := Camera{
		PixelsPerPixel: 4, TiltX: 5, TiltY: -4, Roll: 1, Distortion: 0.02, Vignetting: 0.25, Slope: 0.05,
		Blur: 0.8, Noise: 4, Exposure: 0.85, Black: 4, Quality: 90,
	}
	if strings.TrimSpace(text) == "usual" {
		return c, nil
	}
	quality := float64(c.Quality)
	settings := map[string]struct {
		to        *float64
		low, high float64
	}{
		"pixels":     {&c.PixelsPerPixel, 1, 12},
		"roll":       {&c.Roll, -30, 30},
		"distortion": {&c.Distortion, -0.3, 0.3},
		"vignetting": {&c.Vignetting, 0, 0.9},
		"slope":      {&c.Slope, -0.9, 0.9},
		"blur":       {&c.Blur, 0, 10},
		"noise":      {&c.Noise, 0, 100},
		"exposure":   {&c.Exposure, 0.05, 2},
		"black":      {&c.Black, 0, 200},
		"quality":    {&quality, 0, 100},
	}
	for _, word := range strings.Fields(text) {
		name, value, ok := strings.Cut(word, "=")
		if !ok {
			return c, fmt.Errorf("%q is not name=value, nor \"usual\"", word)
		}
		if name == "tilt" {
			v, err := Numbers(value, 2, -40, 40)
			if err != nil {
				return c, fmt.Errorf("tilt: %w", err)
			}
			c.TiltX, c.TiltY = v[0], v[1]
			continue
		}
		setting, ok := settings[name]
		if !ok {
			return c, fmt.Errorf("a photograph has no setting %q", name)
		}
		v, err := Numbers(value, 1, setting.low, setting.high)
		if err != nil {
			return c, fmt.Errorf("%s: %w", name, err)
		}
		*setting.to = v[0]
	}
	c.Quality = int(quality)
	return c, nil
}

// Numbers reads so many numbers parted by commas; of three, one stands for all.
func Numbers(text string, count int, low, high float64) ([]float64, error) {
	parts := strings.Split(text, ",")
	if count == 3 && len(parts) == 1 {
		parts = slices.Repeat(parts, count)
	}
	if len(parts) != count {
		return nil, fmt.Errorf("%q is not %d numbers parted by commas", text, count)
	}
	out := make([]float64, count)
	for i, part := range parts {
		v, err := quantity.ParseNumber(part)
		if err != nil || v < low || v > high {
			return nil, fmt.Errorf("%q is not a number from %g to %g", part, low, high)
		}
		out[i] = v
	}
	return out, nil
}
