package record

import (
	"bytes"
	"encoding/json"
	"regexp"
	"slices"

	"proveout/report/content"
	"proveout/report/seal/check"
)

// This file reads records of the schemas 1 and 2, as proveout 1.0.0 wrote them.
// What has another name or another place now is moved, sentences become facts
// that say just that, and all of it has to be found in a record of today: what neither
// knows is refused.

// decodeSchema2 reads a record of schema 1 or 2.
func decodeSchema2(text []byte) (*content.Record, error) {
	var top map[string]any
	if err := json.Unmarshal(text, &top); err != nil {
		return nil, unreadable(err)
	}
	if canon, err := check.Canonical(top); err != nil || !bytes.Equal(canon, text) {
		return nil, errForeign
	}
	for _, object := range []string{"shop", "job", "outcome"} {
		if _, ok := top[object].(map[string]any); !ok {
			return nil, errForeign
		}
	}
	var old schema2
	old.shop(top["shop"])
	old.job(top["job"])
	old.outcome(top["outcome"])
	if old.foreign {
		return nil, errForeign
	}
	now, err := json.Marshal(top)
	if err != nil {
		return nil, err
	}
	r := &content.Record{}
	if err := json.Unmarshal(now, r); err != nil {
		return nil, unreadable(err)
	}
	again, err := generic(r)
	if err != nil {
		return nil, err
	}
	if !kept(top, again) {
		return nil, errForeign
	}
	return r, nil
}

// kept tells whether all that a value says is in the other one: that nothing
// went unread. What says nothing may be missing.
func kept(was, is any) bool {
	switch was := was.(type) {
	case map[string]any:
		m, _ := is.(map[string]any)
		for key, value := range was {
			if !kept(value, m[key]) {
				return false
			}
		}
		return true
	case []any:
		list, _ := is.([]any)
		return len(was) == len(list) && slices.EqualFunc(was, list, kept)
	case nil:
		return true
	}
	return was == is || is == nil && (was == "" || was == 0.0 || was == false)
}

// A schema2 moves what these schemas have elsewhere.
type schema2 struct {
	foreign bool // something that they did not have was met
}

// shop had one bench, that of the job.
func (o *schema2) shop(shop any) {
	m := shop.(map[string]any)
	if _, ok := m["benches"]; ok {
		o.foreign = true
	}
	if bench, ok := m["bench"]; ok {
		delete(m, "bench")
		m["benches"] = []any{bench}
	}
}

func (o *schema2) job(job any) {
	o.asFacts(job, "warnings")
	steps, _ := job.(map[string]any)["attempts"].(map[string]any)
	for _, step := range steps {
		attempts, _ := step.([]any)
		for _, attempt := range attempts {
			each(attempt, "readings", func(r any) { o.rename(r, "after_s", "after") })
			each(attempt, "logs", func(log any) { drop(log, "pool") }) // of its failures, which say it too
		}
	}
}

// outcome had sentences.
func (o *schema2) outcome(outcome any) {
	o.asFacts(outcome, "reason", "in_the_way", "warnings")
	each(outcome, "causes", func(cause any) { o.asFacts(cause, "text", "look") })
	each(outcome, "steps", func(step any) {
		o.asFacts(step, "reason", "findings", "warnings")
		each(step, "causes", func(cause any) { o.asFacts(cause, "text", "look") })
		each(step, "conditions", func(condition any) { o.asFacts(condition, "name", "text") })
		each(step, "figures", o.figure)
		each(step, "pictures", func(picture any) { o.asFacts(picture, "title", "caption") })
		each(step, "checks", func(check any) {
			o.asFacts(check, "title", "text", "reason", "settle", "source")
			each(check, "budget", func(line any) {
				o.asFacts(line, "name")
				o.rename(line, "half_width", "value")
				o.rename(line, "standard", "standard_uncertainty")
			})
			if c, ok := check.(map[string]any); ok {
				o.asFacts(c["limits"], "text")
			}
		})
	})
}

// figure had texts, and axes and series could say what none of them said.
func (o *schema2) figure(figure any) {
	o.asFacts(figure, "title", "alt", "source")
	for _, list := range []string{"series", "limits", "bands"} {
		each(figure, list, func(item any) { o.asFacts(item, "name") })
	}
	each(figure, "series", func(series any) { drop(series, "low", "high") })
	each(figure, "marks", func(mark any) { o.asFacts(mark, "label") })
	if f, ok := figure.(map[string]any); ok {
		for _, axis := range []any{f["x"], f["y"]} {
			o.asFacts(axis, "name", "categories")
			drop(axis, "log", "min", "max")
		}
	}
}

// each calls do with the items of a list of an object.
func each(object any, list string, do func(item any)) {
	m, _ := object.(map[string]any)
	items, _ := m[list].([]any)
	for _, item := range items {
		do(item)
	}
}

// rename gives a field of an object the name that it has now.
func (o *schema2) rename(object any, was, is string) {
	m, _ := object.(map[string]any)
	if _, ok := m[is]; ok {
		o.foreign = true
	}
	if v, ok := m[was]; ok {
		delete(m, was)
		m[is] = v
	}
}

// schema2Amounts are texts that are an amount and nothing else, such as "0.18 %" or
// "2 h 05 min": the pages have them in the form of their language. All other
// texts are shown as they are, in English.
var schema2Amounts = regexp.MustCompile(`^` + schema2Amount + `(?: ` + schema2Amount + `)*$`)

const schema2Amount = `[+-]?[0-9]+(?:\.[0-9]+)?(?:e[+-]?[0-9]+)?` +
	`(?: (?:[mµn]?s|min|h|d|%|°C|K|K/h|°C/h|ms/min|K/W|°C/W|[kMG]?Hz|m?V|m?A|W|[mkM]?Ω|` +
	`ppm|[KMG]iB|B|bit|fps|dB|px|mm))?`

// asFacts makes facts of the texts and lists of texts of an object. An empty
// text says nothing.
func (o *schema2) asFacts(object any, fields ...string) {
	m, ok := object.(map[string]any)
	if !ok {
		return
	}
	said := func(v any) any {
		text, ok := v.(string)
		switch {
		case !ok:
			o.foreign = true
			return nil
		case text == "":
			return map[string]any{"fact": ""}
		case schema2Amounts.MatchString(text):
			v = map[string]any{"as_written": text}
		}
		return map[string]any{"fact": "text", "args": map[string]any{"text": v}}
	}
	for _, field := range fields {
		switch v := m[field].(type) {
		case nil:
		case []any:
			for i := range v {
				v[i] = said(v[i])
			}
		default:
			m[field] = said(v)
		}
	}
}

// drop takes out fields that say nothing more.
func drop(object any, fields ...string) {
	m, _ := object.(map[string]any)
	for _, field := range fields {
		delete(m, field)
	}
}
