package scoring

import (
	"errors"
	"strings"

	"proveout/plans/fact"
	"proveout/report/words"
	"proveout/scoring/memory"
)

// said is a fact in English words, for outcomes that still hold sentences.
func said(f fact.Fact) string {
	english, err := words.In("en")
	if err != nil {
		panic(err) // the catalogue is part of the program
	}
	return english.Plain().Tell(f)
}

func saidAll(facts []fact.Fact) []string {
	var out []string
	for _, f := range facts {
		out = append(out, said(f))
	}
	return out
}

// saidOfError is what an error has to say, in English words.
func saidOfError(err error) string {
	var told fact.Error
	var impossible *memory.Impossible
	switch {
	case errors.As(err, &told):
		return said(told.Fact)
	case errors.As(err, &impossible):
		return strings.Join(saidAll(impossible.Why), "; ")
	}
	return err.Error()
}

// english is a sentence that has no fact yet.
func english(text string) fact.Fact {
	if text == "" {
		return fact.Fact{}
	}
	return fact.New("english", "text", text)
}

func englishAll(texts []string) []fact.Fact {
	var out []fact.Fact
	for _, t := range texts {
		out = append(out, english(t))
	}
	return out
}
