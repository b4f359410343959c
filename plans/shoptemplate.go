package plans

import (
	"strings"

	"proveout/plans/document"
)

// ShopParams fills in the file of a new shop. What is empty stays as the library
// has it.
type ShopParams struct {
	Name       string
	Address    []string
	Contact    string
	Paper      string // "A4" or "Letter"
	Bench      string // title of the first bench
	Host       string // the computer the card is plugged into
	SlotKind   string // "AGP", "PCI" or "PCIe"
	SlotKey    string // "3.3 V", "1.5 V", "5 V" or "universal"
	Technician string
	Language   string // of documents and screens: "en"
}

// ShopTemplate returns the text of a new shop.toml, with comments that say what
// to change. It can be read by [ParseShop] as it is.
func ShopTemplate(p ShopParams) string {
	data, _ := library.ReadFile("library/shop.toml")
	text := string(data)
	for _, set := range [...]struct{ path, value string }{
		{"name", p.Name},
		{"paper", p.Paper},
		{"language", p.Language},
		{"bench.title", p.Bench},
		{"bench.host", p.Host},
		{"technician.name", p.Technician},
	} {
		if value := strings.TrimSpace(set.value); value != "" {
			text = document.Set(text, set.path, document.Quote(value))
		}
	}
	var lines []string
	for _, line := range p.Address {
		if line = strings.TrimSpace(line); line != "" {
			lines = append(lines, document.Quote(line))
		}
	}
	text = document.Set(text, "address", "["+strings.Join(lines, ", ")+"]")
	if contact := strings.TrimSpace(p.Contact); contact != "" {
		text = strings.Replace(text, `# contact = "telephone, mail or web address"`, "contact = "+document.Quote(contact), 1)
	}
	return withSlot(text, p.SlotKind, p.SlotKey)
}

// withSlot describes the slot of the first bench.
func withSlot(text, kind, key string) string {
	voltages, rates := `"1.5 V", "3.3 V"`, `"1x", "2x", "4x"`
	switch {
	case kind == "PCIe":
		text = document.Cut(document.Cut(text, "bench.slot.signaling"), "bench.slot.key")
		rates = `"x1", "x4", "x8", "x16"`
	case kind == "PCI":
		voltages, rates = `"3.3 V", "5 V"`, `"33 MHz"`
	case key == "3.3 V":
		rates = `"1x", "2x"`
	}
	if key != "" && key != universal {
		voltages = document.Quote(key)
	}
	if kind != "" {
		text = document.Set(text, "bench.slot.kind", document.Quote(kind))
	}
	if key != "" {
		text = document.Set(text, "bench.slot.key", document.Quote(key))
	}
	text = document.Set(text, "bench.slot.signaling", "["+voltages+"]")
	return document.Set(text, "bench.slot.rates", "["+rates+"]")
}
