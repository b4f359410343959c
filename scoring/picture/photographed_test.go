package picture

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"proveout/scoring/memory"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/raster"
	"proveout/scoring/picture/simulate"
)

// balanced is a photograph with the white balance of another camera.
func balanced(p *raster.RGB, gain [3]float64) *raster.RGB {
	for i, v := range p.Pix {
		p.Pix[i] = uint8(float64(v) * gain[i%3])
	}
	return p
}

// A camera sees every colour of the screen with all of its own. So one that is
// missing is none that is exchanged, and a channel that is weak may lack its top
// bit. Photographs by both cameras, with white balances from 0.6 to 1.
func TestPhotographsTellMissingColours(t *testing.T) {
	notUnderRace(t)
	rng := rand.New(rand.NewPCG(41, 42))
	m := small(pattern.RGB565)
	rounds, cases := 1, []simulate.Fault{
		{Kind: simulate.ChannelMissing, Channel: 0}, {Kind: simulate.ConverterBit, Channel: 1, Bit: 7},
	}
	if allChecks {
		rounds, cases = 3, append(cases, []simulate.Fault{
			{Kind: simulate.ChannelMissing, Channel: 1}, {Kind: simulate.ChannelMissing, Channel: 2},
			{Kind: simulate.ConverterBit, Channel: 0, Bit: 7, Amount: 1}, {Kind: simulate.ConverterBit, Channel: 2, Bit: 7},
			{Kind: simulate.ConverterBit, Channel: 1, Bit: 6}, {Kind: simulate.ChannelSwapped, Channel: 0},
			{Kind: simulate.ChannelSwapped, Channel: 1}, {}, {},
		}...)
	}
	clean := 0
	for i := range rounds {
		for k, ft := range cases {
			f := show(t, m, fmt.Sprintf("random-%d", 1+i))
			var faults []simulate.Fault
			if ft.Kind != "" {
				faults = append(faults, ft)
			}
			var p *raster.RGB
			if (i+k)%2 == 0 {
				c := camera(rng)
				c.PixelsPerPixel = 3.2
				p = photographed(t, f, wide, c, uint64(k), faults...)
			} else {
				c := anyTelephone(rng)
				if c.scale = 3.2; k%3 == 0 {
					c = c.trueTones(0.1)
				}
				p = c.shoot(t, captured(t, f, wide, simulate.Device{}, 1, faults...), rng.Uint64())
			}
			p = balanced(p, [3]float64{0.6 + 0.4*rng.Float64(), 1, 0.6 + 0.4*rng.Float64()})
			r := compared(t, f, p, Options{Memory: &wide, Route: Photograph})
			kinds := map[memory.Kind]int{}
			for _, found := range r.Findings {
				kinds[found.Kind]++
			}
			switch {
			case ft.Kind == "" && r.Faultless && len(r.Findings) == 0: // the low bits stay open in a photograph
				clean++
			case ft.Kind == "":
				t.Logf("clean: registered %v, %q", r.Registered, brief(r.Findings))
			case !r.Registered || r.Faultless || kinds[ft.Kind] != 1 || len(kinds) != 1:
				t.Errorf("%+v: registered %v, faultless %v, found %q", ft, r.Registered, r.Faultless, brief(r.Findings))
			}
		}
	}
	if allChecks && clean < 5 {
		t.Errorf("%d of 6 clean cards are without fault", clean)
	}
}
