package memory_test

import (
	"maps"
	"slices"
	"strings"
	"testing"

	"proveout/scoring/memory"
)

// The tests with their sequences, their lengths, and what each is published to
// find: A. J. van de Goor, Testing Semiconductor Memories, 1991, and for March
// SS Hamdioui, van de Goor and Rodgers, 2002 (from memory). The counts are
// those of an independent exhaustive simulation on four one-bit cells, all
// contents before the test, both free orders; 0 where it was not run. The
// decoder faults of that simulation are counted differently, so only "all" or
// "not all" is compared there.
var published = []struct {
	name             string
	ops              int
	claim            string
	saf, tf, sof     int // of 8, 8, 4
	cfin, cfid, cfst int // of 24, 48, 48
	decoder          bool
	sequence         string
}{
	{"MATS", 4, "saf", 8, 4, 0, 12, 0, 24, false,
		"any(w0);any(r0,w1);any(r1)"},
	{"MATS+", 5, "saf af", 8, 4, 1, 18, 18, 36, true,
		"any(w0);up(r0,w1);down(r1,w0)"},
	{"MATS++", 6, "saf af tf", 0, 0, 0, 0, 0, 0, true,
		"any(w0);up(r0,w1);down(r1,w0,r0)"},
	{"March X", 6, "saf af tf cfin", 8, 8, 1, 24, 24, 36, true,
		"any(w0);up(r0,w1);down(r1,w0);any(r0)"},
	{"March Y", 8, "saf af tf cfin", 0, 0, 0, 0, 0, 0, true,
		"any(w0);up(r0,w1,r1);down(r1,w0,r0);any(r0)"},
	{"March C-", 10, "saf af tf cfin cfid cfst", 8, 8, 2, 24, 48, 48, true,
		"any(w0);up(r0,w1);up(r1,w0);down(r0,w1);down(r1,w0);any(r0)"},
	{"March A", 15, "saf af tf cfin", 0, 0, 0, 0, 0, 0, true,
		"any(w0);up(r0,w1,w0,w1);up(r1,w0,w1);down(r1,w0,w1,w0);down(r0,w1,w0)"},
	{"March B", 17, "saf af tf sof cfin cfid", 8, 8, 4, 24, 48, 48, true,
		"any(w0);up(r0,w1,r1,w0,r0,w1);up(r1,w0,w1);down(r1,w0,w1,w0);down(r0,w1,w0)"},
	{"March SS", 22, "saf af tf cfin cfid cfst", 8, 8, 2, 24, 48, 48, true,
		"any(w0);up(r0,r0,w0,r0,w1);up(r1,r1,w1,r1,w0);down(r0,r0,w0,r0,w1);down(r1,r1,w1,r1,w0);any(r0)"},
}

func TestMarchCoverage(t *testing.T) {
	if len(published) != len(memory.MarchTests()) {
		t.Errorf("%d tests, %d published rows", len(memory.MarchTests()), len(published))
	}
	for _, p := range published {
		m, ok := memory.LookupMarch(p.name)
		if !ok {
			t.Errorf("no test %q", p.name)
			continue
		}
		if n := strings.Count(p.sequence, "0") + strings.Count(p.sequence, "1"); m.OpsPerCell != p.ops || n != p.ops {
			t.Errorf("%s: %d operations a cell, published %d, in the sequence %d", p.name, m.OpsPerCell, p.ops, n)
		}
		got := coverage(t, p.sequence)
		for _, model := range memory.FaultModels() {
			all := got[model].found == got[model].of
			if all != slices.Contains(m.Detects, model) {
				t.Errorf("%s: finds %v of %s, but says all: %v", p.name, got[model], model, !all)
			}
			if slices.Contains(strings.Fields(p.claim), string(model)) && !all {
				t.Errorf("%s: published to find all %s, simulated %v", p.name, model, got[model])
			}
		}
		if (got[memory.AddressDecoder].found == got[memory.AddressDecoder].of) != p.decoder {
			t.Errorf("%s: decoder faults %v", p.name, got[memory.AddressDecoder])
		}
		want := map[memory.FaultModel]tallied{
			memory.StuckAt: {p.saf, 8}, memory.Transition: {p.tf, 8}, memory.StuckOpen: {p.sof, 4},
			memory.InversionCouple: {p.cfin, 24}, memory.IdempotentCouple: {p.cfid, 48}, memory.StateCouple: {p.cfst, 48},
		}
		delete(got, memory.AddressDecoder)
		if p.saf > 0 && !maps.Equal(got, want) {
			t.Errorf("%s: found %v, independent simulation %v", p.name, got, want)
		}
	}
}

func TestMarchNames(t *testing.T) {
	for spelling, want := range map[string]string{
		"march c-": "March C-", "MARCH C−": "March C-", "mats+": "MATS+", "MarchB": "March B", "C-": "March C-",
	} {
		if m, ok := memory.LookupMarch(spelling); !ok || m.Name != want {
			t.Errorf("%q: %q, %v; want %q", spelling, m.Name, ok, want)
		}
	}
	if _, ok := memory.LookupMarch("March Q"); ok {
		t.Error("March Q exists")
	}
}
