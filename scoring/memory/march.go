package memory

import (
	"slices"
	"strings"

	"proveout/plans/fact"
)

// A FaultModel is a class of functional memory faults, by the abbreviations of
// A. J. van de Goor, Testing Semiconductor Memories, 1991 (from memory).
type FaultModel string

// The classical fault models.
const (
	StuckAt          FaultModel = "saf"  // a cell is always 0 or always 1
	AddressDecoder   FaultModel = "af"   // an address reaches no cell, another cell or several
	Transition       FaultModel = "tf"   // a cell cannot rise, or cannot fall
	StuckOpen        FaultModel = "sof"  // a cell cannot be reached; the sense amplifier repeats itself
	InversionCouple  FaultModel = "cfin" // a transition of one cell inverts another
	IdempotentCouple FaultModel = "cfid" // a transition of one cell sets another to 0 or 1
	StateCouple      FaultModel = "cfst" // a state of one cell holds another at 0 or 1
)

// FaultModels lists the models in the usual order.
func FaultModels() []FaultModel {
	return []FaultModel{StuckAt, AddressDecoder, Transition, StuckOpen, InversionCouple, IdempotentCouple, StateCouple}
}

// A MarchTest is a march test: a sequence of elements, each of which runs its
// operations on every cell before the next begins.
type MarchTest struct {
	Name       string
	OpsPerCell int          // operations a cell: the n of "10n"
	Detects    []FaultModel // every unlinked fault of the model is found, whatever the memory held before
	Note       fact.Fact    // what else it finds, or where it does not; may say nothing
}

// Statement says what the test can and cannot show.
func (m MarchTest) Statement() fact.Fact {
	var found, missed []fact.Fact
	for _, model := range FaultModels() {
		name := fact.New("memory.model." + string(model))
		if slices.Contains(m.Detects, model) {
			found = append(found, name)
		} else {
			missed = append(missed, name)
		}
	}
	models := fact.ListOf(fact.Comma, found)
	said := []fact.Fact{fact.New("memory.march-finds", "test", m.Name, "length", m.OpsPerCell, "models", models)}
	if len(missed) > 0 {
		said = append(said, fact.New("memory.march-misses", "models", fact.ListOf(fact.Comma, missed)))
	}
	if !m.Note.IsZero() {
		said = append(said, m.Note)
	}
	said = append(said, fact.New("memory.march-limits"))
	return fact.New("memory.march", "said", said)
}

// MarchTests returns the tests that a plan can name. Lengths: A. J. van de
// Goor, Testing Semiconductor Memories, 1991, chapter 4, and for March SS: S.
// Hamdioui, A. J. van de Goor and M. Rodgers, "March SS: a test for all static
// simple RAM faults", 2002 (both from memory). What each finds is the result
// of an exhaustive simulation of its sequence, which the tests of this package
// repeat.
func MarchTests() []MarchTest {
	static := []FaultModel{StuckAt, AddressDecoder, Transition, InversionCouple, IdempotentCouple, StateCouple}
	return []MarchTest{
		{"MATS", 4, []FaultModel{StuckAt}, fact.New("memory.march-note-wired-or")},
		{"MATS+", 5, []FaultModel{StuckAt, AddressDecoder}, fact.Fact{}},
		{"MATS++", 6, []FaultModel{StuckAt, AddressDecoder, Transition, StuckOpen}, fact.Fact{}},
		{"March X", 6, []FaultModel{StuckAt, AddressDecoder, Transition, InversionCouple}, fact.Fact{}},
		{"March Y", 8, []FaultModel{StuckAt, AddressDecoder, Transition, StuckOpen, InversionCouple},
			fact.New("memory.march-note-transition-inversion")},
		{"March C-", 10, static, fact.Fact{}},
		{"March A", 15, static, fact.New("memory.march-note-linked-idempotent")},
		{"March B", 17, FaultModels(), fact.New("memory.march-note-linked-transition")},
		{"March SS", 22, static, fact.New("memory.march-note-static")},
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
