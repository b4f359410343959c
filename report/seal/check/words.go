package check

import "slices"

// questions in the order in which they are asked.
func question(key string) string {
	switch key {
	case "signed":
		return "Is it signed?"
	case "covers":
		return "Does the signature cover the whole file?"
	case "untouched":
		return "Was anything changed since?"
	case "form":
		return "Is anything hidden in it?"
	case "signer":
		return "Who signed it?"
	case "time":
		return "When was it signed?"
	case "record":
		return "Does it carry the record of the test?"
	case "scores":
		return "Do the verdicts follow from the readings?"
	case "pages":
		return "Do the pages say what the record says?"
	}
	return ""
}

// limits is what no signature proves.
var limits = []string{
	"It does not prove that the card you hold is the card that was tested: compare the marks and photos.",
	"It does not prove that the readings were taken honestly or with care, only that nobody changed them since.",
	"It does not prove that the card still works: it says what was found on the day of the test.",
}

func (r *Report) answer(key string, s State, words string) {
	r.Answers = append(r.Answers, Answer{key, question(key), s, words})
}

func (r *Report) yes(key, words string) bool {
	r.answer(key, Yes, words)
	return true
}

func (r *Report) no(key, words string) bool {
	r.answer(key, No, words)
	return false
}

// conclude draws the verdict from the answers. What was never asked is never good.
func (r *Report) conclude() {
	state := func(key string) State {
		i := slices.IndexFunc(r.Answers, func(a Answer) bool { return a.Key == key })
		if i < 0 {
			return No
		}
		return r.Answers[i].State
	}
	r.Verdict = Good
	for _, key := range []string{"signed", "covers", "untouched", "form", "time", "record"} {
		if state(key) != Yes {
			r.Verdict = Bad
		}
	}
	if slices.ContainsFunc(r.Answers, func(a Answer) bool { return a.State == No }) {
		r.Verdict = Bad
	}
	if r.Verdict == Good && state("signer") != Yes {
		r.Verdict = Unconfirmed
	}
	r.Valid = r.Verdict == Good
	switch r.Verdict {
	case Good:
		r.Summary = "This certificate is as it was signed, by " + r.Signer.Name + "."
	case Unconfirmed:
		r.Summary = "This certificate is as it was signed, but nothing here confirms who signed it."
	default:
		r.Summary = "Do not rely on this certificate."
		r.Contents = Contents{}
	}
}

// Translate puts the report's words into another language, sentence by sentence.
func (r *Report) Translate(say func(english string) string) {
	r.Summary = say(r.Summary)
	r.Answers, r.Limits = slices.Clone(r.Answers), slices.Clone(r.Limits)
	for i := range r.Answers {
		r.Answers[i].Question, r.Answers[i].Words = say(r.Answers[i].Question), say(r.Answers[i].Words)
	}
	for i := range r.Limits {
		r.Limits[i] = say(r.Limits[i])
	}
}

// TookTooLong is the report on a file whose inspection was given up.
func TookTooLong() Report {
	r := Report{Limits: limits}
	r.answer("form", No, "Looking at it took longer than it does for any certificate. Try once more when the computer is less busy; if it stays so, take the file as bad.")
	r.conclude()
	return r
}
