package simulated

import (
	"fmt"
	"image"
	"image/color"
	"math"
	"slices"
	"strings"

	"golang.org/x/image/draw"

	"proveout/plans"
)

// A slip is one thing that can go wrong on the bench or by a person's hand. spoil
// changes what a step brings home, before the card is seen or after.
type slip struct {
	id     string
	group  string // groupBench or groupPerson
	needs  func(*proof) bool
	before func(v *visit)              // nil, or what is different before the card is tested
	spoil  func(v *visit, e *evidence) // may leave the evidence of other steps alone
	hides  string                      // a fault of the card that it may hide: every second card has it
	alone  bool                        // on a good card it does no harm: every card has the fault
	mended bool                        // the program may put it right, when it says so
}

// The groups of faults.
const (
	groupCard   = "card"
	groupBench  = "bench"
	groupPerson = "person"
)

// slips are the faults of the bench and of people.
func slips() []slip {
	return slices.Concat(soakSlips(), runSlips(), captureSlips(), scanSlips(), dumpSlips(), typingSlips())
}

// onSoak spoils the log of the soak.
func onSoak(change func(v *visit, l *soakLog)) func(*visit, *evidence) {
	return func(v *visit, e *evidence) {
		if e.soak != nil {
			change(v, e.soak)
		}
	}
}

// column changes the values of a column of the log.
func column(at int, change func(second, value float64) float64) func(*visit, *soakLog) {
	return func(_ *visit, l *soakLog) {
		for _, row := range l.rows {
			row[at] = change(row[0], row[at])
		}
	}
}

// Columns of the log of a soak.
const (
	soakTime = iota
	soakSensor
	soakAir
)

func fahrenheit(_, celsius float64) float64 { return celsius*9/5 + 32 }

