package memory_test

import (
	"fmt"
	"strings"
	"testing"

	"proveout/scoring/memory"
)

// marchCells is the size of the memory that march tests are simulated on. Two
// cells make every fault of these models; four leave cells between and beside
// them.
const marchCells = 4

// tallied counts faults of a model.
type tallied struct{ found, of int }

// coverage runs a march test on a memory of four one-bit cells with every fault
// of every model, every content before the test and both directions of the
// free elements. A fault counts as found when all of these runs find it.
func coverage(t *testing.T, sequence string) map[memory.FaultModel]tallied {
	t.Helper()
	elements, err := parseMarch(sequence)
	if err != nil {
		t.Fatal(err)
	}
	free := 0
	for _, e := range elements {
		if e.order == '*' {
			free++
		}
	}
	out := map[memory.FaultModel]tallied{}
	for _, f := range cellFaults() {
		c := out[f.model]
		c.of++
		if alwaysFound(elements, free, f) {
			c.found++
		}
		out[f.model] = c
	}
	return out
}

func alwaysFound(elements []marchElement, free int, f cellFault) bool {
	for before := range 1 << (marchCells + 1) { // the last bit is the sense amplifier
		for orders := range 1 << min(free, 16) {
			if !runMarch(elements, orders, before, f) {
				return false
			}
		}
	}
	return true
}

// cellFault is one functional fault of a memory of one-bit cells.
type cellFault struct {
	model        memory.FaultModel
	aggressor    int // for coupling and decoder faults
	victim       int
	edge, forced byte // edge: the value the aggressor moves to, or holds
	how          int  // decoder faults: 0 no cell, 1 another cell, 2 both as wired-and, 3 both as wired-or
}

func cellFaults() []cellFault {
	var out []cellFault
	for c := range marchCells {
		out = append(out, cellFault{model: memory.StuckOpen, victim: c})
		for v := range byte(2) {
			out = append(out, cellFault{model: memory.StuckAt, victim: c, forced: v},
				cellFault{model: memory.Transition, victim: c, edge: v},
				cellFault{model: memory.AddressDecoder, aggressor: c, victim: c, forced: v})
		}
		for a := range marchCells {
			if a == c {
				continue
			}
			for how := 1; how <= 3; how++ {
				out = append(out, cellFault{model: memory.AddressDecoder, aggressor: a, victim: c, how: how})
			}
			for e := range byte(2) {
				out = append(out, cellFault{model: memory.InversionCouple, aggressor: a, victim: c, edge: e})
				for v := range byte(2) {
					out = append(out, cellFault{model: memory.IdempotentCouple, aggressor: a, victim: c, edge: e, forced: v},
						cellFault{model: memory.StateCouple, aggressor: a, victim: c, edge: e, forced: v})
				}
			}
		}
	}
	return out
}

// cellArray is the faulty memory under a march test.
type cellArray struct {
	cell  [marchCells]byte
	sense byte // what the sense amplifier held last
	fault cellFault
}

// runMarch reports whether any read differs from what the test expects.
func runMarch(elements []marchElement, orders, before int, f cellFault) bool {
	m := cellArray{fault: f, sense: byte(before >> marchCells & 1)}
	for c := range m.cell {
		m.cell[c] = byte(before >> c & 1)
	}
	m.settle()
	for _, e := range elements {
		down := e.order == 'v'
		if e.order == '*' {
			down = orders&1 == 1
			orders >>= 1
		}
		for i := range marchCells {
			c := i
			if down {
				c = marchCells - 1 - i
			}
			for _, op := range e.ops {
				if op.write {
					m.write(c, op.value)
				} else if m.read(c) != op.value {
					return true
				}
			}
		}
	}
	return false
}

// settle lets faults act that hold without an access.
func (m *cellArray) settle() {
	f := &m.fault
	switch f.model {
	case memory.StuckAt:
		m.cell[f.victim] = f.forced
	case memory.StateCouple:
		if m.cell[f.aggressor] == f.edge {
			m.cell[f.victim] = f.forced
		}
	}
}

func (m *cellArray) write(c int, v byte) {
	f := &m.fault
	if f.model == memory.AddressDecoder && c == f.aggressor {
		switch f.how {
		case 1:
			m.cell[f.victim] = v
		case 2, 3:
			m.cell[c], m.cell[f.victim] = v, v
		}
		return
	}
	if f.model == memory.StuckOpen && c == f.victim {
		return
	}
	if f.model == memory.Transition && c == f.victim && m.cell[c] != v && v == f.edge {
		return
	}
	moved := m.cell[c] != v
	m.cell[c] = v
	if moved && c == f.aggressor && v == f.edge {
		switch f.model {
		case memory.InversionCouple:
			m.cell[f.victim] ^= 1
		case memory.IdempotentCouple:
			m.cell[f.victim] = f.forced
		}
	}
	m.settle()
}

func (m *cellArray) read(c int) byte {
	f := &m.fault
	v := m.cell[c]
	if f.model == memory.AddressDecoder && c == f.aggressor {
		switch f.how {
		case 0:
			v = f.forced
		case 1:
			v = m.cell[f.victim]
		case 2:
			v &= m.cell[f.victim]
		case 3:
			v |= m.cell[f.victim]
		}
	}
	if f.model == memory.StuckOpen && c == f.victim {
		v = m.sense
	}
	m.sense = v
	return v
}

// marchElement is one element of a march test.
type marchElement struct {
	order byte // '^' up, 'v' down, '*' either
	ops   []marchOp
}

type marchOp struct {
	write bool
	value byte
}

// parseMarch reads a sequence such as "any(w0);up(r0,w1)".
func parseMarch(sequence string) ([]marchElement, error) {
	var out []marchElement
	for _, part := range strings.Split(sequence, ";") {
		name, rest, ok := strings.Cut(strings.TrimSpace(part), "(")
		list, closed := strings.CutSuffix(rest, ")")
		order := map[string]byte{"any": '*', "up": '^', "down": 'v'}[name]
		if !ok || !closed || order == 0 {
			return nil, fmt.Errorf("march element %q is not any(…), up(…) or down(…)", part)
		}
		e := marchElement{order: order}
		for _, op := range strings.Split(list, ",") {
			op = strings.TrimSpace(op)
			if len(op) != 2 || (op[0] != 'r' && op[0] != 'w') || (op[1] != '0' && op[1] != '1') {
				return nil, fmt.Errorf("march operation %q is not r0, r1, w0 or w1", op)
			}
			e.ops = append(e.ops, marchOp{op[0] == 'w', op[1] - '0'})
		}
		out = append(out, e)
	}
	return out, nil
}
