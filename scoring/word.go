package scoring

import (
	"proveout/harness/reading"
	"proveout/plans/fact"
)

// wordOf is what was read where it is no number.
func wordOf(r reading.Reading) string {
	if r.Word != "" {
		return r.Word
	}
	return r.Text
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