func soakSlips() []slip {
	soaks := func(p *proof) bool { return p.soaks }
	on := func(id, hides string, change func(*visit, *soakLog)) slip {
		return slip{id: id, group: groupBench, needs: soaks, spoil: onSoak(change), hides: hides}
	}
	both := func(changes ...func(*visit, *soakLog)) func(*visit, *soakLog) {
		return func(v *visit, l *soakLog) {
			for _, c := range changes {
				c(v, l)
			}
		}
	}
	keep := func(which func(second float64) bool) func(*visit, *soakLog) {
		return func(_ *visit, l *soakLog) {
			l.rows = slices.DeleteFunc(l.rows, func(row []float64) bool { return !which(row[soakTime]) })
		}
	}
	hot := "air-blocked"
	told := func(s slip) slip {
		s.mended = true
		return s
	}
	torn := on("soak-torn-row", "", func(_ *visit, l *soakLog) {
		l.tail = "2470" + orSame(l.parts, map[bool]string{true: ";", false: ","}[l.comma]) + "4"
	})
	return []slip{
		on("sensor-off-card", hot, func(v *visit, l *soakLog) {
			for _, row := range l.rows {
				row[soakSensor] = row[soakAir] + math.Round(10*(0.4+v.d.normal(0.1)))/10
			}
		}),
		on("sensor-half-off", "", func(_ *visit, l *soakLog) {
			for _, row := range l.rows {
				row[soakSensor] = math.Round(10*(row[soakAir]+0.5*(row[soakSensor]-row[soakAir]))) / 10
			}
		}),
		on("sensor-frozen", hot, func(_ *visit, l *soakLog) {
			for _, row := range l.rows {
				row[soakSensor] = 47.6
			}
		}),
		on("sensor-frozen-midway", "compound-pumped-out", func(_ *visit, l *soakLog) {
			stays := 0.0
			for _, row := range l.rows {
				if row[soakTime] < 720 {
					stays = row[soakSensor]
				}
				row[soakSensor] = stays
			}
		}),
		on("soak-in-fahrenheit", "", both(column(soakSensor, fahrenheit), column(soakAir, fahrenheit))),
		on("sensor-in-fahrenheit", "", column(soakSensor, fahrenheit)),
		on("sensors-exchanged", hot, func(_ *visit, l *soakLog) {
			for _, row := range l.rows {
				row[soakSensor], row[soakAir] = row[soakAir], row[soakSensor]
			}
		}),
		on("room-sensor-on-card", hot, func(_ *visit, l *soakLog) {
			for _, row := range l.rows {
				row[soakAir] += math.Round(6*(row[soakSensor]-row[soakAir])) / 10
			}
		}),
		{id: "load-not-running", group: groupBench, needs: soaks, hides: hot, spoil: none,
			before: func(v *visit) { v.card.heat.power *= 0.15 }},
		{id: "room-too-hot", group: groupBench, needs: soaks, spoil: none, before: func(v *visit) { v.bench.air = 36 }},
		{id: "previous-soak-log", group: groupPerson, needs: soaks, hides: hot, before: previousCard,
			spoil: func(v *visit, e *evidence) {
				if e.soak != nil {
					e.soak, e.beside = nil, v.before.soak
				}
			}},
		on("soak-log-cut", "", keep(func(second float64) bool { return second < 1300 })),
		told(torn),
		on("soak-log-holes", "stops-in-soak", keep(func(second float64) bool { return second < 600 || second > 1800 })),
		told(on("impossible-temperatures", "", func(v *visit, l *soakLog) {
			for range 3 {
				l.rows[v.d.IntN(len(l.rows))][soakSensor] = 85
			}
		})),
		on("sensor-loose-wire", "", func(v *visit, l *soakLog) {
			for _, row := range l.rows {
				if v.d.chance(0.3) {
					row[soakSensor] = -127
				}
			}
		}),
		on("soak-in-ms", "", func(_ *visit, l *soakLog) {
			l.clock, l.heads[soakTime] = false, "time"
			l.rows = slices.DeleteFunc(l.rows, func(row []float64) bool { return row[soakTime] > 30 })
			for _, row := range l.rows {
				row[soakTime] *= 1000
			}
		}),
		on("soak-hours-as-minutes", "", func(_ *visit, l *soakLog) {
			l.heads[soakTime] = "time"
			for _, row := range l.rows { // written as h:min, read as min:s, were it taken so
				row[soakTime] = math.Floor(row[soakTime] / 60)
			}
			l.rows = slices.CompactFunc(l.rows, func(a, b []float64) bool { return a[soakTime] == b[soakTime] })
		}),
		on("soak-clock-set-back", "", func(_ *visit, l *soakLog) {
			for _, row := range l.rows {
				if row[soakTime] > 1200 {
					row[soakTime] -= 900
				}
			}
		}),
		on("soak-comma-in-commas", "", func(_ *visit, l *soakLog) { l.comma, l.parts = true, "," }),
		on("soak-load-stopped-between", "", func(_ *visit, l *soakLog) {
			for _, row := range l.rows {
				if since := row[soakTime] - 900; since > 0 && since < 600 {
					left := (row[soakSensor] - row[soakAir]) * math.Exp(-since/200)
					row[soakSensor] = row[soakAir] + math.Round(10*left)/10
				}
			}
		}),
		on("sensor-elsewhere", hot, func(_ *visit, l *soakLog) {
			l.place = "board"
			for _, row := range l.rows {
				row[soakSensor] = math.Round(10*(row[soakAir]+0.55*(row[soakSensor]-row[soakAir]))) / 10
			}
		}),
		{id: "meter-named-for-heat", group: groupPerson, needs: soaks, spoil: onSoak(func(_ *visit, l *soakLog) {
			l.instrument = "meter-ohms"
		})},
	}
}

func none(*visit, *evidence) {}

// onRuns spoils the logs of the timed runs.
func onRuns(change func(v *visit, runs []*table) []*table) func(*visit, *evidence) {
	return func(v *visit, e *evidence) {
		if len(e.runs) > 0 {
			e.runs = change(v, e.runs)
		}
	}
}

// each changes every run.
func each(change func(t *table)) func(*visit, []*table) []*table {
	return func(_ *visit, runs []*table) []*table {
		for _, t := range runs {
			change(t)
		}
		return runs
	}
}

