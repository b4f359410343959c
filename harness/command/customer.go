package command

import (
	"strings"
	"unicode"
	"unicode/utf8"

	"proveout/harness/reading"
)

// naming says where a customer reference stands in what a document tells of a
// job: in free text and in the names of files. References of one or two
// characters stand anywhere and are not looked for.
func naming(j *reading.Job, customer string) []string {
	if utf8.RuneCountInString(customer) < 3 {
		return nil
	}
	var out []string
	look := func(where, text string) {
		if holdsWords(text, customer) {
			out = append(out, where)
		}
	}
	file := func(e reading.Evidence) {
		look("the name of the file "+e.Name, e.Name)
		look("the caption of "+e.Name, e.Caption)
	}
	look("the complaint", j.Complaint)
	look("the condition", j.Condition)
	look("the work done", strings.Join(j.Work, "\n"))
	look("the notes on the work", j.WorkNotes)
	look("the title of the card", j.Card.Title)
	look("the serial number", j.Card.Serial)
	for _, m := range j.Card.Marks {
		look("the mark "+m.Name, m.Name+"\n"+m.Value)
	}
	for _, p := range j.Card.Photos {
		file(p)
	}
	for step, attempts := range j.Attempts {
		for _, a := range attempts {
			look("why step "+step+" was skipped or cut short", a.Skipped+"\n"+a.Cut)
			for _, n := range a.Notes {
				look("a note on step "+step, n.Text)
			}
			for _, e := range a.Files() {
				file(e)
			}
		}
	}
	return out
}

// holdsWords tells whether words stand in a text, whatever their capitals and
// what separates them, and not inside longer words.
func holdsWords(text, words string) bool {
	plain := func(s string) string {
		apart := func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) }
		return " " + strings.Join(strings.FieldsFunc(strings.ToLower(s), apart), " ") + " "
	}
	return strings.TrimSpace(plain(words)) != "" && strings.Contains(plain(text), plain(words))
}
