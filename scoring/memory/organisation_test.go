package memory_test

import (
	"errors"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"proveout/plans/fact"
	"proveout/scoring/memory"
)

func drawOrganisation(t *rapid.T) memory.Organisation {
	b := board{
		chipBits: rapid.SampledFrom([]int{4, 8, 16, 32}).Draw(t, "chip bits"),
		bus:      rapid.SampledFrom([]int{32, 64, 128}).Draw(t, "bus"),
		banks:    rapid.IntRange(1, 3).Draw(t, "banks"),
		words:    rapid.SampledFrom([]int64{256, 1000, 4096}).Draw(t, "words"),
	}
	return b.organisation()
}

func TestLocateAddressInverse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o := drawOrganisation(t)
		addr := rapid.Int64Range(0, o.Bytes()-1).Draw(t, "addr")
		bit := rapid.IntRange(0, 7).Draw(t, "bit")
		p, ok := o.Locate(addr, bit)
		if !ok {
			t.Fatalf("address %d of %d not found", addr, o.Bytes())
		}
		if a, b := o.Address(p); a != addr || b != bit {
			t.Fatalf("address %d bit %d is at %+v, which is address %d bit %d", addr, bit, p, a, b)
		}
		if o.Designator(p.Bank, p.Chip) != p.Designator {
			t.Fatalf("designator %q", p.Designator)
		}
	})
}

func TestImpossibleOrganisations(t *testing.T) {
	sound := boards[0].organisation()
	if err := sound.Check(); err != nil {
		t.Error(err)
	}
	for _, tt := range []struct {
		change func(o *memory.Organisation)
		key    string
	}{
		{func(o *memory.Organisation) { o.Words = 0 }, "memory.impossible-depth"},
		{func(o *memory.Organisation) { o.ChipBits = 1 }, "memory.impossible-chip"},
		{func(o *memory.Organisation) { o.ChipBits = 0 }, "memory.impossible-chip"},
		{func(o *memory.Organisation) { o.BusBits = 4096 }, "memory.impossible-bus"},
		{func(o *memory.Organisation) { o.BusBits = 40 }, "memory.impossible-bus"},
		{func(o *memory.Organisation) { o.ColumnBits = 31 }, "memory.impossible-columns"},
		{func(o *memory.Organisation) { o.Banks = nil }, "memory.impossible-banks"},
		{func(o *memory.Organisation) { o.Banks = []memory.Bank{{Designators: []string{"U1"}}} }, "memory.impossible-bank"},
	} {
		o := sound
		tt.change(&o)
		var why fact.Error
		if !errors.As(o.Check(), &why) || !strings.Contains(why.Error(), tt.key) {
			t.Errorf("%+v: %v, want %s", o, why, tt.key)
		}
	}
}
