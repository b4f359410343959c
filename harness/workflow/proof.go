package workflow

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"

	"proveout/harness/job"
	"proveout/harness/reading"
	"proveout/plans"
	"proveout/report/content"
)

// proofsDir holds what plans were proved to let through, one file for each plan,
// family and variant.
const proofsDir = "proofs"

// proofFile is the file of a proof in the shop.
func (s *Shop) proofFile(plan, family, variant string) string {
	name := strings.Trim(strings.Join([]string{plan, family, variant}, "."), ".")
	return filepath.Join(s.Dir, proofsDir, name+".json")
}

// KeepProof keeps a proof in the shop, in the place of an earlier one, and returns
// its file.
func (s *Shop) KeepProof(p *reading.Proof) (string, error) {
	data, err := json.MarshalIndent(p, "", "  ")
	if err != nil {
		return "", err
	}
	path := s.proofFile(p.Plan, p.Family, p.Variant)
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return "", err
	}
	return path, job.WriteFile(path, append(data, '\n'), job.ReplaceExisting)
}

// proofOf is the shop's proof of a plan for a family; nil where it has none of
// these very texts by this program.
func (s *Shop) proofOf(plan *plans.Plan, family *plans.Family) *reading.Proof {
	data, err := ReadTyped(s.proofFile(plan.ID, family.ID, family.Variant))
	if err != nil {
		return nil
	}
	var p reading.Proof
	if json.Unmarshal(data, &p) != nil {
		return nil
	}
	if !p.Of(content.Digest([]byte(plan.Source)), content.Digest([]byte(family.Source)), family.Variant, Tool) {
		return nil
	}
	return &p
}
