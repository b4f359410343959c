package simulated

import (
	"slices"

	"proveout/plans"
	"proveout/scoring/memory"
	"proveout/scoring/picture/simulate"
)

// A cardFault is one thing that can be wrong with a card.
type cardFault struct {
	id           string
	least, gross float64 // sizes; equal where the fault has none
	unit         string  // of the sizes, as printed
	needs        func(*proof) bool
	inflict      func(s *specimen, size float64, d dice)
	named        func(s *specimen, r result) bool // nil: what points to it cannot be told from other faults
}

// always is for faults that every card can have.
func always(*proof) bool { return true }

// A faultGroup is faults that the same steps could name.
type faultGroup struct {
	shown  func(*proof) bool // whether the plan has one of these steps
	faults []cardFault
}

// faultGroups are the faults of cards. Sizes are common practice, no source: least
// is the smallest that the plan is asked to notice, gross what nobody may let pass.
func (p *proof) faultGroups() []faultGroup {
	return []faultGroup{
		{always, clockFaults()},
		{func(p *proof) bool { return p.rails > 0 }, railFaults()},
		{func(p *proof) bool { return p.detects }, busFaults()},
		{func(p *proof) bool { return p.sizes }, sizeFaults()},
		{func(p *proof) bool { return p.scans || len(p.patterns) > 0 }, memoryFaults()},
		{func(p *proof) bool { return p.looked }, pictureFaults()},
		{func(p *proof) bool { return p.soaks }, heatFaults()},
		{func(p *proof) bool { return p.loads }, paceFaults()},
		{always, eyeFaults(p.points)},
	}
}

func clockFaults() []cardFault {
	off := func(name string, sign float64) func(*specimen, float64, dice) {
		return func(s *specimen, size float64, _ dice) { s.clocks[name] *= 1 + sign*size/100 }
	}
	has := func(name string) func(*proof) bool {
		return func(p *proof) bool { return p.hasClock(name) }
	}
	return []cardFault{
		{"core-clock-high", 1.5, 6, "%", has("core"), off("core", 1), failing("core")},
		{"core-clock-low", 1.5, 6, "%", has("core"), off("core", -1), failing("core")},
		{"memory-clock-high", 1.5, 6, "%", has("memory"), off("memory", 1), failing("memory")},
		{"memory-clock-low", 1.5, 6, "%", has("memory"), off("memory", -1), failing("memory")},
		{"variant-strapped", 1, 1, "", func(p *proof) bool { return len(p.otherClocks) > 0 },
			func(s *specimen, _ float64, d dice) {
				s.clocks = s.of.otherClocks[d.IntN(len(s.of.otherClocks))]
			}, failing("core", "memory")},
		// The readout counts against the crystal itself, so that it shows nothing.
		{"crystal-slow", 6, 20, "%", always, func(s *specimen, size float64, _ dice) {
			s.crystal = -size / 100
			if size >= 20 {
				s.looks[anyMode] = "no picture; the monitor says that it is out of range"
			}
		}, nil},
	}
}

func railFaults() []cardFault {
	withOhms := func(p *proof) bool { return len(p.family.Rails) > 0 }
	volts := func(sign float64) func(*specimen, float64, dice) {
		return func(s *specimen, size float64, d dice) {
			rail := s.aRail(d)
			s.volts[rail.Name] = rail.Voltage.Value * (1 + sign*size/100)
		}
	}
	ohms := func(factor func(rail *plans.Rail, size float64) float64) func(*specimen, float64, dice) {
		return func(s *specimen, size float64, d dice) {
			rail := s.aRail(d)
			s.ohms[rail.Name] = factor(rail, size)
		}
	}
	return []cardFault{
		{"rail-low", 8, 20, "%", withOhms, volts(-1), failingStep(plans.RailsKind)},
		{"rail-high", 12, 25, "%", withOhms, volts(1), failingStep(plans.RailsKind)},
		// The size is a share of the limit of a short, or of 1 Ω where the family states none.
		{"rail-short", 60, 10, "%", withOhms, ohms(func(rail *plans.Rail, size float64) float64 {
			if rail.ShortBelow == nil {
				return size / 100
			}
			return rail.ShortBelow.Value * size / 100
		}), failingStep(plans.RailsKind)},
		{"rail-open", 15, 900, "×", withOhms, ohms(func(rail *plans.Rail, size float64) float64 {
			return usualOhms(rail) * size
		}), failingStep(plans.RailsKind)},
		// A regulator that cannot hold its voltage under load: without load it shows a
		// little of it, and under load the card stops.
		{"regulator-sag", 6, 15, "%", withOhms, func(s *specimen, size float64, d dice) {
			rail := s.aRail(d)
			s.volts[rail.Name] *= 1 - size/300
			s.pace.freeze = size / 2
			s.heat.stopsAt = 600
		}, nil},
	}
}

