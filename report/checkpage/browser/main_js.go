// Command browser is the checker inside the page for a buyer's browser. It is
// compiled to WebAssembly; the page hands it the bytes of a file and gets the
// answers as JSON, in English, and then in the language that is chosen. See
// package checkpage.
package main

import (
	"encoding/json"
	"syscall/js"
	"time"

	"proveout/harness/reading"
	"proveout/report/content"
	"proveout/report/record"
	"proveout/report/seal/check"
	"proveout/report/words"
)

func main() {
	js.Global().Set("proveoutCheck", js.FuncOf(func(_ js.Value, args []js.Value) any {
		pdf := make([]byte, args[0].Get("length").Int())
		js.CopyBytesToGo(pdf, args[0])
		o := check.Options{Now: time.Now()}
		var err error
		if typed := args[1].String(); typed != "" {
			if o.Signer, err = check.ParseFingerprint(typed); err != nil {
				return answer(map[string]string{"error": err.Error()})
			}
		}
		e := &record.Examiner{Tool: "proveout " + reading.Version}
		o.Rescore, o.Remake, o.Further = e.Scores, content.Look(e), e.Questions()
		return answer(check.Verify(pdf, o))
	}))
	js.Global().Set("proveoutSay", js.FuncOf(func(_ js.Value, args []js.Value) any {
		return say(args[0].String(), args[1].String())
	}))
	js.Global().Call("proveoutReady")
	select {}
}

// A spoken answer is one in a language, with what of it stayed English.
type spoken struct {
	check.Report
	Error   string   `json:"error,omitempty"`
	English []string `json:"english"`
}

// say puts an answer into a language; one that is not known is English.
func say(english, language string) string {
	var r spoken
	w, err := words.In(language)
	if err != nil || json.Unmarshal([]byte(english), &r) != nil {
		return english
	}
	told := func(s string) string {
		text, left := w.Sentence(s)
		r.English = append(r.English, left...)
		return text
	}
	r.Translate(told)
	r.Error = told(r.Error)
	return answer(r)
}

func answer(v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		return `{"error":"the answer cannot be written"}`
	}
	return string(b)
}
