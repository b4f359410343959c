package plans

import (
	"strconv"
	"strings"
)

// ShopParams fills in the file of a new shop. What is empty gets a sensible
// value.
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
}

// ShopTemplate returns the text of a new shop.toml, with comments that say what
// to change. It can be read by [ParseShop] as it is.
func ShopTemplate(p ShopParams) string {
	or := func(s, otherwise string) string {
		if s = strings.TrimSpace(s); s == "" {
			s = otherwise
		}
		return tomlText(s)
	}
	address := "[]"
	if len(p.Address) > 0 {
		var lines []string
		for _, a := range p.Address {
			if strings.TrimSpace(a) != "" {
				lines = append(lines, tomlText(strings.TrimSpace(a)))
			}
		}
		address = "[" + strings.Join(lines, ", ") + "]"
	}
	kind, key := p.SlotKind, p.SlotKey
	if kind == "" {
		kind = "AGP"
	}
	if key == "" {
		key = "universal"
	}
	slot := "kind = " + tomlText(kind) + "   # PCI, AGP or PCIe\n"
	if kind != "PCIe" {
		slot += "signaling = [" + slotVoltages(kind, key) + "]   # volts the slot signals with\n" +
			"key = " + tomlText(key) + "   # how the slot is keyed: look at the notches\n"
	}
	slot += "rates = [" + slotRates(kind, key) + "]   # slowest first"
	contact := "# contact = \"telephone, mail or web address\""
	if strings.TrimSpace(p.Contact) != "" {
		contact = "contact = " + tomlText(strings.TrimSpace(p.Contact))
	}
	return strings.NewReplacer(
		"@NAME@", or(p.Name, "Our repair shop"),
		"@ADDRESS@", address,
		"@CONTACT@", contact,
		"@PAPER@", or(p.Paper, "A4"),
		"@BENCH@", or(p.Bench, "Bench 1"),
		"@HOST@", or(p.Host, "test computer"),
		"@SLOT@", slot,
		"@PERSON@", or(p.Technician, "Bench technician"),
	).Replace(shopTemplate)
}

func slotVoltages(kind, key string) string {
	if key != "universal" {
		return tomlText(key)
	}
	if kind == "PCI" {
		return `"3.3 V", "5 V"`
	}
	return `"1.5 V", "3.3 V"`
}

func slotRates(kind, key string) string {
	switch {
	case kind == "AGP" && key == "3.3 V":
		return `"1x", "2x"`
	case kind == "AGP":
		return `"1x", "2x", "4x"`
	case kind == "PCI":
		return `"33 MHz"`
	}
	return `"x1", "x4", "x8", "x16"`
}

// tomlText writes a text as TOML.
func tomlText(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case r < ' ' || r == 0x7f:
			b.WriteString(`\u00` + strconv.FormatInt(int64(r)+0x100, 16)[1:])
		default:
			b.WriteRune(r)
		}
	}
	b.WriteByte('"')
	return b.String()
}

const shopTemplate = `# The workshop: what certificates say of it, its benches, instruments and
# people. Change what is not so; lines that begin with # are remarks.

name = @NAME@
address = @ADDRESS@
@CONTACT@

# Certificate numbers: {year} and {n}; {n:04} has four digits.
numbering = "PO-{year}-{n:04}"
paper = @PAPER@   # or Letter
language = "en"
# logo = "logo.png"   # a picture in this folder
# time_stamp_server = "https://…"   # RFC 3161; without one the time is the shop's own

# ----------------------------------------------------------------------
# One [[bench]] for each place where cards are tested.
[[bench]]
id = "bench-1"
title = @BENCH@
host = @HOST@   # the computer the card is plugged into
ambient = "23 °C ±5 °C"   # range of temperature in the room
# control_card = "mark of your own known-good card"

# What can be plugged in. A card that signals with another voltage is
# refused for this bench before anyone plugs it in.
[bench.slot]
@SLOT@

# Instruments with the limits that their data sheets state. Limits count as
# ± limits; add coverage = 2 when the sheet states an expanded uncertainty
# with k = 2. Add last_check = 2026-03-01 after each check.

[[bench.instrument]]
id = "thermometer"
title = "Thermometer, thermocouple type K"
measures = ["temperature"]
accuracy = "±1.5 °C"
resolution = "0.1 °C"
place = "heatsink"   # where the sensor sits: die, heatsink, case, board, ambient

[[bench.instrument]]
id = "room"
title = "Room thermometer"
measures = ["temperature"]
accuracy = "±1 °C"
resolution = "0.1 °C"
place = "ambient"

[[bench.instrument]]
id = "meter-volts"
title = "Multimeter, 20 V range"
measures = ["voltage"]
resolution = "0.01 V"
accuracy = "±0.5 % + 2 digits"

[[bench.instrument]]
id = "meter-ohms"
title = "Multimeter, 200 ohm range"
measures = ["resistance"]
resolution = "0.1 ohm"
accuracy = "±0.8 % + 3 digits"

[[bench.instrument]]
id = "screen"
title = "Clock readout on the screen"
measures = ["frequency"]
resolution = "0.1 MHz"
accuracy = "±0.1 MHz"   # the readout counts against the board's own crystal

[[bench.instrument]]
id = "frame-counter"
title = "Frame counter of the workload"
measures = ["frame rate"]
resolution = "0.1 fps"
accuracy = "±0.5 %"

# ----------------------------------------------------------------------
# One [[technician]] for each person. sign = true: may authorise certificates.
[[technician]]
id = "tech-1"
name = @PERSON@
sign = true
`
