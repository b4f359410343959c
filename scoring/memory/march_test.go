package memory_test

import (
	"maps"
	"slices"
	"strings"
	"testing"

	"proveout/scoring/memory"
)

// What each test is published to find, and its length: A. J. van de Goor,
// Testing Semiconductor Memories, 1991 (from memory). The counts are those of
// an independent exhaustive simulation on four one-bit cells, all contents
// before the test, both free orders. The decoder faults of that simulation are
// counted differently, so only "all" or "not all" is compared there.
var published = []struct {
	name                    string
	ops                     int
	claim                   string
	saf, tf, sof, cfin      int // of 8, 8, 4, 24
	cfid, cfst              int // of 48, 48
	decoder                 bool
	countsFromOutsideSource bool
}{
	{"MATS", 4, "SAF", 8, 4, 0, 12, 0, 24, false, true},
	{"MATS+", 5, "SAF AF", 8, 4, 1, 18, 18, 36, true, true},
	{"MATS++", 6, "SAF AF TF", 0, 0, 0, 0, 0, 0, true, false},
	{"March X", 6, "SAF AF TF CFin", 8, 8, 1, 24, 24, 36, true, true},
	{"March Y", 8, "SAF AF TF CFin", 0, 0, 0, 0, 0, 0, true, false},
	{"March C-", 10, "SAF AF TF CFin CFid CFst", 8, 8, 2, 24, 48, 48, true, true},
	{"March A", 15, "SAF AF TF CFin", 0, 0, 0, 0, 0, 0, true, false},
	{"March B", 17, "SAF AF TF SOF CFin CFid", 8, 8, 4, 24, 48, 48, true, true},
	{"March SS", 22, "SAF AF TF CFin CFid CFst", 8, 8, 2, 24, 48, 48, true, true},
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
		if m.OpsPerCell != p.ops {
			t.Errorf("%s: %d operations a cell, published %d", p.name, m.OpsPerCell, p.ops)
		}
		got, err := m.Coverage()
		if err != nil {
			t.Fatal(err)
		}
		for _, model := range memory.FaultModels() {
			all := got[model].Found == got[model].Of
			if all != slices.Contains(m.Detects, model) {
				t.Errorf("%s: finds %v of %s, but the table says all: %v", p.name, got[model], model, slices.Contains(m.Detects, model))
			}
			if slices.Contains(strings.Fields(p.claim), string(model)) && !all {
				t.Errorf("%s: published to find all %s, simulated %v", p.name, model, got[model])
			}
		}
		if (got[memory.AddressDecoder].Found == got[memory.AddressDecoder].Of) != p.decoder {
			t.Errorf("%s: decoder faults %v", p.name, got[memory.AddressDecoder])
		}
		want := map[memory.FaultModel]memory.Found{memory.StuckAt: {p.saf, 8}, memory.Transition: {p.tf, 8}, memory.StuckOpen: {p.sof, 4},
			memory.InversionCouple: {p.cfin, 24}, memory.IdempotentCouple: {p.cfid, 48}, memory.StateCouple: {p.cfst, 48}}
		delete(got, memory.AddressDecoder)
		if p.countsFromOutsideSource && !maps.Equal(got, want) {
			t.Errorf("%s: found %v, independent simulation %v", p.name, got, want)
		}
	}
}

func TestMarchNames(t *testing.T) {
	for spelling, want := range map[string]string{"march c-": "March C-", "MARCH C−": "March C-", "mats+": "MATS+", "MarchB": "March B", "C-": "March C-"} {
		if m, ok := memory.LookupMarch(spelling); !ok || m.Name != want {
			t.Errorf("%q: %q, %v; want %q", spelling, m.Name, ok, want)
		}
	}
	if _, ok := memory.LookupMarch("March Q"); ok {
		t.Error("March Q exists")
	}
	m, _ := memory.LookupMarch("MATS+")
	if s := m.Statement(); !strings.Contains(s, "can miss transition faults (TF)") {
		t.Error(s)
	}
	if _, err := (memory.MarchTest{Sequence: "sideways(r0)"}).Coverage(); err == nil {
		t.Error("a bad sequence is accepted")
	}
}

// The number of operations a cell is what the sequence holds.
func TestMarchLength(t *testing.T) {
	for _, m := range memory.MarchTests() {
		n := 0
		for _, part := range strings.Split(m.Sequence, ";") {
			n += strings.Count(part, ",") + 1
		}
		if n != m.OpsPerCell {
			t.Errorf("%s: %d operations in the sequence, %d stated", m.Name, n, m.OpsPerCell)
		}
	}
}