// frameColumn is the column of frame times.
func (t *table) frameColumn() int { return len(t.heads) - 1 }

func runSlips() []slip {
	loads := func(p *proof) bool { return p.loads }
	on := func(id, group, hides string, change func(*visit, []*table) []*table) slip {
		return slip{id: id, group: group, needs: loads, spoil: onRuns(change), hides: hides}
	}
	times := func(factor float64) func(t *table) {
		return func(t *table) {
			for _, row := range t.rows {
				row[t.frameColumn()] *= factor
			}
			t.steps[t.frameColumn()] *= factor
		}
	}
	return []slip{
		{id: "previous-run-log", group: groupPerson, needs: loads, hides: "score-low", before: previousCard,
			spoil: func(v *visit, e *evidence) {
				if len(e.runs) > 0 {
					e.runs, e.beside = e.runs[:0], v.before.run
				}
			}},
		{id: "same-run-thrice", group: groupPerson, needs: func(p *proof) bool { return p.loads && p.runs > 1 },
			spoil: onRuns(func(_ *visit, runs []*table) []*table {
				for i := range runs {
					runs[i] = runs[0]
				}
				return runs
			})},
		on("run-log-cut", groupBench, "", each(func(t *table) { t.rows = t.rows[:len(t.rows)*2/5] })),
		on("run-seconds-as-ms", groupBench, "", each(times(0.001))),
		on("run-microseconds-as-ms", groupBench, "", each(times(1000))),
		on("easier-workload", groupPerson, "score-low", each(times(1/1.7))),
		on("harder-workload", groupPerson, "", each(times(1.7))),
		{id: "vertical-sync", group: groupPerson, needs: loads, spoil: none, hides: "score-low",
			before: func(v *visit) { v.card.pace.sync = 60 }},
		on("run-without-unit", groupBench, "", each(func(t *table) { // a time beside it would tell the unit
			frame := t.frameColumn()
			t.heads, t.steps, t.clock = []string{"frame"}, t.steps[frame:], false
			for i, row := range t.rows {
				t.rows[i] = row[frame:]
			}
		})),
		on("run-log-of-rates", groupBench, "freezes", func(v *visit, runs []*table) []*table {
			for i, t := range runs {
				runs[i] = ratesOf(t)
			}
			return runs
		}),
		on("run-comma-in-commas", groupBench, "", each(func(t *table) { t.comma, t.parts = true, "," })),
		on("run-log-holes", groupBench, "", each(func(t *table) {
			if len(t.heads) > 1 {
				t.rows = slices.Concat(t.rows[:len(t.rows)/3], t.rows[len(t.rows)*3/4:])
			} else {
				t.rows = t.rows[:len(t.rows)/2]
			}
		})),
		{id: "soak-log-as-run", group: groupPerson, needs: func(p *proof) bool { return p.loads && p.soaks },
			before: previousCard, spoil: func(v *visit, e *evidence) {
				if len(e.runs) > 0 {
					e.runs, e.beside = nil, v.before.soak
				}
			}},
	}
}

// ratesOf is a log of frame rates, one row a second without its time.
func ratesOf(t *table) *table {
	out := &table{heads: []string{"fps"}, steps: []float64{0.1}}
	second, frames := 0.0, 0.0
	for _, row := range t.rows {
		second += row[t.frameColumn()] / 1000
		frames++
		if second >= 1 {
			out.rows = append(out.rows, []float64{frames / second})
			second, frames = 0, 0
		}
	}
	return out
}

// onShots spoils the captures.
func onShots(change func(v *visit, shots []shot) []shot) func(*visit, *evidence) {
	return func(v *visit, e *evidence) {
		if len(e.shots) > 0 {
			e.shots = change(v, slices.Clone(e.shots))
		}
	}
}

// everyShot changes every capture, and has it told what it shows.
func everyShot(change func(m image.Image) image.Image) func(*visit, []shot) []shot {
	return func(_ *visit, shots []shot) []shot {
		for i := range shots {
			s := &shots[i]
			s.image, s.data, s.stated = change(s.image), nil, true
		}
		return shots
	}
}

