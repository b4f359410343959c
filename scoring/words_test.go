package scoring_test

import (
	"proveout/plans/fact"
	"proveout/report/words"
)

// said is a fact in English words.
func said(f fact.Fact) string {
	english, err := words.In("en")
	if err != nil {
		panic(err) // the catalogue is part of the program
	}
	return english.Plain().Tell(f)
}

// told is all that a step or an outcome says, in English words.
func told(v any) string {
	english, err := words.In("en")
	if err != nil {
		panic(err)
	}
	text, err := english.Plain().Spoken(v)
	if err != nil {
		panic(err)
	}
	return string(text)
}
