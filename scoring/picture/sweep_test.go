package picture

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"proveout/scoring/memory"
	"proveout/scoring/picture/pattern"
	"proveout/scoring/picture/simulate"
)

func shops(rng *rand.Rand) simulate.Device {
	d := simulate.Device{
		Noise:  8 * rng.Float64(),
		Scale:  1,
		ShiftX: float64(rng.IntN(25) - 12),
		ShiftY: float64(rng.IntN(25) - 12),
		Blur:   0.7 * rng.Float64(),
	}
	for ch := range 3 {
		d.Gain[ch] = 0.85 + 0.3*rng.Float64()
		d.Offset[ch] = -12 + 24*rng.Float64()
	}
	if rng.IntN(2) == 0 {
		d.Scale = 1 + rng.Float64()
	}
	return d
}

func anyFault(rng *rand.Rand, org memory.Organisation, m pattern.Mode, kind memory.Kind) (simulate.Fault, bool) {
	f := simulate.Fault{
		Kind:        kind,
		Chip:        rng.IntN(org.ChipsPerBank()),
		Rate:        0.003 + 0.03*rng.Float64(),
		Wired:       simulate.Wired(rng.IntN(2)),
		Amount:      rng.IntN(2),
		Channel:     rng.IntN(3),
		AddressLine: rng.IntN(9),
	}
	f.Line = rng.IntN(org.ChipBits)
	f.Line2 = (f.Line + 1) % org.ChipBits
	if m.Format == pattern.XRGB8888 || m.Format == pattern.RGB555 { // keep to lines that are shown
		f.Chip, f.Line, f.Line2 = 0, rng.IntN(7), 0
		f.Line2 = f.Line + 1
	}
	switch kind {
	case memory.AddressLine:
		if rng.IntN(2) == 0 {
			f.Chip = -1
		}
	case memory.BankLost:
		if m.Bytes() < org.BankBytes()*5/4 {
			return f, false
		}
		f.Bank = rng.IntN(2)
	case simulate.ConverterBit:
		f.Bit = 7 - rng.IntN(m.Format.Fields()[f.Channel].Bits)
		if m.Format == pattern.XRGB8888 && org.BusBits <= 32 {
			return f, false
		}
	case simulate.Displaced:
		f.Amount = 20 + rng.IntN(30)
	case simulate.Geometry:
		f.Amount = 20 + rng.IntN(20)
	case simulate.Stripe:
		f.Period, f.Amount = 4+rng.IntN(12), 10+rng.IntN(10)
	case simulate.Frozen:
		f.Shows = []string{"", "ramp", "grid", "random-2", "solid-white", "text", "bit-green-1"}[rng.IntN(7)]
	case simulate.Sampling:
		if f.Amount = 25 + rng.IntN(25); rng.IntN(2) == 0 {
			f.Period = 20 + rng.IntN(200)
		}
	}
	return f, true
}

func right(r *Result, f simulate.Fault) bool {
	return slices.ContainsFunc(r.Findings, func(g Finding) bool {
		switch f.Kind {
		case simulate.Frozen:
			return g.Kind == Black && g.Form == Frozen
		case simulate.Sampling:
			return g.Kind == Noise && g.Form == Sampling
		}
		if g.Kind != f.Kind || g.Form != "" {
			return false
		}
		switch f.Kind {
		case memory.LineStuck0, memory.LineStuck1, memory.LineOpen:
			return g.Chip == f.Chip && slices.Equal(g.Lines, []int{f.Line})
		case memory.LinesShorted, memory.LinesSwapped:
			return g.Chip == f.Chip && slices.Equal(g.Lines, []int{min(f.Line, f.Line2), max(f.Line, f.Line2)})
		case memory.ChipDead, memory.ChipWeak:
			return g.Chip == f.Chip
		case memory.AddressLine:
			return g.Chip == f.Chip && g.AddressLine == f.AddressLine
		case memory.BankLost:
			return g.Bank == f.Bank
		}
		return true
	})
}

// The whole way: a fault of any kind, a capture device of any setting, nothing
// told but pattern, capture and memory.
func TestFaultsThroughCaptureDevices(t *testing.T) {
	notUnderRace(t)
	n, size, every := 7, [2]int{320, 240}, 3 // every third kind
	if allChecks {
		n, size, every = 95, [2]int{400, 300}, 1
	}
	rng := rand.New(rand.NewPCG(21, 22))
	orgs := []memory.Organisation{wide, wider, narrow, split}
	kinds := simulate.Kinds()
	hit, total, extra := 0, 0, 0
	missed := map[string]int{}
	for total < n {
		m := pattern.Mode{Width: size[0], Height: size[1], Format: pattern.Formats()[rng.IntN(5)]}
		org := orgs[rng.IntN(len(orgs))]
		if m.Bytes() > org.Bytes() {
			continue
		}
		kind := memory.Kind(kinds[total*every%len(kinds)])
		if kind == memory.BankLost {
			org = split
			m.Format = pattern.RGB565
		}
		ft, ok := anyFault(rng, org, m, kind)
		if !ok {
			continue
		}
		total++
		d := shops(rng)
		seed := rng.Uint64()
		f := show(t, m, "random-1")
		r := compared(t, f, captured(t, f, org, d, seed, ft), Options{Memory: &org})
		if right(r, ft) && !r.Clean {
			hit++
			if len(r.Findings) > 1 {
				extra++
			}
			continue
		}
		missed[string(kind)]++
		t.Logf(
			"missed %s bank %d chip %d lines %d %d wired %d A%d bit %d on %d/%d %s "+
				"noise %.1f blur %.2f scale %.3f shift %.0f,%.0f: registered %v %v lines %+v found %q",
			ft.Kind,
			ft.Bank,
			ft.Chip,
			ft.Line,
			ft.Line2,
			ft.Wired,
			ft.AddressLine,
			ft.Bit,
			org.ChipBits,
			org.BusBits,
			m,
			d.Noise,
			d.Blur,
			d.Scale,
			d.ShiftX,
			d.ShiftY,
			r.Registered,
			r.Reason,
			r.LinesJudged,
			brief(r.Findings),
		)
	}
	t.Logf("%d of %d named (%d with more findings than the one), missed %v", hit, total, extra, missed)
	if hit*100 < 95*total {
		t.Errorf("%.1f %% named", 100*float64(hit)/float64(total))
	}
}

func TestFalseAlarmRate(t *testing.T) {
	notUnderRace(t)
	n := usuallyOr(4, 200)
	rng := rand.New(rand.NewPCG(31, 32))
	alarms := 0
	orgs := []memory.Organisation{wide, wider, narrow, split}
	for i := range n {
		m := small(pattern.Formats()[i%5])
		org := orgs[i/5%4]
		if m.Bytes() > org.Bytes() {
			continue
		}
		f := show(t, m, fmt.Sprintf("random-%d", 1+i%3))
		d := shops(rng)
		if i%4 == 0 {
			d = simulate.Device{}
		}
		r := compared(t, f, captured(t, f, org, d, rng.Uint64()), Options{Memory: &org})
		if !r.Faultless {
			alarms++
			t.Logf(
				"%s %d/%d noise %.1f blur %.2f scale %.3f: %v %s %+v %q %q",
				m,
				org.ChipBits,
				org.BusBits,
				d.Noise,
				d.Blur,
				d.Scale,
				r.Registered,
				r.Reason,
				r.LinesJudged,
				brief(r.Findings),
				r.Doubts,
			)
		}
	}
	t.Logf("%d alarms on %d clean captures", alarms, n)
	if alarms*200 > n {
		t.Error("more than 1 in 200")
	}
}
