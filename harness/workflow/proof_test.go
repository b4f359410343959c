package workflow

import (
	"os"
	"testing"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/report/content"
)

// A proof counts for the very texts of plan and family that it was made with, and
// for the program that judged.
func TestProofOfTheseTexts(t *testing.T) {
	shop := &Shop{Dir: t.TempDir()}
	plan := &plans.Plan{ID: "full", Source: "a plan"}
	family := &plans.Family{ID: "lanternfish", Variant: "137", Source: "a family"}
	made := reading.Proof{
		Plan: "full", PlanSHA256: content.Digest([]byte("a plan")), Family: "lanternfish", Variant: "137",
		FamilySHA256: content.Digest([]byte("a family")), Tool: Tool, Seed: 1, Good: reading.Tried{N: 500, Accepted: 490},
	}
	if shop.proofOf(plan, family) != nil {
		t.Error("a proof where none was kept")
	}
	for _, tt := range []struct {
		what   string
		change func(*reading.Proof)
		counts bool
	}{
		{"the same", func(*reading.Proof) {}, true},
		{"another plan of that name", func(p *reading.Proof) { p.PlanSHA256 = content.Digest([]byte("changed")) }, false},
		{"another family of that name", func(p *reading.Proof) { p.FamilySHA256 = content.Digest(nil) }, false},
		{"another program", func(p *reading.Proof) { p.Tool = "proveout 0.9.0" }, false},
	} {
		p := made
		tt.change(&p)
		if _, err := shop.KeepProof(&p); err != nil {
			t.Fatal(err)
		}
		got := shop.proofOf(plan, family)
		if (got != nil) != tt.counts || got != nil && *got != p {
			t.Errorf("%s: %+v", tt.what, got)
		}
	}
	path, _ := shop.KeepProof(&made)
	if err := os.WriteFile(path, []byte("{torn"), 0o644); err != nil {
		t.Fatal(err)
	}
	if shop.proofOf(plan, family) != nil {
		t.Error("a torn proof counts")
	}
}
