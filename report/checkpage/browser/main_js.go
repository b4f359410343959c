// Command browser is the checker inside the page for a buyer's browser. It is
// compiled to WebAssembly; the page hands it the bytes of a file and gets what was
// found as facts in JSON, and then has these put into the language that is chosen.
// See package checkpage.
package main

import (
	"encoding/json"
	"syscall/js"
	"time"

	"proveout/harness/logs"
	"proveout/harness/reading"
	"proveout/plans/fact"
	"proveout/report/record"
	"proveout/report/seal/check"
	"proveout/report/words"
	"proveout/scoring"
)

func main() {
	js.Global().Set("proveoutCheck", js.FuncOf(func(_ js.Value, args []js.Value) any {
		pdf := make([]byte, args[0].Get("length").Int())
		js.CopyBytesToGo(pdf, args[0])
		o := check.Options{Now: time.Now()}
		var err error
		if typed := args[1].String(); typed != "" {
			if o.Signer, err = check.ParseFingerprint(typed); err != nil {
				return answer(map[string]fact.Arg{"error": fact.Why(err)})
			}
		}
		e := &record.Examiner{
			Judging: record.Judging{Score: scoring.Rescore, Files: logs.Files},
			Tool:    "proveout " + reading.Version,
		}
		o.Further = e.Questions(e.Look)
		return answer(check.Verify(pdf, o))
	}))
	js.Global().Set("proveoutSay", js.FuncOf(func(_ js.Value, args []js.Value) any {
		return say(args[0].String(), args[1].String())
	}))
	js.Global().Call("proveoutReady")
	select {}
}

// say puts an answer into words of a language.
func say(facts, language string) string {
	w, err := words.In(language)
	if err != nil {
		return unwritten
	}
	said, err := w.Plain().Spoken(json.RawMessage(facts))
	if err != nil {
		return unwritten
	}
	return string(said)
}

func answer(v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		return unwritten
	}
	return string(b)
}

const unwritten = `{"error":"the answer cannot be written"}`
