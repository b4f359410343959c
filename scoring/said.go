package scoring

import "proveout/plans/fact"

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