// mapped is a picture of the same size whose pixels are taken from another's.
func mapped(m image.Image, colour func(x, y int) color.Color) image.Image {
	out := image.NewRGBA(m.Bounds())
	for y := range m.Bounds().Dy() {
		for x := range m.Bounds().Dx() {
			out.Set(x, y, colour(x, y))
		}
	}
	return out
}

func captureSlips() []slip {
	shown := func(p *proof) bool { return len(p.patterns) > 0 }
	on := func(id, group, hides string, change func(*visit, []shot) []shot) slip {
		return slip{id: id, group: group, needs: shown, spoil: onShots(change), hides: hides}
	}
	return []slip{
		on("capture-of-other-mode", groupPerson, "", func(v *visit, shots []shot) []shot {
			for i := range shots {
				shots[i].mode, shots[i].stated = otherMode(shots[i].mode), true
			}
			return shots
		}),
		on("capture-of-other-picture", groupPerson, "", func(v *visit, shots []shot) []shot {
			shots[0].image, shots[0].data, shots[0].stated = shots[len(shots)-1].image, nil, true
			return shots
		}),
		on("capture-stale", groupBench, "", func(_ *visit, shots []shot) []shot {
			for i := range shots {
				name := shots[i].pattern
				shots[i] = shots[0]
				shots[i].pattern, shots[i].stated = name, true
			}
			return shots
		}),
		on("capture-black", groupBench, "picture-black", everyShot(func(m image.Image) image.Image {
			return image.NewRGBA(m.Bounds())
		})),
		on("capture-mirrored", groupBench, "", everyShot(func(m image.Image) image.Image {
			return mapped(m, func(x, y int) color.Color { return m.At(m.Bounds().Dx()-1-x, y) })
		})),
		on("capture-upside-down", groupBench, "", everyShot(func(m image.Image) image.Image {
			return mapped(m, func(x, y int) color.Color { return m.At(m.Bounds().Dx()-1-x, m.Bounds().Dy()-1-y) })
		})),
		on("capture-as-jpeg", groupBench, "converter-bit-dead", func(_ *visit, shots []shot) []shot {
			for i := range shots {
				shots[i].kind, shots[i].data = "jpg", nil
			}
			return shots
		}),
		on("capture-grey", groupBench, "channels-swapped", everyShot(func(m image.Image) image.Image {
			return mapped(m, func(x, y int) color.Color { return color.GrayModel.Convert(m.At(x, y)) })
		})),
		on("capture-few-colours", groupBench, "converter-bit-dead", everyShot(func(m image.Image) image.Image {
			return mapped(m, func(x, y int) color.Color {
				r, g, b, _ := m.At(x, y).RGBA()
				return color.RGBA{uint8(r>>13) << 5, uint8(g>>13) << 5, uint8(b>>14) << 6, 255}
			})
		})),
		on("capture-scaled", groupBench, "stripes", everyShot(func(m image.Image) image.Image {
			out := image.NewRGBA(image.Rect(0, 0, m.Bounds().Dx()*13/20, m.Bounds().Dy()*13/20))
			draw.BiLinear.Scale(out, out.Bounds(), m, m.Bounds(), draw.Src, nil)
			return out
		})),
		on("capture-fields-combed", groupBench, "", everyShot(func(m image.Image) image.Image {
			return mapped(m, func(x, y int) color.Color { return m.At(x, y^1) })
		})),
		{id: "captures-not-made", group: groupPerson, needs: shown, hides: "data-line-stuck-0", alone: true,
			spoil: onShots(func(*visit, []shot) []shot { return nil })},
	}
}

// otherMode is a mode that the screen was not in.
func otherMode(mode string) string {
	if strings.HasPrefix(mode, "800x600") {
		return strings.Replace(mode, "800x600", "640x480", 1)
	}
	m, err := plans.ParseMode(mode)
	if err != nil {
		return mode
	}
	return fmt.Sprintf("800x600x%d", m.Depth)
}

