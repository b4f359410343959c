package memory

import (
	"fmt"
	"strings"
)

// A FaultModel is a class of functional memory faults, named as in A. J. van
// de Goor, Testing Semiconductor Memories, 1991 (from memory).
type FaultModel string

// The classical fault models.
const (
	StuckAt          FaultModel = "SAF"  // a cell is always 0 or always 1
	AddressDecoder   FaultModel = "AF"   // an address reaches no cell, another cell or several
	Transition       FaultModel = "TF"   // a cell cannot rise, or cannot fall
	StuckOpen        FaultModel = "SOF"  // a cell cannot be reached; the sense amplifier repeats itself
	InversionCouple  FaultModel = "CFin" // a transition of one cell inverts another
	IdempotentCouple FaultModel = "CFid" // a transition of one cell sets another to 0 or 1
	StateCouple      FaultModel = "CFst" // a state of one cell holds another at 0 or 1
)

// FaultModels lists the models in the usual order.
func FaultModels() []FaultModel {
	return []FaultModel{StuckAt, AddressDecoder, Transition, StuckOpen, InversionCouple, IdempotentCouple, StateCouple}
}

// Words returns the model in words.
func (m FaultModel) Words() string {
	switch m {
	case StuckAt:
		return "stuck-at faults"
	case AddressDecoder:
		return "address decoder faults"
	case Transition:
		return "transition faults"
	case StuckOpen:
		return "stuck-open faults"
	case InversionCouple:
		return "inversion coupling"
	case IdempotentCouple:
		return "idempotent coupling"
	case StateCouple:
		return "state coupling"
	}
	return string(m)
}

// A MarchTest is a march test: a sequence of elements, each of which runs its
// operations on every cell before the next begins.
type MarchTest struct {
	Name       string
	Sequence   string       // "any(w0);up(r0,w1);down(r1,w0)"
	OpsPerCell int          // operations a cell: the n of "10n"
	Detects    []FaultModel // every unlinked fault of the model is found, whatever the memory held before
	Note       string
}

// Misses lists the models of which the test can miss faults.
func (m MarchTest) Misses() []FaultModel {
	var out []FaultModel
	for _, f := range FaultModels() {
		if !contains(m.Detects, f) {
			out = append(out, f)
		}
	}
	return out
}

func contains(list []FaultModel, f FaultModel) bool {
	for _, x := range list {
		if x == f {
			return true
		}
	}
	return false
}

// Statement says in a sentence or two what the test can and cannot show.
func (m MarchTest) Statement() string {
	words := func(list []FaultModel) string {
		var s []string
		for _, f := range list {
			s = append(s, f.Words()+" ("+string(f)+")")
		}
		return strings.Join(s, ", ")
	}
	out := fmt.Sprintf("%s (%dn) finds all %s.", m.Name, m.OpsPerCell, words(m.Detects))
	if missed := m.Misses(); len(missed) > 0 {
		out += " It can miss " + words(missed) + "."
	}
	if m.Note != "" {
		out += " " + m.Note
	}
	return out + " No march test shows data retention unless it waits between its elements, nor faults that depend on temperature, timing or a pattern of neighbours."
}

// MarchTests returns the tests that a plan can name. Sequences and lengths:
// A. J. van de Goor, Testing Semiconductor Memories, 1991, chapter 4, and for
// March SS: S. Hamdioui, A. J. van de Goor and M. Rodgers, "March SS: a test
// for all static simple RAM faults", 2002 (both from memory). What each finds
// is the result of exhaustive simulation, see [MarchTest.Coverage].
func MarchTests() []MarchTest {
	all := FaultModels()
	return []MarchTest{
		{"MATS", "any(w0);any(r0,w1);any(r1)", 4, []FaultModel{StuckAt}, "It finds address decoder faults only where several cells answer as wired-or."},
		{"MATS+", "any(w0);up(r0,w1);down(r1,w0)", 5, []FaultModel{StuckAt, AddressDecoder}, ""},
		{"MATS++", "any(w0);up(r0,w1);down(r1,w0,r0)", 6, []FaultModel{StuckAt, AddressDecoder, Transition, StuckOpen}, ""},
		{"March X", "any(w0);up(r0,w1);down(r1,w0);any(r0)", 6, []FaultModel{StuckAt, AddressDecoder, Transition, InversionCouple}, ""},
		{"March Y", "any(w0);up(r0,w1,r1);down(r1,w0,r0);any(r0)", 8, []FaultModel{StuckAt, AddressDecoder, Transition, StuckOpen, InversionCouple}, "It also finds transition faults linked with inversion coupling."},
		{"March C-", "any(w0);up(r0,w1);up(r1,w0);down(r0,w1);down(r1,w0);any(r0)", 10,
			[]FaultModel{StuckAt, AddressDecoder, Transition, InversionCouple, IdempotentCouple, StateCouple}, ""},
		{"March A", "any(w0);up(r0,w1,w0,w1);up(r1,w0,w1);down(r1,w0,w1,w0);down(r0,w1,w0)", 15,
			[]FaultModel{StuckAt, AddressDecoder, Transition, InversionCouple, IdempotentCouple, StateCouple}, "It is made for linked idempotent coupling."},
		{"March B", "any(w0);up(r0,w1,r1,w0,r0,w1);up(r1,w0,w1);down(r1,w0,w1,w0);down(r0,w1,w0)", 17, all, "It also finds linked transition and idempotent coupling faults."},
		{"March SS", "any(w0);up(r0,r0,w0,r0,w1);up(r1,r1,w1,r1,w0);down(r0,r0,w0,r0,w1);down(r1,r1,w1,r1,w0);any(r0)", 22,
			[]FaultModel{StuckAt, AddressDecoder, Transition, InversionCouple, IdempotentCouple, StateCouple}, "It finds all static simple faults of one and two cells."},
	}
}

// LookupMarch finds a march test by name; case, spaces and the kind of minus
// sign do not matter.
func LookupMarch(name string) (MarchTest, bool) {
	plain := func(s string) string {
		s = strings.ToLower(strings.NewReplacer("−", "-", "–", "-", " ", "", "_", "").Replace(s))
		return strings.TrimPrefix(s, "march")
	}
	for _, m := range MarchTests() {
		if plain(m.Name) == plain(name) {
			return m, true
		}
	}
	return MarchTest{}, false
}

// marchElement is one element of a march test.
type marchElement struct {
	order byte // '^' up, 'v' down, '*' either
	ops   []marchOp
}

type marchOp struct {
	write bool
	value byte
}

// parseMarch reads a sequence such as "any(w0);up(r0,w1)".
func parseMarch(sequence string) ([]marchElement, error) {
	var out []marchElement
	for _, part := range strings.Split(sequence, ";") {
		name, rest, ok := strings.Cut(strings.TrimSpace(part), "(")
		list, closed := strings.CutSuffix(rest, ")")
		order := map[string]byte{"any": '*', "up": '^', "down": 'v'}[name]
		if !ok || !closed || order == 0 {
			return nil, fmt.Errorf("march element %q is not any(…), up(…) or down(…)", part)
		}
		e := marchElement{order: order}
		for _, op := range strings.Split(list, ",") {
			op = strings.TrimSpace(op)
			if len(op) != 2 || (op[0] != 'r' && op[0] != 'w') || (op[1] != '0' && op[1] != '1') {
				return nil, fmt.Errorf("march operation %q is not r0, r1, w0 or w1", op)
			}
			e.ops = append(e.ops, marchOp{op[0] == 'w', op[1] - '0'})
		}
		out = append(out, e)
	}
	return out, nil
}
