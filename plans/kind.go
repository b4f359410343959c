package plans

import (
	"cmp"
	"maps"
	"slices"
	"strings"
	"sync"

	"proveout/plans/document"
)

// A Kind selects what a step does and how it is judged. Each is declared in a
// file of its own.
type Kind string

// A Declaration says what a kind of step is.
type Declaration struct {
	Kind     Kind
	Position int    // among the kinds, in the order of the bench
	What     string // for the reference text
	Powered  bool   // the card has power during the step
	Files    Files  // what can be imported for it
	Columns  []string
	New      func() Spec // the values of a step that says nothing
}

// Files is what kind of file a step takes as evidence.
type Files string

// The kinds of file that a step may take.
const (
	NoFiles     Files = ""
	Logs        Files = "logs"         // with one of [Declaration.Columns]
	FailingList Files = "failing list" // of memory addresses
	BusDump     Files = "bus dump"     // of configuration space
	Captures    Files = "captures"     // of the picture
)

// A Spec is what a step of one kind says beside what all steps say: a pointer to
// the kind's own struct.
type Spec interface {
	keys() []key                   // bound to the fields of the struct
	check(s *section)              // finds what contradicts itself
	against(x *crossCheck)         // finds what a family lacks
	fields(family *Family) []Field // the readings it asks for
}

// unchecked is for kinds that ask nothing of plan or family.
type unchecked struct{}

func (unchecked) check(*section)      {}
func (unchecked) against(*crossCheck) {}

var kinds = map[Kind]Declaration{}

// declare makes a kind known. It is called by the file of the kind.
func declare(d Declaration) bool {
	kinds[d.Kind] = d
	return true
}

// Kinds returns all kinds of step in the order of the bench.
func Kinds() []Declaration {
	out := make([]Declaration, 0, len(kinds))
	for _, d := range kinds {
		out = append(out, d)
	}
	slices.SortFunc(out, func(a, b Declaration) int {
		return cmp.Or(cmp.Compare(a.Position, b.Position), cmp.Compare(a.Kind, b.Kind))
	})
	return out
}

// Declared returns what the kind is.
func (k Kind) Declared() Declaration { return kinds[k] }

// Files is what kind of file a step of this kind takes.
func (k Kind) Files() Files { return kinds[k].Files }

// Powered reports whether the card has power during a step of this kind.
func (k Kind) Powered() bool { return kinds[k].Powered }

// SpecOf returns what a step says as one of its kind; empty values when the step
// is of another kind.
func SpecOf[T any](step *Step) *T {
	if spec, ok := any(step.Spec).(*T); ok {
		return spec
	}
	return new(T)
}

// kindKey is the key that selects the kind of a step, whose own keys it reads.
func kindKey(st *Step) key {
	names := NamesOf(Kinds(), func(d Declaration) string { return string(d.Kind) })
	word := document.Word((*string)(&st.Kind), names...)
	read := func(s *section, name string, v *document.Value) {
		word.Read(s, name, v)
		if st.Kind != "" {
			st.Spec = st.Kind.Declared().New()
			s.Read(st.Spec.keys())
		}
	}
	return key{Name: "kind", To: document.Own("word", read, func() string { return string(st.Kind) }), Label: "-",
		Needed: `"…": one of ` + document.Listed(names), What: "what the step does and how it is judged"}
}

// kindsByKey says which kinds have a key of their own of each name.
var kindsByKey = sync.OnceValue(func() map[string][]string {
	owners := map[string][]string{}
	for _, d := range Kinds() {
		for _, k := range d.New().keys() {
			owners[k.Name] = append(owners[k.Name], string(d.Kind))
		}
	}
	return owners
})

// refuseKeysOfOthers complains of keys that only other kinds have. A step
// without a kind may have them all.
func refuseKeysOfOthers(s *section, st *Step) {
	if st.Kind == "" {
		s.Know(slices.Sorted(maps.Keys(kindsByKey())))
		return
	}
	for _, e := range s.Table().Entries {
		owners := kindsByKey()[e.Key]
		if owners != nil && !slices.Contains(owners, string(st.Kind)) {
			s.Misplaced(e, "does not apply to a step of kind "+string(st.Kind),
				"remove it; it is for "+strings.Join(owners, " and "))
		}
	}
}
