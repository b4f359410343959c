package reading

// A Proof is what simulated cards showed a plan to let through on cards of a
// family: see package harness/simulated. It holds for these very texts of plan
// and family, and for the program that judged.
type Proof struct {
	Plan         string `json:"plan"` // id
	PlanSHA256   string `json:"plan_sha256"`
	Family       string `json:"family"` // id
	FamilySHA256 string `json:"family_sha256"`
	Variant      string `json:"variant,omitempty"`
	Bench        string `json:"bench"`
	Tool         string `json:"tool"` // name and version of the program
	Seed         uint32 `json:"seed"` // that gives the same cards again
	Good         Tried  `json:"good"`
	Gross        Tried  `json:"gross"` // cards with a gross fault
	Least        Tried  `json:"least"` // cards with a fault of the least size that the catalogue states
	Slips        Tried  `json:"slips"` // cards on a bench where something went wrong
}

// Tried is how many simulated cards there were, and how many were accepted.
type Tried struct {
	N        int `json:"n"`
	Accepted int `json:"accepted"`
}

// Of reports whether the proof is of these texts of plan and family, whose SHA-256
// are given, and by this program.
func (p *Proof) Of(plan, family, variant, tool string) bool {
	return p.PlanSHA256 == plan && p.FamilySHA256 == family && p.Variant == variant && p.Tool == tool
}
