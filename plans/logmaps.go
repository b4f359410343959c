package plans

import (
	"slices"

	"proveout/plans/document"
)

// CheckLogMaps finds the steps that name a log map which the shop does not
// have; have are the names of those that it has. Only the steps with the given
// ids are looked at, or all of them when there are none. The problems stand in
// the plan's file.
func CheckLogMaps(p *Plan, have []string, steps ...string) []Problem {
	root, _ := document.Parse([]byte(p.Source))
	x := &crossCheck{c: newCollector(p.File, []byte(p.Source))}
	var tables []*document.Value
	if e := root.Get("step"); e != nil {
		tables = e.Value.Items
	}
	for i := range p.Steps {
		st := &p.Steps[i]
		if st.LogMap == "" || slices.Contains(have, st.LogMap) || len(steps) > 0 && !slices.Contains(steps, st.ID) {
			continue
		}
		x.step, x.table = st, nil
		if i < len(tables) {
			x.table = tables[i].Table
		}
		fix := "keep one with: proveout logmap try FILE --save " + st.LogMap
		if len(have) > 0 {
			if near := nearest(st.LogMap, have); near != "" {
				fix = `did you mean "` + near + `"?`
			}
		}
		x.problem("log_map", -1, "the shop has no log map "+quoted(st.LogMap), fix)
	}
	return x.c.sorted()
}