func busFaults() []cardFault {
	return []cardFault{
		{"not-found", 1, 1, "", always, func(s *specimen, _ float64, _ dice) { s.silent = true },
			failingStep(plans.DetectionKind)},
		{"other-device-id", 1, 1, "", func(p *proof) bool { return len(p.family.IDs) > 0 },
			func(s *specimen, _ float64, d dice) { s.id.Device = flipped(s.id.Device, d) }, failing("id")},
		{"other-vendor-id", 1, 1, "", func(p *proof) bool { return len(p.family.IDs) > 0 },
			func(s *specimen, _ float64, d dice) { s.id.Vendor = flipped(s.id.Vendor, d) }, failing("id")},
		{"link-rate-down", 1, 1, "", func(p *proof) bool { return len(p.bestRates()) > 1 },
			func(s *specimen, _ float64, d dice) {
				rates := s.of.bestRates()
				slower := rates[:len(rates)-1]
				s.link = slower[d.IntN(len(slower))]
			}, failing("rate")},
		// A contact that comes and goes: a lower rate, and errors under load.
		{"contact-intermittent", 0.3, 1, "", always, func(s *specimen, size float64, d dice) {
			s.pace.freeze = 4 * size
			if len(s.of.bestRates()) > 1 && size >= 1 {
				s.link = s.of.bestRates()[0]
			}
			s.heat.stopsAt = 900
			if d.chance(size) {
				s.looks[anyMode] = "the picture drops out at times"
			}
		}, nil},
	}
}

func sizeFaults() []cardFault {
	return []cardFault{
		{"half-memory", 0.5, 0.5, "", func(p *proof) bool { return len(p.family.Memory) > 0 },
			func(s *specimen, size float64, _ dice) {
				pool := s.family.Memory[len(s.family.Memory)-1]
				s.bytes[pool.Name] = pool.Total.Value * size
			}, failingStep(plans.MemorySizeKind)},
		{"memory-short-by-chip", 1, 1, "", func(p *proof) bool { return chipsOf(p.family) > 1 },
			func(s *specimen, _ float64, _ dice) {
				pool := s.family.Memory[0]
				chips := float64(len(pool.Banks) * len(pool.Banks[0]))
				s.bytes[pool.Name] = pool.Total.Value * (1 - 1/chips)
			}, failingStep(plans.MemorySizeKind)},
	}
}

// memoryFaults are those of the memory that holds the picture.
func memoryFaults() []cardFault {
	in := func(p *proof) bool { return p.frame() != nil }
	lines := func(kind memory.Kind) func(*specimen, float64, dice) {
		return func(s *specimen, _ float64, d dice) {
			f := s.aChip(kind, d)
			f.Line2 = f.Line ^ 1
			f.Wired = simulate.Wired(d.IntN(2))
			s.spoilMemory(f, d)
		}
	}
	amount := func(kind memory.Kind) func(*specimen, float64, dice) {
		return func(s *specimen, size float64, d dice) {
			f := s.aChip(kind, d)
			f.Rate, f.Amount = size/100, d.IntN(2)
			s.spoilMemory(f, d)
		}
	}
	return []cardFault{
		{"data-line-stuck-0", 1, 1, "", in, lines(memory.LineStuck0), namesChip},
		{"data-line-stuck-1", 1, 1, "", in, lines(memory.LineStuck1), namesChip},
		{"data-line-open", 1, 1, "", in, lines(memory.LineOpen), namesChip},
		{"data-lines-shorted", 1, 1, "", in, lines(memory.LinesShorted), namesChip},
		{"data-lines-swapped", 1, 1, "", in, lines(memory.LinesSwapped), namesChip},
		{"chip-dead", 1, 1, "", in, amount(memory.ChipDead), namesChip},
		{"chip-weak", 0.5, 5, "%", in, amount(memory.ChipWeak), namesChip},
		{"bank-lost", 1, 1, "", in, amount(memory.BankLost), nil},
		{"address-line", 1, 1, "", in, func(s *specimen, _ float64, d dice) {
			f := s.aChip(memory.AddressLine, d)
			f.AddressLine = 2 + d.IntN(9)
			if d.chance(0.5) {
				f.Chip = -1
			}
			s.spoilMemory(f, d)
		}, nil},
		{"cells-stuck", 3, 40, "", func(p *proof) bool { return p.frame() != nil && p.scans }, func(
			s *specimen, size float64, d dice) {
			f := s.aChip(memory.IsolatedCells, d)
			pool := s.frame()
			for range int(size) {
				f.cells = append(f.cells, cell{d.Int64N(pool.Words), d.IntN(pool.ChipBits), d.Uint64() & 1})
			}
			s.spoilMemory(f, d)
		}, namesChip},
	}
}

