package bus

import (
	"encoding/binary"
	"fmt"
	"math/bits"

	"proveout/plans/fact"
)

// Capabilities that are decoded.
const (
	powerManagementID = 0x01
	agpID             = 0x02
	expressID         = 0x10
)

// PowerManagement is the PCI power management capability (PCI Bus Power
// Management Interface Specification 1.2).
type PowerManagement struct {
	Version int    `json:"version"`
	State   string `json:"state"` // "D0" to "D3hot"
}

// powerManagement reads the capability that begins at b.
func (d *Device) powerManagement(b []byte) {
	if len(b) < 8 {
		d.note(fact.New("bus.power-cut-off"))
		return
	}
	states := [...]string{"D0", "D1", "D2", "D3hot"}
	d.PowerManagement = &PowerManagement{Version: int(b[2] & 7), State: states[b[4]&3]}
}

// AGP is the accelerated graphics port capability (AGP Interface Specification
// 2.0 section 6.1, 3.0 section 6; from memory, bits as in the public register
// lists).
type AGP struct {
	Version      string `json:"version"`
	Rates        []int  `json:"rates"`         // offered: 1, 2, 4, 8
	AGP3         bool   `json:"agp3_mode"`     // the rate bits mean 4x and 8x
	RequestDepth int    `json:"request_depth"` // requests the card can hold
	Sideband     bool   `json:"sideband"`
	FastWrite    bool   `json:"fast_write"`

	Enabled          bool `json:"enabled"`
	EnabledRate      int  `json:"enabled_rate"` // 0: none chosen
	EnabledSideband  bool `json:"enabled_sideband"`
	EnabledFastWrite bool `json:"enabled_fast_write"`
}

// agpRates turns rate bits into rates. In AGP 3.0 mode bit 0 means 4x and bit
// 1 means 8x.
func agpRates(v uint32, agp3 bool) []int {
	rates := []int{}
	slowest := 1
	if agp3 {
		slowest = 4
		v &= 3
	}
	for i := range 3 {
		if v>>uint(i)&1 == 1 {
			rates = append(rates, slowest<<uint(i))
		}
	}
	return rates
}

// agp reads the capability that begins at b, at an offset of the dump.
func (d *Device) agp(b []byte, at byte) {
	if len(b) < 12 {
		d.note(fact.New("bus.agp-cut-off"))
		return
	}
	if d.AGP != nil {
		d.note(fact.New("bus.second-agp", "at", hex8(at)))
		return
	}
	status, command := binary.LittleEndian.Uint32(b[4:]), binary.LittleEndian.Uint32(b[8:])
	major, minor := b[2]>>4, b[2]&15
	a := &AGP{
		Version:      fmt.Sprintf("%d.%d", min(major, 9), min(minor, 9)),
		AGP3:         major >= 3 && status&8 != 0,
		RequestDepth: int(status>>24) + 1,
		Sideband:     status&0x200 != 0,
		FastWrite:    status&0x10 != 0,

		Enabled:          command&0x100 != 0,
		EnabledSideband:  command&0x200 != 0,
		EnabledFastWrite: command&0x10 != 0,
	}
	a.Rates = agpRates(status, a.AGP3)
	chosen := agpRates(command, a.AGP3)
	if len(chosen) > 0 {
		a.EnabledRate = chosen[len(chosen)-1]
	}
	if len(chosen) > 1 {
		d.note(fact.New("bus.agp-several-rates"))
	}
	if len(a.Rates) == 0 {
		d.note(fact.New("bus.agp-no-rate"))
	}
	d.AGP = a
}

// Express is the PCI Express capability: what the link could do and what it
// does (PCI Express Base Specification, link capabilities and link status).
type Express struct {
	MaxWidth   int     `json:"max_width"`    // lanes the device offers
	MaxSpeedGT float64 `json:"max_speed_gt"` // GT/s
	Width      int     `json:"width"`        // lanes in use
	SpeedGT    float64 `json:"speed_gt"`     // GT/s in use
}

// Link says on which bus the device sits and the rate that its link runs at, in
// the words of a family file; empty where the dump does not say.
func (d *Device) Link() (kind, rate string) {
	switch {
	case d.AGP != nil:
		if d.AGP.Enabled && d.AGP.EnabledRate > 0 {
			rate = fmt.Sprintf("%dx", d.AGP.EnabledRate)
		}
		return "AGP", rate
	case d.Express != nil:
		if d.Express.Width > 0 {
			rate = fmt.Sprintf("x%d", d.Express.Width)
		}
		return "PCIe", rate
	case d.DumpBytes >= 256:
		return "PCI", ""
	}
	return "", "" // the header alone does not say
}

// linkSpeed returns the speed of a code in GT/s, 0 when unknown.
func linkSpeed(code int) float64 {
	if code < 1 || code > 6 {
		return 0
	}
	return [...]float64{2.5, 5, 8, 16, 32, 64}[code-1]
}

// express reads the capability that begins at b, at an offset of the dump.
func (d *Device) express(b []byte, at byte) {
	if len(b) < 0x14 {
		d.note(fact.New("bus.express-cut-off"))
		return
	}
	if d.Express != nil {
		d.note(fact.New("bus.second-express", "at", hex8(at)))
		return
	}
	link, status := binary.LittleEndian.Uint32(b[0xc:]), binary.LittleEndian.Uint16(b[0x12:])
	e := &Express{
		MaxWidth:   int(link >> 4 & 63),
		MaxSpeedGT: linkSpeed(int(link & 15)),
		Width:      int(status >> 4 & 63),
		SpeedGT:    linkSpeed(int(status & 15)),
	}
	for _, lanes := range []int{e.MaxWidth, e.Width} {
		if lanes != 0 && bits.OnesCount(uint(lanes)) != 1 && lanes != 12 {
			d.note(fact.New("bus.no-such-width", "n", lanes))
		}
	}
	d.Express = e
}
