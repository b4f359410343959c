package memory_test

import (
	"bytes"
	"encoding/binary"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"proveout/scoring/memory"
)

func drawOrganisation(t *rapid.T) memory.Organisation {
	b := board{
		chipBits: rapid.SampledFrom([]int{4, 8, 16, 32}).Draw(t, "chip bits"),
		bus:      rapid.SampledFrom([]int{32, 64, 128}).Draw(t, "bus"),
		banks:    rapid.IntRange(1, 3).Draw(t, "banks"),
		words:    rapid.SampledFrom([]int64{256, 1000, 4096}).Draw(t, "words"),
	}
	return b.organisation()
}

func TestLocateAddressInverse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o := drawOrganisation(t)
		addr := rapid.Int64Range(0, o.Bytes()-1).Draw(t, "addr")
		bit := rapid.IntRange(0, 7).Draw(t, "bit")
		p, ok := o.Locate(addr, bit)
		if !ok {
			t.Fatalf("address %d of %d not found", addr, o.Bytes())
		}
		if a, b := o.Address(p); a != addr || b != bit {
			t.Fatalf("address %d bit %d is at %+v, which is address %d bit %d", addr, bit, p, a, b)
		}
		if o.Designator(p.Bank, p.Chip) != p.Designator {
			t.Fatalf("designator %q", p.Designator)
		}
	})
}

func TestSimulationWithoutFaults(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o := drawOrganisation(t)
		s, err := memory.NewSimulation(o, nil, 1)
		if err != nil {
			t.Fatal(err)
		}
		at := rapid.Int64Range(0, o.Bytes()-1).Draw(t, "addr")
		p := rapid.SliceOfN(rapid.Byte(), 1, 300).Draw(t, "data")
		s.Write(at, p)
		got := make([]byte, len(p))
		s.Read(at, got)
		n := min(int64(len(p)), o.Bytes()-at)
		if !bytes.Equal(got[:n], p[:n]) {
			t.Fatalf("read back % x, wrote % x", got[:n], p[:n])
		}
	})
}

// scan writes varied data to the whole memory, reads it back twice and
// collects what differs.
func scan(t *rapid.T, o memory.Organisation, s *memory.Simulation, width int) []memory.Finding {
	f, err := memory.NewFailures(o)
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(11, 12))
	data := make([]byte, o.Bytes())
	for i := range data {
		data[i] = byte(r.Uint32())
	}
	s.Write(0, data)
	got := make([]byte, len(data))
	for range 2 {
		s.Read(0, got)
		var w, g [8]byte
		for a := 0; a+width/8 <= len(data); a += width / 8 {
			w, g = [8]byte{}, [8]byte{}
			copy(w[:], data[a:a+width/8])
			copy(g[:], got[a:a+width/8])
			f.Add(&memory.Failure{Address: int64(a), Written: binary.LittleEndian.Uint64(w[:]), Read: binary.LittleEndian.Uint64(g[:]),
				Bits: width, Seconds: math.NaN(), Celsius: math.NaN()})
		}
	}
	return f.Findings()
}

// A fault put into the simulation is found by scanning it.
func TestScanOfSimulation(t *testing.T) {
	kinds := []memory.Kind{memory.LineStuck0, memory.LineStuck1, memory.LineOpen, memory.LinesShorted, memory.LinesSwapped,
		memory.ChipDead, memory.ChipWeak, memory.AddressLine, memory.BankLost, memory.ChipRow, memory.ChipColumn, memory.IsolatedCells}
	rapid.Check(t, func(t *rapid.T) {
		b := board{words: 2048, bus: 64, chipBits: rapid.SampledFrom([]int{4, 8, 16, 32}).Draw(t, "chip bits"),
			banks: rapid.IntRange(1, 2).Draw(t, "banks")}
		o := b.organisation()
		o.ColumnBits = 7
		f := memory.Fault{Kind: rapid.SampledFrom(kinds).Draw(t, "kind"), OtherLine: -1,
			Bank: rapid.IntRange(0, b.banks-1).Draw(t, "bank"), Chip: rapid.IntRange(0, b.bus/b.chipBits-1).Draw(t, "chip"),
			High: rapid.Bool().Draw(t, "high"), Noise: rapid.Bool().Draw(t, "noise")}
		line := rapid.IntRange(0, b.chipBits-2).Draw(t, "line")
		switch f.Kind {
		case memory.LinesShorted, memory.LinesSwapped:
			f.Lines = []int{line, line + 1}
		case memory.AddressLine:
			f.AddressLine = rapid.IntRange(0, 10).Draw(t, "address line")
		case memory.ChipWeak:
			f.Rate = 0.05
		case memory.ChipRow, memory.ChipColumn:
			f.Block, f.Words = 128, []int64{int64(rapid.IntRange(128, 2047).Draw(t, "word"))}
		case memory.IsolatedCells:
			f.Words, f.Lines = []int64{17, 1100, 1901}, []int{line}
		default:
			f.Lines = []int{line}
		}
		s, err := memory.NewSimulation(o, []memory.Fault{f}, 5)
		if err != nil {
			t.Fatal(err)
		}
		got := scan(t, o, s, 64)
		if len(got) == 0 || got[0].Kind != f.Kind || got[0].Bank != f.Bank {
			t.Fatalf("%+v: found %+v", f, got)
		}
		if f.Kind != memory.BankLost && got[0].Chip != f.Chip {
			t.Fatalf("%+v: chip of %+v", f, got[0])
		}
		if (f.Kind == memory.LineOpen || f.Kind == memory.LinesShorted) && !slices.Equal(got[0].Lines, f.Lines) {
			t.Fatalf("%+v: lines of %+v", f, got[0])
		}
		if f.Kind == memory.AddressLine && got[0].AddressLine != f.AddressLine {
			t.Fatalf("%+v: address line of %+v", f, got[0])
		}
	})
}

func TestFaultChecks(t *testing.T) {
	o := boards[0].organisation()
	for _, f := range []memory.Fault{
		{Kind: memory.LineStuck0, Lines: []int{16}},
		{Kind: memory.LineStuck0},
		{Kind: memory.LinesShorted, Lines: []int{1}},
		{Kind: memory.AddressLine, AddressLine: 20, OtherLine: -1},
		{Kind: memory.AddressLine, AddressLine: 2, OtherLine: 2},
		{Kind: memory.ChipRow},
		{Kind: memory.ChipWeak, Rate: 2},
		{Kind: memory.ChipDead, Chip: 8},
		{Kind: memory.ChipDead, Bank: 1},
		{Kind: memory.GrowsWithTime},
	} {
		if _, err := memory.NewSimulation(o, []memory.Fault{f}, 1); err == nil {
			t.Errorf("%+v is accepted", f)
		}
	}
}
