package memory

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"proveout/scoring/conformity"
)

// A SizeKind names an explanation of a memory size that differs from the
// family's.
type SizeKind string

// Explanations of a size.
const (
	SizeReserved      SizeKind = "reserved-or-rounded"
	SizeBankMissing   SizeKind = "bank-missing"
	SizeAddressLine   SizeKind = "address-line-lost"
	SizeHalfDepthChip SizeKind = "half-depth-chip"
	SizeHalfBus       SizeKind = "half-bus-width"
	SizePoolUncounted SizeKind = "memory-not-counted"
	SizeLarger        SizeKind = "more-than-family"
	SizeUnexplained   SizeKind = "unexplained"
)

// A SizeExplanation is one cause that would make the card report this size.
type SizeExplanation struct {
	Kind       SizeKind `json:"kind"`
	Chips      []string `json:"chips"` // designators to look at
	Confidence float64  `json:"confidence"`
	NextCheck  string   `json:"next_check"` // what would tell it from the others
	Text       string   `json:"text"`
	Bytes      int64    `json:"bytes"`    // the size this cause leaves
	Reserved   int64    `json:"reserved"` // bytes kept back or rounded away beside it
}

// A SizeReport compares a reported memory size with the family's.
type SizeReport struct {
	ExpectedBytes int64              `json:"expected_bytes"`
	ReportedBytes int64              `json:"reported_bytes"`
	Verdict       conformity.Verdict `json:"verdict"`
	Explanations  []SizeExplanation  `json:"explanations"`
}

const (
	kib = 1 << 10
	mib = 1 << 20
	// reservedShare is the largest share of the memory taken as reserved for
	// the display, firmware or a cursor rather than as missing. Common
	// practice, no source.
	reservedShare = 8
)

// ExplainSize compares the reported bytes with the memories of a family (one,
// or frame and texture memory) and ranks what would make the card report
// them. step is the unit in which the reporting program counts, in bytes; 0
// when not known.
//
// The same size passes; so does a size short by what display and rounding
// take. Half or a quarter of the memory, or a bank less, is a fault.
func ExplainSize(pools []Organisation, reported, step int64) (SizeReport, error) {
	var errs []error
	if len(pools) == 0 {
		errs = append(errs, errors.New("no memory organisation"))
	}
	for _, p := range pools {
		errs = append(errs, p.Check())
	}
	if reported < 0 {
		errs = append(errs, fmt.Errorf("reported size %d bytes is negative", reported))
	}
	if step < 0 {
		errs = append(errs, fmt.Errorf("counting unit of %d bytes is negative", step))
	}
	if err := errors.Join(errs...); err != nil {
		return SizeReport{}, err
	}
	r := SizeReport{ExpectedBytes: TotalBytes(pools), ReportedBytes: reported, Explanations: []SizeExplanation{}}
	if reported == r.ExpectedBytes {
		r.Verdict = conformity.Pass
		return r, nil
	}
	if e, ok := rounding(r.ExpectedBytes, reported, step); ok {
		r.Explanations = append(r.Explanations, e)
	}
	r.Explanations = append(r.Explanations, shortfalls(pools, reported, step)...)
	if reported > r.ExpectedBytes && len(r.Explanations) == 0 {
		r.Explanations = append(r.Explanations, larger(pools, reported))
	}
	if len(r.Explanations) == 0 {
		r.Explanations = append(r.Explanations, SizeExplanation{Kind: SizeUnexplained, Chips: allChips(pools), Confidence: 0.5, Bytes: reported,
			Text:      fmt.Sprintf("%s of %s fits no simple loss of a bank, a line or a chip", Size(reported), Size(r.ExpectedBytes)),
			NextCheck: "read the size with a second program and at the card's own start-up screen; then run a memory scan"})
	}
	rank(r.Explanations)
	r.Verdict = sizeVerdict(r)
	return r, nil
}

// sizeVerdict passes what only rounding or reservation explains, and leaves
// open what a second reading must settle.
func sizeVerdict(r SizeReport) conformity.Verdict {
	best := r.Explanations[0]
	switch best.Kind {
	case SizeReserved:
		for _, e := range r.Explanations[1:] {
			if e.Reserved == 0 && e.Kind != SizePoolUncounted { // fits a loss exactly, too
				return conformity.Inconclusive
			}
		}
		return conformity.Pass
	case SizePoolUncounted, SizeLarger:
		return conformity.Inconclusive
	}
	return conformity.Fail
}