func scanSlips() []slip {
	scans := func(p *proof) bool { return p.scans && p.frame() != nil }
	on := func(id, group string, change func(v *visit, l *list)) slip {
		return slip{id: id, group: group, needs: scans, hides: "cells-stuck", spoil: func(v *visit, e *evidence) {
			for i := range e.lists {
				change(v, &e.lists[i])
			}
		}}
	}
	moved := func(to func(address int64) int64) func(*visit, *list) {
		return func(v *visit, l *list) {
			for i := range l.rows {
				l.rows[i].address = to(l.rows[i].address)
			}
			if len(l.rows) == 0 {
				// What a sound memory shows where nothing answers: the test ran elsewhere.
				for i := range 20 {
					l.rows = append(l.rows, failure{to(int64(4 * i)), 0x55555555, 0xffffffff})
				}
			}
			l.data = listed(l.rows, 0, v.d)
		}
	}
	return []slip{
		on("scan-wrong-base", groupBench, moved(func(at int64) int64 { return at + 0xe0000000 })),
		on("scan-word-addresses", groupBench, moved(func(at int64) int64 { return at / 4 })),
		on("scan-empty-file", groupPerson, func(_ *visit, l *list) { l.data = nil }),
		{id: "scan-not-imported", group: groupPerson, needs: scans, hides: "cells-stuck",
			spoil: func(_ *visit, e *evidence) { e.lists = nil }},
		{id: "scan-of-a-part", group: groupPerson, needs: scans, hides: "cells-stuck",
			spoil: func(_ *visit, e *evidence) {
				if len(e.lists) == 0 {
					return
				}
				for i := range e.lists {
					e.lists[i].rows, e.lists[i].data = nil, []byte("# 1048576 bytes tested\naddress,written,read\n")
				}
				e.answers = nil
				e.typed(plans.ScanTested, "1 MiB")
			}},
		on("scan-log-instead", groupPerson, func(_ *visit, l *list) {
			l.data = []byte("elapsed_s,temp_c\n0,23.1\n10,24.0\n20,24.9\n")
		}),
	}
}

func dumpSlips() []slip {
	found := func(p *proof) bool { return p.detects && p.family.Bus.Kind != "PCIe" && len(p.family.IDs) > 0 }
	on := func(id, group string, change func(v *visit, space []byte) []byte) slip {
		return slip{id: id, group: group, needs: found, spoil: func(v *visit, e *evidence) {
			if e.step.Kind == plans.DetectionKind && !v.card.silent {
				e.dump = change(v, v.card.configuration())
			}
		}}
	}
	return []slip{
		on("dump-of-other-card", groupPerson, func(v *visit, space []byte) []byte {
			space[2] ^= 0x55
			return dumped(space, v.card.window())
		}),
		on("dump-of-other-device", groupPerson, func(v *visit, space []byte) []byte {
			space[0], space[1], space[0x0b], space[0x0a] = 0x11, 0xf0, 2, 0 // a network controller
			return dumped(space, 1<<20)
		}),
		on("dump-torn", groupBench, func(v *visit, space []byte) []byte {
			whole := dumped(space, v.card.window())
			return whole[:60]
		}),
	}
}

// firstNumber applies a change to the first number that was typed in steps of a
// kind.
func firstNumber(kind plans.Kind, change func(text string) string) func(*visit, *evidence) {
	return func(_ *visit, e *evidence) {
		if e.step.Kind != kind || len(e.answers) == 0 {
			return
		}
		a := &e.answers[0]
		a.texts = slices.Clone(a.texts)
		for i := range a.texts {
			a.texts[i] = change(a.texts[i])
		}
	}
}

