package bus

import (
	"encoding/binary"
	"math/bits"
)

// PowerManagement is the PCI power management capability (PCI Bus Power
// Management Interface Specification 1.2).
type PowerManagement struct {
	Version int      `json:"version"`
	D1      bool     `json:"d1"`
	D2      bool     `json:"d2"`
	State   string   `json:"state"`       // "D0" to "D3hot"
	PME     []string `json:"pme_support"` // states in which a power event can be raised
}

func (d *Device) powerManagement(b []byte, at int) {
	if at+8 > len(b) {
		d.note("the power management capability is cut off")
		return
	}
	caps := binary.LittleEndian.Uint16(b[at+2:])
	pm := &PowerManagement{Version: int(caps & 7), D1: caps&0x200 != 0, D2: caps&0x400 != 0, PME: []string{},
		State: [...]string{"D0", "D1", "D2", "D3hot"}[b[at+4]&3]}
	for i, s := range []string{"D0", "D1", "D2", "D3hot", "D3cold"} {
		if caps>>(11+uint(i))&1 == 1 {
			pm.PME = append(pm.PME, s)
		}
	}
	d.PowerManagement = pm
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
	Over4G       bool   `json:"over_4g"`
	Isochronous  bool   `json:"isochronous"`
	Calibration  int    `json:"calibration_cycle"`

	Enabled          bool `json:"enabled"`
	EnabledRate      int  `json:"enabled_rate"` // 0: none chosen
	EnabledSideband  bool `json:"enabled_sideband"`
	EnabledFastWrite bool `json:"enabled_fast_write"`
	EnabledDepth     int  `json:"enabled_depth"`

	StatusRaw  uint32 `json:"status_raw"`
	CommandRaw uint32 `json:"command_raw"`
}

// agpRates turns rate bits into rates. In AGP 3.0 mode bit 0 means 4x and bit
// 1 means 8x.
func agpRates(v uint32, agp3 bool) []int {
	out := []int{}
	unit := 1
	if agp3 {
		unit = 4
		v &= 3
	}
	for i := range 3 {
		if v>>uint(i)&1 == 1 {
			out = append(out, unit<<uint(i))
		}
	}
	return out
}

func (d *Device) agp(b []byte, at int) {
	if at+12 > len(b) {
		d.note("the AGP capability is cut off")
		return
	}
	if d.AGP != nil {
		d.note("a second AGP capability stands at 0x%02x", at)
		return
	}
	status, command := binary.LittleEndian.Uint32(b[at+4:]), binary.LittleEndian.Uint32(b[at+8:])
	v := b[at+2]
	a := &AGP{Version: string([]byte{'0' + min(v>>4, 9), '.', '0' + min(v&15, 9)}), StatusRaw: status, CommandRaw: command}
	a.AGP3 = v>>4 >= 3 && status&8 != 0
	a.Rates = agpRates(status, a.AGP3)
	a.RequestDepth = int(status>>24) + 1
	a.Sideband, a.FastWrite, a.Over4G = status&0x200 != 0, status&0x10 != 0, status&0x20 != 0
	if v>>4 >= 3 {
		a.Isochronous, a.Calibration = status&0x10000 != 0, int(status>>10&7)
	}
	a.Enabled = command&0x100 != 0
	a.EnabledSideband, a.EnabledFastWrite, a.EnabledDepth = command&0x200 != 0, command&0x10 != 0, int(command>>24)+1
	chosen := agpRates(command, a.AGP3)
	if len(chosen) > 0 {
		a.EnabledRate = chosen[len(chosen)-1]
	}
	if len(chosen) > 1 {
		d.note("the AGP command register selects more than one rate")
	}
	if len(a.Rates) == 0 {
		d.note("the AGP status register offers no rate")
	}
	d.AGP = a
}

// Express is the PCI Express capability: what the link could do and what it
// does (PCI Express Base Specification, link capabilities and link status).
type Express struct {
	Version     int     `json:"version"`
	Type        string  `json:"type"`
	MaxWidth    int     `json:"max_width"`     // lanes the device offers
	MaxSpeedGT  float64 `json:"max_speed_gt"`  // GT/s
	Width       int     `json:"width"`         // lanes in use
	SpeedGT     float64 `json:"speed_gt"`      // GT/s in use
	SpeedCode   int     `json:"speed_code"`    // as the register holds it
	LinkCapRaw  uint32  `json:"link_cap_raw"`  // register at +0x0c
	LinkStatRaw uint16  `json:"link_stat_raw"` // register at +0x12
}

// linkSpeed returns the speed of a code in GT/s, 0 when unknown.
func linkSpeed(code int) float64 {
	if code < 1 || code > 6 {
		return 0
	}
	return [...]float64{2.5, 5, 8, 16, 32, 64}[code-1]
}

func expressType(code uint16) string {
	switch code {
	case 0:
		return "endpoint"
	case 1:
		return "legacy endpoint"
	case 4:
		return "root port"
	case 5:
		return "upstream port"
	case 6:
		return "downstream port"
	case 7:
		return "bridge to PCI"
	case 8:
		return "bridge from PCI"
	case 9:
		return "root complex integrated endpoint"
	case 10:
		return "root complex event collector"
	}
	return "unknown"
}

func (d *Device) express(b []byte, at int) {
	if at+0x14 > len(b) {
		d.note("the PCI Express capability is cut off")
		return
	}
	if d.Express != nil {
		d.note("a second PCI Express capability stands at 0x%02x", at)
		return
	}
	le := binary.LittleEndian
	flags, link, status := le.Uint16(b[at+2:]), le.Uint32(b[at+0xc:]), le.Uint16(b[at+0x12:])
	e := &Express{Version: int(flags & 15), Type: expressType(flags >> 4 & 15), LinkCapRaw: link, LinkStatRaw: status,
		MaxWidth: int(link >> 4 & 63), MaxSpeedGT: linkSpeed(int(link & 15)),
		Width: int(status >> 4 & 63), SpeedCode: int(status & 15), SpeedGT: linkSpeed(int(status & 15))}
	for _, w := range []int{e.MaxWidth, e.Width} {
		if w != 0 && bits.OnesCount(uint(w)) != 1 && w != 12 {
			d.note("a link of %d lanes does not exist", w)
		}
	}
	d.Express = e
}
