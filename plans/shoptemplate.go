package plans

import (
	"strings"
	"text/template"

	"proveout/plans/document"
)

// ShopParams fills in the file of a new shop. What is empty stays as the library
// has it.
type ShopParams struct {
	Name        string
	Address     []string
	Contact     string
	Paper       string // "A4" or "Letter"
	Bench       string // title of the first bench
	Host        string // the computer the card is plugged into
	SlotKind    string // "AGP", "PCI" or "PCIe"
	SlotKey     string // "3.3 V", "1.5 V", "5 V" or "universal"
	Technician  string
	Language    string                       // of documents and screens: "en"
	Instruments map[string]map[string]string // title and accuracy of an instrument, by its id
}

// ShopTemplate returns the text of a new shop.toml, with comments that say what
// to change. It can be read by [ParseShop] as it is.
func ShopTemplate(p ShopParams) string {
	functions := template.FuncMap{
		"text":  textOr,
		"texts": quotedTexts,
		"own": func(instrument, key, usual string) string {
			return textOr(p.Instruments[instrument][key], usual)
		},
	}
	const name = "shop.toml.tmpl"
	file := template.Must(template.New(name).Funcs(functions).ParseFS(library, "library/"+name))
	signaling, rates := p.slot()
	var b strings.Builder
	err := file.Execute(&b, struct {
		ShopParams
		Signaling, Rates []string
	}{p, signaling, rates})
	if err != nil {
		panic(err) // cannot happen: a test makes the file of every kind of shop
	}
	return b.String()
}

// textOr writes a text as TOML, or the usual one where there is none.
func textOr(text, usual string) string {
	if text = strings.TrimSpace(text); text == "" {
		text = usual
	}
	return document.Quote(text)
}

// quotedTexts writes the items of a list as TOML, without the empty ones.
func quotedTexts(texts []string) string {
	var items []string
	for _, text := range texts {
		if text = strings.TrimSpace(text); text != "" {
			items = append(items, document.Quote(text))
		}
	}
	return strings.Join(items, ", ")
}

// slot returns the voltages and the link rates of the slot of the first bench.
func (p ShopParams) slot() (signaling, rates []string) {
	signaling, rates = []string{"1.5 V", "3.3 V"}, []string{"1x", "2x", "4x"}
	switch {
	case p.SlotKind == "PCIe":
		rates = []string{"x1", "x4", "x8", "x16"}
	case p.SlotKind == "PCI":
		signaling, rates = []string{"3.3 V", "5 V"}, []string{"33 MHz"}
	case p.SlotKey == "3.3 V":
		rates = []string{"1x", "2x"}
	}
	if p.SlotKey != "" && p.SlotKey != universal {
		signaling = []string{p.SlotKey}
	}
	return signaling, rates
}
