// Package fact holds what scoring, checking and the bench have to say, before
// any language puts it into words.
//
// A [Fact] is a key of the catalogue of words and typed arguments: amounts with
// unit and uncertainty, counts, names, dates, lists and further facts. Amounts
// are not rounded here; how many digits are shown is decided where they are
// printed (see package words). Facts are plain values: two that say the same are
// equal by their JSON, and records keep them as they are. The package knows no
// language and no card.
package fact

import (
	"fmt"
	"maps"
	"math"
	"time"
)

// A Fact is one thing that is said: a key of the catalogue and its arguments by
// the names of their places. The zero Fact says nothing.
type Fact struct {
	Key  string `json:"fact"`
	Args Args   `json:"args,omitempty"`
}

// Args are the arguments of a fact by the names of their places.
type Args map[string]Arg

// An Arg is one argument: [Amount], [AsWritten], [Count], [Name], [Phrase],
// [Date], [Moment], [List] or [Fact].
type Arg interface{ arg() }

// New makes a fact from its key and pairs of a place's name and its argument.
// Besides an Arg, an int is a [Count], a string a [Name], what is [Stated] an
// exact [Amount] in its own unit, and []Fact a [List] of sentences. It panics
// on anything else: keys and names stand in the sources, where a test compares
// them with the catalogue.
//
//	fact.New("soak.settled-after", "time", fact.In(since/60, "min"), "allowed", step.Rate)
func New(key string, pairs ...any) Fact {
	f := Fact{Key: key}
	if len(pairs)%2 != 0 {
		panic("fact: " + key + ": a place without an argument")
	}
	for i := 0; i < len(pairs); i += 2 {
		name, ok := pairs[i].(string)
		if !ok {
			panic(fmt.Sprintf("fact: %s: the name of a place is a %T", key, pairs[i]))
		}
		if f.Args == nil {
			f.Args = Args{}
		}
		f.Args[name] = argument(key, pairs[i+1])
	}
	return f
}

func argument(key string, v any) Arg {
	switch v := v.(type) {
	case Arg:
		return v
	case string:
		return Name(v)
	case int:
		return Count(v)
	case int64:
		return Count(v)
	case Stated:
		return Of(v)
	case []Fact:
		return Sentences(v...)
	}
	panic(fmt.Sprintf("fact: %s: a %T is no argument", key, v))
}

// Text is a fact that is just its argument: a value, a name, a phrase.
func Text(a Arg) Fact { return Fact{Key: "text", Args: Args{"text": a}} }

// With is the fact with one more argument, or another one in its place.
func (f Fact) With(place string, a Arg) Fact {
	args := maps.Clone(f.Args)
	if args == nil {
		args = Args{}
	}
	args[place] = a
	return Fact{Key: f.Key, Args: args}
}

// IsZero reports whether the fact says nothing.
func (f Fact) IsZero() bool { return f.Key == "" }

// An Amount is a number with its unit. It is printed with its expanded
// uncertainty, both to the same digit (JCGM 100:2008, 7.2.6), where U is known;
// else to Step, where that is known; else whole where it is Exact; else to four
// significant digits.
type Amount struct {
	Value  float64 `json:"amount"`           // in Unit; not finite where nobody knows it
	Unit   string  `json:"unit,omitempty"`   // as printed: "MHz"; empty for a plain number
	U      float64 `json:"u,omitempty"`      // expanded uncertainty, in Unit, > 0; 0 where none is stated
	Step   float64 `json:"step,omitempty"`   // what its last digit is worth, in Unit, > 0; 0 where that is not known
	Exact  bool    `json:"exact,omitempty"`  // as somebody wrote it: every digit counts
	Signed bool    `json:"signed,omitempty"` // a plus is shown: deviations, drifts
}

// In is an amount of a unit.
func In(value float64, unit string) Amount { return Amount{Value: value, Unit: unit} }

// Stated is a value as somebody wrote it, with its unit: a quantity of a plan.
type Stated interface {
	Stated() (value float64, unit string)
}

// Of is a value as it was written, in its own unit.
func Of(s Stated) Amount {
	value, unit := s.Stated()
	return Amount{Value: value, Unit: unit, Exact: true}
}

// Within is the amount with an expanded uncertainty, in the amount's unit.
func (a Amount) Within(u float64) Amount { a.U = u; return a }

// To is the amount with what its last digit is worth, in the amount's unit: 0.1
// shows one decimal.
func (a Amount) To(step float64) Amount { a.Step = step; return a }

// Digits is the amount with so many significant digits, as an uncertainty that
// stands alone has two.
func (a Amount) Digits(n int) Amount {
	size := math.Abs(a.Value)
	if size == 0 || math.IsNaN(size) || math.IsInf(size, 0) {
		return a
	}
	a.Step = math.Pow10(int(math.Floor(math.Log10(size))) - n + 1)
	if math.Round(size/a.Step) >= math.Pow10(n) {
		a.Step *= 10 // 0.0996 is 0.10
	}
	return a
}

// WithSign is the amount with its sign shown, a plus too.
func (a Amount) WithSign() Amount { a.Signed = true; return a }

// Whole is the amount with every digit that tells it from others, 15 at most.
func (a Amount) Whole() Amount { a.Exact = true; return a }

// An AsWritten is an amount as somebody wrote it, with its tolerance: "166 MHz
// ±1 %". Languages give it their decimal mark; all else stays.
type AsWritten string

// A Count is a number of things. The place {n} chooses the plural form.
type Count int64

// A Name is what stands in every language as it is: of a file, a chip, a
// workload, and whatever a person typed.
type Name string

// A Phrase is a text of a plan, a family or the shop. Where it is one of the
// library's, the catalogue has it in the other languages; what somebody typed
// stays as it is.
type Phrase string

// A Date is a day.
type Date time.Time

// Day is the date that a file states, 2026-03-01; any other text stays as it is.
func Day(text string) Arg {
	t, err := time.Parse(time.DateOnly, text)
	if err != nil {
		return Name(text)
	}
	return Date(t)
}

// A Moment is a day with its time.
type Moment time.Time

// A List is several arguments in a row.
type List struct {
	Join  Join  `json:"join,omitempty"`
	Items []Arg `json:"items,omitempty"`
}

// A Join says how the items of a list hang together.
type Join string

// The ways to join a list.
const (
	And       Join = "and"       // a, b and c
	Or        Join = "or"        // a, b or c
	Comma     Join = "list"      // a, b, c
	Semicolon Join = "parts"     // a; b; c
	Sentence  Join = "sentences" // one behind the other
)

// Sentences are facts that are said one behind the other.
func Sentences(facts ...Fact) List { return ListOf(Sentence, facts) }

// Names is a list of names.
func Names[S ~string](join Join, names []S) List {
	l := List{Join: join, Items: make([]Arg, len(names))}
	for i, n := range names {
		l.Items[i] = Name(n)
	}
	return l
}

// ListOf is a list of arguments.
func ListOf[A Arg](join Join, items []A) List {
	l := List{Join: join, Items: make([]Arg, len(items))}
	for i, a := range items {
		l.Items[i] = a
	}
	return l
}

func (Amount) arg()    {}
func (AsWritten) arg() {}
func (Count) arg()     {}
func (Name) arg()      {}
func (Phrase) arg()    {}
func (Date) arg()      {}
func (Moment) arg()    {}
func (List) arg()      {}
func (Fact) arg()      {}
