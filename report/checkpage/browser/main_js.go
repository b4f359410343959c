// Command browser is the checker inside the page for a buyer's browser. It is
// compiled to WebAssembly; the page hands it the bytes of a file and gets the
// answers as JSON. See package checkpage.
package main

import (
	"encoding/json"
	"syscall/js"
	"time"

	"proveout/report/archive"
	"proveout/report/seal/check"
	"proveout/report/seal/fingerprint"
)

func main() {
	js.Global().Set("proveoutCheck", js.FuncOf(func(_ js.Value, args []js.Value) any {
		pdf := make([]byte, args[0].Get("length").Int())
		js.CopyBytesToGo(pdf, args[0])
		o := check.Options{Now: time.Now()}
		var err error
		if typed := args[1].String(); typed != "" {
			if o.Signer, err = fingerprint.Parse(typed); err != nil {
				return answer(map[string]string{"error": err.Error()})
			}
		}
		e := &archive.Examiner{}
		o.Rescore, o.Remake, o.Further = e.Scores, e.Values, e.Questions()
		return answer(check.Verify(pdf, o))
	}))
	js.Global().Call("proveoutReady")
	select {}
}

func answer(v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		return `{"error":"the answer cannot be written"}`
	}
	return string(b)
}