func typingSlips() []slip {
	clocks := func(p *proof) bool { return p.hasClock("core") }
	rails := func(p *proof) bool { return p.rails > 0 }
	sizes := func(p *proof) bool { return p.sizes }
	on := func(id string, needs func(*proof) bool, spoil func(*visit, *evidence)) slip {
		return slip{id: id, group: groupPerson, needs: needs, spoil: spoil}
	}
	clock := func(id string, change func(string) string) slip {
		return on(id, clocks, firstNumber(plans.ClockKind, change))
	}
	unit := func(from, to string) func(string) string {
		return func(text string) string { return strings.Replace(text, from, to, 1) }
	}
	return []slip{
		clock("digits-exchanged", func(text string) string {
			b := []byte(text)
			for i := 0; i+1 < len(b); i++ {
				if isDigit(b[i]) && isDigit(b[i+1]) && b[i] != b[i+1] {
					b[i], b[i+1] = b[i+1], b[i]
					break
				}
			}
			return string(b)
		}),
		clock("decimal-point-lost", unit(".", "")),
		clock("neighbouring-key", func(text string) string {
			b := []byte(text)
			b[0] = neighbour(b[0])
			return string(b)
		}),
		clock("letter-o-for-0", func(text string) string { return strings.Replace(text[:1]+"O"+text[2:], " ", " ", 1) }),
		clock("two-points", unit(".", "..")),
		clock("unit-khz", unit("MHz", "kHz")),
		clock("unit-of-voltage", unit("MHz", "V")),
		on("rows-exchanged", func(p *proof) bool { return p.clocksDiffer() }, func(_ *visit, e *evidence) {
			core, mem := e.answered("core"), e.answered("memory")
			if e.step.Kind == plans.ClockKind && core != nil && mem != nil {
				core.texts, mem.texts = mem.texts, core.texts
			}
		}),
		on("voltage-as-resistance", rails, func(_ *visit, e *evidence) {
			if e.step.Kind == plans.RailsKind && len(e.answers) > 1 {
				e.answers[0].texts = []string{strings.Replace(e.answers[len(e.answers)-1].texts[0], "V", "ohm", 1)}
			}
		}),
		on("kilo-typed-too-much", rails, firstNumber(plans.RailsKind, unit(" ", " k"))),
		on("size-in-kib", sizes, firstNumber(plans.MemorySizeKind, unit("MiB", "KiB"))),
		on("size-digit-wrong", sizes, firstNumber(plans.MemorySizeKind, func(text string) string {
			b := []byte(text)
			b[0] = neighbour(b[0])
			return string(b)
		})),
		on("id-digit-wrong", func(p *proof) bool { return p.detects && len(p.family.IDs) > 0 }, func(v *visit, e *evidence) {
			if a := e.answered("id"); a != nil && e.step.Kind == plans.DetectionKind {
				a.texts = []string{v.card.id.Vendor + ":" + flipped(v.card.id.Device, v.d)}
			}
		}),
		on("rate-not-there", func(p *proof) bool { return p.detects && len(p.bestRates()) > 0 }, func(_ *visit, e *evidence) {
			if a := e.answered("rate"); a != nil && e.step.Kind == plans.DetectionKind {
				a.texts = []string{"3x"}
			}
		}),
		on("mode-not-looked-at", func(p *proof) bool { return p.looked }, func(_ *visit, e *evidence) {
			if e.step.Kind == plans.ImageKind && len(e.answers) > 0 {
				e.answers = e.answers[1:]
			}
		}),
		on("point-not-looked-at", func(p *proof) bool { return len(p.points) > 0 }, func(_ *visit, e *evidence) {
			if e.step.Kind == plans.InspectionKind && len(e.answers) > 0 {
				e.answers = e.answers[1:]
			}
		}),
		on("wrong-instrument-named", clocks, func(v *visit, e *evidence) {
			if e.step.Kind == plans.ClockKind {
				if g, ok := v.bench.gauge("resistance", ""); ok {
					e.instrument = g.ID
				}
			}
		}),
	}
}

func isDigit(b byte) bool { return b >= '0' && b <= '9' }

// neighbour is the key beside a digit.
func neighbour(b byte) byte {
	if b == '9' || b == '0' {
		return '8'
	}
	return b + 1
}

// previousCard takes a good card through the bench first, and keeps its logs.
func previousCard(v *visit) { v.previous = true }
