package plans

import (
	"strings"

	"proveout/plans/fact"
	"proveout/plans/quantity"
)

// A Field is one reading that a step asks for.
type Field struct {
	Name      string             // "core", "3V3.volt", "bridges"
	Ask       fact.Fact          // the question
	Dimension quantity.Dimension // of a number; empty for words
	Unit      string             // taken when a number is typed without one
	Words     []string           // the words accepted; nil with an empty Dimension means any text
	Clean     bool               // the answer is [PictureClean], or says what is wrong
	Required  bool               // the step cannot be judged without it
	Many      bool               // may be read several times
	Expected  fact.Fact          // what a good card shows; zero when nobody knows
	Nominal   float64            // base unit, for the plausibility check; 0 when unknown
	Place     string             // of a temperature
}

// Answers to a yes-or-no question.
const (
	Yes        = "yes"
	No         = "no"
	NotPresent = "n/a" // the card has no such part
)

// PictureClean is what is recorded of a picture that shows nothing amiss.
const PictureClean = "clean"

// Answer is a word that was read or is expected, in the words of the language where
// it is one of those that answers are made of.
func Answer(word string) fact.Fact {
	switch word {
	case Yes:
		return fact.New("answer.yes")
	case No:
		return fact.New("answer.no")
	case NotPresent:
		return fact.New("answer.not-present")
	case PictureClean:
		return fact.New("answer.clean")
	}
	return fact.Text(fact.Name(word))
}

// DimensionSaid is what a quantity measures, by its name.
func DimensionSaid(d quantity.Dimension) fact.Fact {
	return fact.New("dimension." + strings.ReplaceAll(string(d), " ", "-"))
}

// named is a name that the plan or the family states; nothing where there is none.
func named(name string) fact.Fact {
	if name == "" {
		return fact.Fact{}
	}
	return fact.Text(fact.Name(name))
}

// asWritten is an amount of the plan or the family.
func asWritten(q quantity.Quantity) fact.Fact { return fact.Text(fact.AsWritten(q.Text)) }

// Fields returns the readings that a step of the plan asks for on a card of
// the family, in the order in which they are taken.
func Fields(step *Step, family *Family) []Field {
	if step.Spec == nil {
		return nil
	}
	return step.Spec.fields(family)
}

// FieldNamed returns the field of the given name.
func FieldNamed(fields []Field, name string) (Field, bool) {
	for _, f := range fields {
		if f.Name == name {
			return f, true
		}
	}
	return Field{}, false
}