func pictureFaults() []cardFault {
	shown := func(p *proof) bool { return len(p.patterns) > 0 }
	on := func(looks string, fault func(size float64, d dice) simulate.Fault) func(*specimen, float64, dice) {
		return func(s *specimen, size float64, d dice) {
			s.screen = append(s.screen, fault(size, d))
			s.looks[anyMode] = looks
		}
	}
	// The eye misses the least of them.
	faint := func(above float64, looks string, fault func(size float64, d dice) simulate.Fault,
	) func(*specimen, float64, dice) {
		return func(s *specimen, size float64, d dice) {
			s.screen = append(s.screen, fault(size, d))
			if size >= above {
				s.looks[anyMode] = looks
			}
		}
	}
	named := failingStep(plans.ImageKind)
	return []cardFault{
		{"converter-bit-dead", 5, 7, "", shown, faint(7, "colours in steps", func(size float64, d dice) simulate.Fault {
			return simulate.Fault{Kind: simulate.ConverterBit, Channel: d.IntN(3), Bit: int(size), Amount: d.IntN(2)}
		}), named},
		{"channel-missing", 1, 1, "", shown, on("a colour is missing", func(_ float64, d dice) simulate.Fault {
			return simulate.Fault{Kind: simulate.ChannelMissing, Channel: d.IntN(3)}
		}), named},
		{"channels-swapped", 1, 1, "", shown, on("wrong colours", func(_ float64, d dice) simulate.Fault {
			return simulate.Fault{Kind: simulate.ChannelSwapped, Channel: d.IntN(3)}
		}), named},
		{"picture-black", 1, 1, "", shown, on("black", func(float64, dice) simulate.Fault {
			return simulate.Fault{Kind: simulate.Black}
		}), named},
		{"picture-cut", 16, 80, "px", shown, faint(80, "black on the right", func(size float64, _ dice) simulate.Fault {
			return simulate.Fault{Kind: simulate.Geometry, Amount: int(size)}
		}), named},
		{"block-displaced", 6, 40, "px", shown, faint(40, "a moved block", func(size float64, _ dice) simulate.Fault {
			return simulate.Fault{Kind: simulate.Displaced, Amount: int(size)}
		}), named},
		{"stripes", 24, 80, "/255", shown, faint(80, "vertical stripes", func(size float64, d dice) simulate.Fault {
			return simulate.Fault{Kind: simulate.Stripe, Period: []int{4, 8, 16}[d.IntN(3)], Amount: int(size)}
		}), named},
		{"sparkle", 0.3, 5, "%", shown, faint(5, "white and black dots", func(size float64, _ dice) simulate.Fault {
			return simulate.Fault{Kind: simulate.Noise, Rate: size / 100}
		}), named},
		{"sync-jitter", 80, 250, "px/100", shown, faint(250, "it trembles", func(size float64, _ dice) simulate.Fault {
			return simulate.Fault{Kind: simulate.Sampling, Amount: int(size)}
		}), named},
		{"picture-frozen", 1, 1, "", shown, on("the picture does not change", func(float64, dice) simulate.Fault {
			return simulate.Fault{Kind: simulate.Frozen}
		}), named},
		{"depth-short", 1, 1, "", func(p *proof) bool { return p.family.MaxDepth > 8 && p.looked },
			func(s *specimen, _ float64, _ dice) { s.depth = s.depth / 16 * 8 }, failing("depth")},
		{"mode-dark", 1, 1, "", func(p *proof) bool { return len(p.modes) > 1 },
			func(s *specimen, _ float64, _ dice) { s.looks[s.of.modes[len(s.of.modes)-1]] = "no picture" }, named},
	}
}

