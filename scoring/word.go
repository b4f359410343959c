package scoring

import (
	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/fact"
)

// wordOf is what was read where it is no number.
func wordOf(r reading.Reading) string {
	if r.Word != "" {
		return r.Word
	}
	return r.Text
}

// answer is a word that was read or is expected: in the words of the language
// where it is one of those that answers are made of.
func answer(word string) fact.Fact {
	switch word {
	case plans.Yes:
		return fact.New("answer.yes")
	case plans.No:
		return fact.New("answer.no")
	case plans.NotPresent:
		return fact.New("answer.not-present")
	case plans.PictureClean:
		return fact.New("answer.clean")
	}
	return fact.Text(fact.Name(word))
}

// sentence makes a sentence of what is said as a part of one.
func sentence(part fact.Fact) fact.Fact { return fact.New("outcome.sentence", "part", part) }

// parts are facts as the parts of one text; none say nothing.
func parts(facts []fact.Fact) fact.Fact {
	if len(facts) == 0 {
		return fact.Fact{}
	}
	return fact.Text(fact.ListOf(fact.Semicolon, facts))
}

// because is the text of an error as a sentence.
func because(err error) fact.Fact { return fact.New("outcome.sentence", "part", fact.Why(err)) }
