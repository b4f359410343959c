package memory_test

import (
	"testing"

	"pgregory.net/rapid"

	"proveout/scoring/memory"
)

const (
	kib = 1 << 10
	mib = 1 << 20
)

func TestExplainSize(t *testing.T) {
	one := board{words: 1 << 20, chipBits: 16, bus: 128, banks: 1}.organisation() // 16 MiB
	keeps := one
	keeps.Reserved = mib                                                           // by the family's word
	banks := board{words: 1 << 17, chipBits: 16, bus: 64, banks: 4}.organisation() // 4 × 1 MiB
	banks.Reserved = mib
	two := board{words: 1 << 20, chipBits: 16, bus: 64, banks: 2}.organisation() // 2 × 8 MiB
	pool := func(name string) memory.Organisation {
		o := board{words: 1 << 18, chipBits: 16, bus: 64, banks: 1}.organisation() // 2 MiB
		o.Name = name
		return o
	}
	alone := []memory.Organisation{one}
	frameAndTexture := []memory.Organisation{pool("frame"), pool("texture")}
	for _, tt := range []struct {
		name     string
		pools    []memory.Organisation
		reported int64
		whole    memory.Answer
		kind     memory.SizeKind
		reserved int64
	}{
		{"all there", alone, 16 * mib, memory.Yes, "", 0},
		{"15 of 16 MiB", alone, 15 * mib, memory.Undecided, memory.SizeReserved, mib},
		{"15 of 16 MiB, 1 MiB reserved", []memory.Organisation{keeps}, 15 * mib, memory.Yes, memory.SizeReserved, mib},
		{"15.5 of 16 MiB, 1 MiB reserved", []memory.Organisation{keeps}, 15*mib + mib/2, memory.Yes, memory.SizeReserved, mib / 2},
		{"14 of 16 MiB, 1 MiB reserved", []memory.Organisation{keeps}, 14 * mib, memory.No, memory.SizeUnexplained, 0},
		{"7 of 16 MiB, 1 MiB reserved", []memory.Organisation{keeps}, 7 * mib, memory.No, memory.SizeAddressLine, mib},
		{"a bank less, as much as is reserved", []memory.Organisation{banks}, 3 * mib, memory.Undecided, memory.SizeReserved, mib},
		{"1 GiB", alone, 1 << 30, memory.Undecided, memory.SizeLarger, 0},
		{"16 MB taken as millions", alone, 16e6, memory.Yes, memory.SizeReserved, 777216},
		{"16.8 MB taken as MiB", alone, 17592186, memory.Yes, memory.SizeReserved, 16*mib - 17592186},
		{"half", alone, 8 * mib, memory.No, memory.SizeAddressLine, 0},
		{"quarter", alone, 4 * mib, memory.No, memory.SizeAddressLine, 0},
		{"a bank less", []memory.Organisation{two}, 8 * mib, memory.No, memory.SizeBankMissing, 0},
		{"half a bank less", []memory.Organisation{two}, 12 * mib, memory.No, memory.SizeHalfDepthChip, 0},
		{"half less a reservation", alone, 8*mib - 256*kib, memory.No, memory.SizeAddressLine, 256 * kib},
		{"double", alone, 32 * mib, memory.Undecided, memory.SizeLarger, 0},
		{"frame only", frameAndTexture, 2 * mib, memory.Undecided, memory.SizePoolUncounted, 0},
		{"half of the texture", frameAndTexture, 3 * mib, memory.No, memory.SizeAddressLine, 0},
		{"frame and texture", frameAndTexture, 4 * mib, memory.Yes, "", 0},
		{"odd", alone, 10*mib + 12345, memory.No, memory.SizeUnexplained, 0},
		{"nothing", alone, 0, memory.No, memory.SizeUnexplained, 0},
	} {
		r := memory.ExplainSize(tt.pools, tt.reported, 0)
		kind, reserved := memory.SizeKind(""), int64(0)
		if len(r.Explanations) > 0 {
			kind, reserved = r.Explanations[0].Kind, r.Explanations[0].Reserved
		}
		if r.Whole != tt.whole || kind != tt.kind || reserved != tt.reserved {
			t.Errorf("%s: %v, %q, %d reserved; want %v, %q, %d\n%+v",
				tt.name, r.Whole, kind, reserved, tt.whole, tt.kind, tt.reserved, r.Explanations)
		}
	}
}