// rounding explains a size that differs by what display memory, firmware or
// the way of counting take.
func rounding(expected, reported, step int64) (SizeExplanation, bool) {
	e := SizeExplanation{Kind: SizeReserved, Chips: []string{}, Bytes: reported, Reserved: expected - reported, Confidence: 0.9,
		NextCheck: "compare with a known-good card of the family on this bench, or read the size at the card's start-up screen"}
	missing := expected - reported
	decimal := int64(math.Round(float64(expected) / mib * 1e6)) // "16 MB" meant as 16 MiB, taken as 16 000 000
	swollen := int64(math.Round(float64(expected) / 1e6 * mib)) // 16.777 MB taken as 16.777 MiB
	// Half a step each way, and never a whole number of MiB: a coarse readout
	// cannot tell a count in millions from memory that is kept or gone.
	near := func(a int64) bool {
		return missing%mib != 0 && math.Abs(float64(reported-a)) <= max(float64(step)/2, float64(a)/2000)
	}
	switch {
	case near(decimal) || reported > 0 && reported%1e6 == 0 && expected/1e6*1e6 == reported:
		e.Text = fmt.Sprintf("counted in units of 1 000 000 bytes: %d bytes are missing to %s", missing, Size(expected))
	case near(swollen):
		e.Text = fmt.Sprintf("%.1f million bytes were read as MiB: %s is the same memory", float64(expected)/1e6, Size(expected))
	case step > 0 && missing > -step && missing < step:
		e.Text = fmt.Sprintf("rounded to steps of %s: the difference is %s", Size(step), Size(max(missing, -missing)))
	case missing > 0 && missing <= expected/reservedShare && reported%(4*kib) == 0:
		e.Confidence = 0.85
		e.Text = fmt.Sprintf("%s kept for the display, cursor or firmware: %s of %s are left", Size(missing), Size(reported), Size(expected))
	case missing > 0 && missing <= expected/reservedShare:
		e.Confidence = 0.6
		e.Text = fmt.Sprintf("%s less than %s, an odd amount: rounding, or a reservation that is no multiple of 4 KiB", Size(missing), Size(expected))
	default:
		return e, false
	}
	return e, true
}

// shortfalls lists the losses whose size matches.
func shortfalls(pools []Organisation, reported, step int64) []SizeExplanation {
	total := TotalBytes(pools)
	var out []SizeExplanation
	for _, p := range pools {
		for _, e := range losses(p, total-p.Bytes(), len(pools) > 1) {
			short := e.Bytes - reported
			slack := max(step, e.Bytes/2000)
			switch {
			case short == 0:
			case short > -slack && short < slack:
				e.Confidence *= 0.9
			case short > 0 && short <= e.Bytes/reservedShare/2 && reported%(64*kib) == 0:
				e.Confidence *= 0.4
				e.Text += fmt.Sprintf("; a further %s reserved", Size(short))
			default:
				continue
			}
			e.Reserved = short
			out = append(out, e)
		}
	}
	return out
}

