package words

import (
	"bytes"
	"encoding/json"

	"proveout/plans/fact"
)

// spoken is the JSON of v with every fact in it told.
func spoken(v any, tell func(fact.Fact) string) ([]byte, error) {
	text, err := unescaped(v)
	if err != nil {
		return nil, err
	}
	// Inside a string the quotes would be escaped: only a fact begins so.
	begin := []byte(`{"fact":"`)
	var out bytes.Buffer
	for {
		i := bytes.Index(text, begin)
		if i < 0 {
			out.Write(text)
			return out.Bytes(), nil
		}
		out.Write(text[:i])
		dec := json.NewDecoder(bytes.NewReader(text[i:]))
		var f fact.Fact
		if err := dec.Decode(&f); err != nil {
			return nil, err
		}
		said, err := unescaped(tell(f))
		if err != nil {
			return nil, err
		}
		out.Write(said)
		text = text[i+int(dec.InputOffset()):]
	}
}

// unescaped is JSON that no web page holds: "<" stays "<".
func unescaped(v any) ([]byte, error) {
	var out bytes.Buffer
	enc := json.NewEncoder(&out)
	enc.SetEscapeHTML(false)
	err := enc.Encode(v)
	return bytes.TrimSuffix(out.Bytes(), []byte("\n")), err
}