// A readout in whole MiB is too coarse to take missing memory for a matter of
// counting.
func TestCoarseReadout(t *testing.T) {
	for _, tt := range []struct {
		words    int64
		bus      int
		reported int64
		whole    memory.Answer
		key      string
	}{
		{1 << 20, 128, 15 * mib, memory.Undecided, "memory.kept-perhaps"},
		{1 << 20, 128, 14 * mib, memory.Undecided, "memory.kept-perhaps"},
		{1 << 20, 128, 13 * mib, memory.No, "memory.no-simple-loss"},
		{1 << 18, 64, mib, memory.No, "memory.upper-line-lost"},     // 1 of 2 MiB
		{1 << 18, 128, 3 * mib, memory.No, "memory.no-simple-loss"}, // 3 of 4 MiB
	} {
		o := board{words: tt.words, chipBits: 16, bus: tt.bus, banks: 1}.organisation()
		r := memory.ExplainSize([]memory.Organisation{o}, tt.reported, mib)
		if r.Whole != tt.whole || r.Explanations[0].Text.Key != tt.key {
			t.Errorf("%d of %d MiB: %v, %v; want %v, %s",
				tt.reported/mib, o.Bytes()/mib, r.Whole, r.Explanations[0].Text, tt.whole, tt.key)
		}
	}
}

// What a program shows that counts in steps as large as the memory, or as a part
// of it that can be lost, shows nothing.
func TestStepsAsLargeAsTheMemory(t *testing.T) {
	const gib = 1 << 30
	for _, tt := range []struct {
		name           string
		words          int64
		reported, step int64
		whole          memory.Answer
		key            string
	}{
		{"1 GiB on 16 MiB", 1 << 20, gib, gib, memory.Undecided, "memory.larger"},
		{"0 GiB on 16 MiB", 1 << 20, 0, gib, memory.Undecided, "memory.steps-too-coarse"},
		{"1 GiB on 1 GiB, which half of it reads as, too", 1 << 26, gib, gib + 2, memory.Undecided, "memory.steps-too-coarse"},
		{"1.0 GiB on 1 GiB", 1 << 26, gib, gib / 10, memory.Yes, ""},
		{"16 MiB on 16 MiB", 1 << 20, 16 * mib, mib, memory.Yes, ""},
	} {
		o := board{words: tt.words, chipBits: 16, bus: 128, banks: 1}.organisation()
		r := memory.ExplainSize([]memory.Organisation{o}, tt.reported, tt.step)
		key := ""
		if len(r.Explanations) > 0 {
			key = r.Explanations[0].Text.Key
		}
		if r.Whole != tt.whole || key != tt.key {
			t.Errorf("%s: %q, %s; want %q, %s", tt.name, r.Whole, key, tt.whole, tt.key)
		}
	}
}

func TestHalfListsEveryCause(t *testing.T) {
	two := board{words: 1 << 20, chipBits: 16, bus: 64, banks: 2}.organisation()
	r := memory.ExplainSize([]memory.Organisation{two}, 8*mib, 0)
	want := map[memory.SizeKind]bool{memory.SizeBankMissing: true, memory.SizeAddressLine: true, memory.SizeHalfBus: true}
	for _, e := range r.Explanations {
		delete(want, e.Kind)
		if e.NextCheck.IsZero() || len(e.Chips) == 0 {
			t.Errorf("%+v has no chips or no next check", e)
		}
	}
	if len(want) > 0 {
		t.Errorf("half of the memory: %v not named in %+v", want, r.Explanations)
	}
	if got := r.Explanations[0].Chips; len(got) != 4 || got[0] != "U5" {
		t.Errorf("chips of the missing bank %v, want the upper bank", got)
	}
}

// A bank of five chips has no half that a controller could leave out.
func TestHalfBusOfWholeChips(t *testing.T) {
	five := board{words: 1 << 19, chipBits: 16, bus: 80, banks: 2}.organisation()
	r := memory.ExplainSize([]memory.Organisation{five}, 5*mib, 0)
	for _, e := range r.Explanations {
		if e.Kind == memory.SizeHalfBus {
			t.Errorf("%v", e.Text)
		}
	}
	if first := r.Explanations[0]; first.Kind != memory.SizeBankMissing || len(first.Chips) != 5 {
		t.Errorf("%+v", first)
	}
}

func TestExplainSizeAlwaysAnswers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var pools []memory.Organisation
		total := int64(0)
		for range rapid.IntRange(1, 3).Draw(t, "pools") {
			pools = append(pools, drawOrganisation(t))
			total += pools[len(pools)-1].Bytes()
		}
		reported := rapid.Int64Range(0, 4*total).Draw(t, "reported")
		r := memory.ExplainSize(pools, reported, rapid.Int64Range(0, 1<<20).Draw(t, "step"))
		if whole := reported == r.ExpectedBytes && r.Whole == memory.Yes; whole != (len(r.Explanations) == 0) {
			t.Fatalf("%d of %d: %d explanations", reported, r.ExpectedBytes, len(r.Explanations))
		}
		sum := 0.0
		for i, e := range r.Explanations {
			sum += e.Confidence
			if i > 0 && e.Confidence > r.Explanations[i-1].Confidence {
				t.Fatal("not ranked")
			}
		}
		if sum > 1 {
			t.Fatalf("confidences sum to %v", sum)
		}
	})
}