func heatFaults() []cardFault {
	soaks := func(p *proof) bool { return p.soaks }
	rise := func(s *specimen, size float64, _ dice) { s.heat.toAir *= 1 + size/100 }
	fan := func(p *proof) bool { return p.soaks && p.family.Thermal.Cooling == "fan" }
	named := failingStep(plans.SoakKind)
	return []cardFault{
		{"heatsink-not-seated", 25, 60, "%", soaks, func(s *specimen, size float64, _ dice) {
			// The chip is hotter, and the heatsink, which it heats through the board too,
			// runs hotter by the current that leaks more.
			s.heat.inside *= 3
			s.heat.power *= 1 + size/100
		}, named},
		{"fan-slow", 25, 60, "%", fan, rise, named},
		{"fan-dead", 120, 120, "%", fan, rise, named},
		{"air-blocked", 25, 80, "%", soaks, rise, named},
		{"compound-pumped-out", 12, 60, "%/h", soaks, func(s *specimen, size float64, _ dice) {
			s.heat.climb = s.heat.toAir * size / 100
		}, named},
		{"stops-in-soak", 30, 8, "min", soaks, func(s *specimen, size float64, _ dice) {
			s.heat.stopsAt = 60 * size
		}, nil},
		{"throttles-in-soak", 300, 600, "s", soaks, func(s *specimen, size float64, _ dice) {
			s.heat.cycle = size
		}, nil},
	}
}

func paceFaults() []cardFault {
	loads := func(p *proof) bool { return p.loads }
	named := failingStep(plans.LoadKind)
	return []cardFault{
		{"score-low", 7, 25, "%", loads, func(s *specimen, size float64, _ dice) { s.pace.fps *= 1 - size/100 }, named},
		{"score-spreads", 20, 40, "%", loads, func(s *specimen, size float64, _ dice) { s.pace.between = size / 100 }, named},
		{"throttles-under-load", 15, 40, "%", loads, func(s *specimen, size float64, _ dice) {
			s.pace.slump = size / 100
		}, named},
		{"freezes", 2.5, 10, "s", loads, func(s *specimen, size float64, _ dice) { s.pace.freeze = size }, named},
		{"stalls", 8, 60, "", loads, func(s *specimen, size float64, _ dice) { s.pace.stalls = int(size) }, named},
	}
}

// pointed begins the id of a fault that a point of the inspection looks for.
const pointed = "seen-"

// eyeFaults are those that the inspection looks for.
func eyeFaults(points []string) []cardFault {
	var out []cardFault
	for _, name := range points {
		out = append(out, cardFault{pointed + name, 1, 1, "", always,
			func(s *specimen, _ float64, _ dice) { s.flaws[name] = true }, failing(name)})
	}
	return out
}

// aRail is one of the rails by chance.
func (s *specimen) aRail(d dice) *plans.Rail { return &s.family.Rails[d.IntN(len(s.family.Rails))] }

// aChip is a fault of one line of one chip of the frame memory, in the part of it
// that the picture lies in.
func (s *specimen) aChip(kind memory.Kind, d dice) memoryFault {
	pool := s.frame()
	f := memoryFault{pool: pool.Name, ofFrame: true}
	f.Kind, f.Chip, f.Line = kind, d.IntN(len(pool.Banks[0])), d.IntN(pool.ChipBits)
	return f
}

func (s *specimen) spoilMemory(f memoryFault, d dice) {
	s.memory = append(s.memory, f)
	if looks := memoryLooks(f, d); looks != "" {
		s.looks[anyMode] = looks
	}
}

// frame is the memory that holds the picture; nil where the family does not say
// how it is put together.
func (s *specimen) frame() *plans.MemoryPool { return frameOf(s.family) }

func frameOf(f *plans.Family) *plans.MemoryPool {
	for _, named := range []string{"frame", ""} {
		for i := range f.Memory {
			if p := &f.Memory[i]; p.Words > 0 && len(p.Banks) > 0 && (named == "" || p.Name == named) {
				return p
			}
		}
	}
	return nil
}

func chipsOf(f *plans.Family) int {
	if len(f.Memory) == 0 || len(f.Memory[0].Banks) == 0 {
		return 0
	}
	return len(f.Memory[0].Banks) * len(f.Memory[0].Banks[0])
}

// flipped is an identifier with one hexadecimal digit changed by one bit.
func flipped(id string, d dice) string {
	const hex = "0123456789abcdef"
	b := []byte(id)
	at := d.IntN(len(b))
	b[at] = hex[(slices.Index([]byte(hex), b[at])^1<<d.IntN(4))&15]
	return string(b)
}
