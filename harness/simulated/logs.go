package simulated

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// A table is the log of a run before it is written: rows in the units of the
// header, and NaN where a row has no value.
type table struct {
	heads []string
	steps []float64 // of the last digit of each column
	rows  [][]float64
	comma bool   // decimal commas, parted by semicolons
	clock bool   // the first column, in seconds, is written as h:min:s
	parts string // what parts the columns; "," unless said
	tail  string // what stands behind the last row
}

// file writes the table.
func (t *table) file() []byte {
	parts := t.parts
	switch {
	case parts != "":
	case t.comma:
		parts = ";"
	default:
		parts = ","
	}
	out := []byte(strings.Join(t.heads, parts) + "\n")
	for _, row := range t.rows {
		for i, v := range row {
			if i > 0 {
				out = append(out, parts...)
			}
			out = t.cell(out, i, v)
		}
		out = append(out, '\n')
	}
	return append(out, t.tail...)
}

func (t *table) cell(out []byte, column int, v float64) []byte {
	switch {
	case math.IsNaN(v):
		return out
	case t.clock && column == 0:
		s := int(math.Round(v))
		return fmt.Appendf(out, "%02d:%02d:%02d", s/3600, s/60%60, s%60)
	}
	begin := len(out)
	decimals := max(0, int(math.Ceil(-math.Log10(t.steps[column])-1e-9)))
	out = strconv.AppendFloat(out, v, 'f', decimals, 64)
	if t.comma {
		for i := begin; i < len(out); i++ {
			if out[i] == '.' {
				out[i] = ','
			}
		}
	}
	return out
}

// soakTable is the log of a soak in one of the ways in which loggers write it.
func soakTable(seen []moment, sensor, air gauge, every float64, d dice) *table {
	t := &table{steps: []float64{1, sensor.step(0.1), air.step(0.1)}}
	switch d.IntN(3) {
	case 0:
		t.heads = []string{"elapsed_s", "temp_c", "ambient_c"}
	case 1:
		t.heads, t.comma = []string{"Time [s]", "Temperature [°C]", "Ambient [°C]"}, true
	default:
		t.heads, t.parts, t.clock = []string{"elapsed", "temperature (°C)", "ambient (°C)"}, "\t", true
	}
	fluctuates := noise{d: d}
	for _, m := range seen {
		hot, _ := sensor.read(m.sensor+fluctuates.next(every), 0, 0.1, d)
		cool, _ := air.read(m.air, 0.03, 0.1, d)
		t.rows = append(t.rows, []float64{m.at, hot, cool})
	}
	return t
}

// runTable is the log of a timed run: frame times alone, or with their time.
func runTable(frames []float64, clock float64, d dice) *table {
	if d.chance(0.5) {
		t := &table{heads: []string{"frame_ms"}, steps: []float64{0.01}}
		for _, f := range frames {
			t.rows = append(t.rows, []float64{1000 * f / (1 + clock)})
		}
		return t
	}
	t := &table{heads: []string{"Time [s]", "Frame time [ms]"}, steps: []float64{0.001, 0.01}, comma: true}
	at := 0.0
	for _, f := range frames {
		at += f / (1 + clock)
		t.rows = append(t.rows, []float64{at, 1000 * f / (1 + clock)})
	}
	return t
}
