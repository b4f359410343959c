package memory_test

import (
	"fmt"

	"proveout/report/words"
	"proveout/scoring/memory"
)

// eightMiB is a memory of four chips, 1Mi×16, on a bus of 64 bits.
var eightMiB = memory.Organisation{
	Words: 1 << 20, ChipBits: 16, BusBits: 64,
	Banks: []memory.Bank{{Designators: []string{"U1", "U2", "U3", "U4"}}},
}

// Byte 2 of a beat is on the second chip of 16 bits.
func ExampleOrganisation_Locate() {
	place, _ := eightMiB.Locate(0x1002, 3)
	fmt.Printf("%s D%d, word 0x%x\n", place.Designator, place.Line, place.Word)
	// Output: U2 D3, word 0x200
}

// A memory test lists rows in which one line of one chip returns 1 only.
func ExampleFailures() {
	english, _ := words.In("en")
	f := memory.NewFailures(eightMiB)
	for i := range int64(400) {
		written := uint64(i*2654435761) & 0xfff7
		f.Add(&memory.Failure{Address: i*40503%(1<<20)*8 + 2, Written: written, Read: written | 8, Bits: 16})
	}
	for _, fault := range f.Report().Findings {
		fmt.Println(english.Plain().Tell(fault.Fact()))
		fmt.Println(fault.Kind, fault.Designator, fault.Lines)
	}
	// Output:
	// line stuck 1: data line D3 of U2 (bank 0, chip 1)
	// line-stuck-1 U2 [3]
}

// A card shows half of its memory.
func ExampleExplainSize() {
	english, _ := words.In("en")
	r := memory.ExplainSize([]memory.Organisation{eightMiB}, 4<<20, 0)
	fmt.Println("whole:", r.Whole)
	for _, e := range r.Explanations {
		fmt.Printf("%.2f %s\n", e.Confidence, english.Plain().Tell(e.Text))
	}
	// Output:
	// whole: no
	// 0.35 the upper address line of the memory lost (A19 of the word address): the upper half repeats the lower
	// 0.25 the memory runs at half its bus width (32 of 64 bits)
	// 0.20 a chip of half the depth (524 288 words) fitted in the memory: its whole bank counts half
}