// losses lists what can be lost of one memory, with the size that remains of
// it and of rest, the other memories. The confidences are the shares of trade
// experience: common practice, no source.
func losses(p Organisation, rest int64, several bool) []SizeExplanation {
	name := "the memory"
	if p.Name != "" {
		name = "the " + p.Name + " memory"
	}
	whole, bank, n := p.Bytes(), p.BankBytes(), len(p.Banks)
	all := poolChips(p)
	var out []SizeExplanation
	for k := 1; k < n; k++ {
		out = append(out, SizeExplanation{Kind: SizeBankMissing, Chips: bankChips(p, n-k), Confidence: 0.5 / float64(k), Bytes: rest + whole - int64(k)*bank,
			Text:      fmt.Sprintf("%d of %d banks of %s missing; sizing stops at the first bank that does not answer, so the upper one is likelier", k, n, name),
			NextCheck: "measure chip select, clock and supply at the bank's chips; swap a chip select between banks and see whether the size changes"})
	}
	if several {
		out = append(out, SizeExplanation{Kind: SizePoolUncounted, Chips: all, Confidence: 0.6, Bytes: rest,
			Text:      name + " is not counted by this program, or does not answer at all",
			NextCheck: "use a program that reports each memory by itself, or load textures larger than what is left"})
	}
	if p.AddressLines() > 0 && whole%2 == 0 {
		out = append(out, SizeExplanation{Kind: SizeAddressLine, Chips: all, Confidence: 0.35, Bytes: rest + whole/2,
			Text:      fmt.Sprintf("the upper address line of %s lost (A%d of the word address): the upper half repeats the lower", name, p.AddressLines()-1),
			NextCheck: "write different values half the memory apart and read back: the same value twice means an address line; then follow that line from the controller to each chip"})
	}
	if p.AddressLines() > 1 && whole%4 == 0 {
		out = append(out, SizeExplanation{Kind: SizeAddressLine, Chips: all, Confidence: 0.3, Bytes: rest + whole/4,
			Text:      "an address pin that carries a row bit and a column bit in turn is lost in " + name + ": a quarter remains",
			NextCheck: "write different values at one half and one quarter of the memory and read back for repeats; then follow the upper address pin"})
	}
	half := (p.ChipsPerBank() + 1) / 2
	if p.BusBits%2 == 0 && p.ChipsPerBank() > 1 {
		var upper []string
		for _, b := range p.Banks {
			upper = append(upper, b.Designators[len(b.Designators)-half:]...)
		}
		out = append(out, SizeExplanation{Kind: SizeHalfBus, Chips: upper, Confidence: 0.25, Bytes: rest + whole/2,
			Text:      fmt.Sprintf("%s runs at half its bus width (%d of %d bits)", name, p.BusBits/2, p.BusBits),
			NextCheck: "straps that select the bus width; strobes and supply of the upper half's chips; a fill-rate test shows half the bandwidth"})
	}
	if bank%2 == 0 {
		out = append(out, SizeExplanation{Kind: SizeHalfDepthChip, Chips: all, Confidence: 0.2, Bytes: rest + whole - bank/2,
			Text:      fmt.Sprintf("a chip of half the depth (%d words) fitted in %s: its whole bank counts half", p.Words/2, name),
			NextCheck: "read the marking of every chip under the lens and compare depth and width"})
	}
	return out
}

// larger explains more memory than the family has.
func larger(pools []Organisation, reported int64) SizeExplanation {
	total := TotalBytes(pools)
	e := SizeExplanation{Kind: SizeLarger, Chips: allChips(pools), Confidence: 0.6, Bytes: reported,
		Text:      fmt.Sprintf("%s where the family has %s: another variant of the board, deeper chips, or the wrong family in the plan", Size(reported), Size(total)),
		NextCheck: "read the chip markings and the board's marking; choose the family that matches"}
	if reported == 2*total {
		e.Confidence = 0.8
	}
	return e
}

// rank sorts by confidence and scales so that the confidences sum to less
// than one.
func rank(list []SizeExplanation) {
	slices.SortStableFunc(list, func(a, b SizeExplanation) int {
		switch {
		case a.Confidence > b.Confidence:
			return -1
		case a.Confidence < b.Confidence:
			return 1
		}
		return 0
	})
	sum := 0.0
	for _, e := range list {
		sum += e.Confidence
	}
	if scale := 0.95 / sum; scale < 1 {
		for i := range list {
			list[i].Confidence *= scale
		}
	}
	for i := range list {
		list[i].Confidence = math.Round(1000*list[i].Confidence) / 1000
	}
}

func bankChips(p Organisation, from int) []string {
	var out []string
	for _, b := range p.Banks[from:] {
		out = append(out, b.Designators...)
	}
	return out
}

func poolChips(p Organisation) []string { return bankChips(p, 0) }

func allChips(pools []Organisation) []string {
	var out []string
	for _, p := range pools {
		out = append(out, poolChips(p)...)
	}
	return out
}

// Size prints a number of bytes with the largest binary unit that leaves it
// exact to three decimals.
func Size(n int64) string {
	switch {
	case n >= mib || n <= -mib:
		return trimmed(float64(n)/mib) + " MiB"
	case n >= kib || n <= -kib:
		return trimmed(float64(n)/kib) + " KiB"
	}
	return fmt.Sprintf("%d B", n)
}

func trimmed(x float64) string {
	return fmt.Sprintf("%g", math.Round(1000*x)/1000)
}
