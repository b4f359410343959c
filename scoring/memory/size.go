package memory

import (
	"cmp"
	"math"
	"slices"

	"proveout/plans/fact"
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

// Fact is the explanation's name in words.
func (k SizeKind) Fact() fact.Fact { return fact.New("memory.size-kind." + string(k)) }

// A SizeExplanation is one cause that would make the card report this size.
type SizeExplanation struct {
	Kind       SizeKind  `json:"kind"`
	Chips      []string  `json:"chips"` // designators to look at
	Confidence float64   `json:"confidence"`
	NextCheck  fact.Fact `json:"next_check"` // what would tell it from the others
	Text       fact.Fact `json:"text"`
	Bytes      int64     `json:"bytes"`    // the size this cause leaves
	Reserved   int64     `json:"reserved"` // bytes kept back or rounded away beside it

	exact bool // a loss that would be read as just this size
	asks  bool // nothing but a question: the family says nothing of it, or the readout is too coarse
}

// A SizeReport compares a reported memory size with the family's.
type SizeReport struct {
	ExpectedBytes int64             `json:"expected_bytes"`
	ReportedBytes int64             `json:"reported_bytes"`
	Explanations  []SizeExplanation `json:"explanations"`

	Whole Answer `json:"-"` // whether the memory is all there
}

// An Answer to a question; the zero value leaves it open.
type Answer string

// The answers.
const (
	Undecided Answer = ""
	Yes       Answer = "yes"
	No        Answer = "no"
)

const (
	kib = 1 << 10
	mib = 1 << 20
	// keptShare is the largest share of the memory for which it is asked whether
	// something is kept for the display, firmware or a cursor, where the family
	// states nothing. Common practice, no source.
	keptShare = 8
)

// ExplainSize compares the reported bytes, 0 or more, with the memories of a
// family (one, or frame and texture memory) and ranks what would make the card
// report them. step is the unit in which the reporting program counts, in
// bytes; 0 when not known.
//
// The memory is whole at its size, and at what the family says may be kept back
// of it, as far as no loss would read the same. A size that is short where the
// family states nothing is a question; what is short by more than it states,
// half or a quarter of it, or a bank less, is a fault.
func ExplainSize(pools []Organisation, reported, step int64) SizeReport {
	r := SizeReport{ExpectedBytes: totalBytes(pools), ReportedBytes: reported, Explanations: []SizeExplanation{}}
	losses := shortfalls(pools, reported, step)
	if reported == r.ExpectedBytes {
		// A readout in steps of 1 GiB shows a card of 1 GiB and its half alike.
		if len(losses) == 0 {
			r.Whole = Yes
			return r
		}
		r.Explanations = append(r.Explanations, tooCoarse(r.ExpectedBytes, step))
	} else if e, ok := rounding(r.ExpectedBytes, reservedBytes(pools), reported, step); ok {
		r.Explanations = append(r.Explanations, e)
	}
	r.Explanations = append(r.Explanations, losses...)
	if len(r.Explanations) == 0 {
		r.Explanations = append(r.Explanations, unexplained(pools, reported))
	}
	rank(r.Explanations)
	r.Whole = r.whole()
	return r
}

// whole is yes where only rounding or what the family lets be kept back explains
// the size, and open where a second reading must settle it.
func (r *SizeReport) whole() Answer {
	switch best := r.Explanations[0]; best.Kind {
	case SizeReserved:
		for _, e := range r.Explanations[1:] {
			if e.exact && e.Kind != SizePoolUncounted { // fits a loss exactly, too
				return Undecided
			}
		}
		if best.asks {
			return Undecided
		}
		return Yes
	case SizePoolUncounted, SizeLarger:
		return Undecided
	}
	return No
}

// Bytes is a number of bytes with the largest binary prefix up to MiB, to
// three decimals where it has more.
func Bytes(n int64) fact.Amount {
	size := fact.In(float64(n), "B")
	switch {
	case n >= mib || n <= -mib:
		size = fact.In(float64(n)/mib, "MiB")
	case n >= kib || n <= -kib:
		size = fact.In(float64(n)/kib, "KiB")
	}
	if thousandths := 1000 * size.Value; thousandths == math.Trunc(thousandths) {
		return size.Whole()
	}
	return size.To(0.001)
}

// tooCoarse is what to say of a whole size that a loss would be read as, too.
func tooCoarse(expected, step int64) SizeExplanation {
	return SizeExplanation{
		Kind: SizeReserved, Chips: []string{}, Bytes: expected, Confidence: 0.9, asks: true,
		Text:      fact.New("memory.steps-too-coarse", "step", Bytes(step)),
		NextCheck: fact.New("memory.read-finer"),
	}
}

// rounding explains a size that differs by what display memory, firmware or
// the way of counting take; reserved is what the family lets be kept back.
func rounding(expected, reserved, reported, step int64) (SizeExplanation, bool) {
	missing := expected - reported
	e := SizeExplanation{
		Kind: SizeReserved, Chips: []string{}, Bytes: reported, Reserved: missing, Confidence: 0.9,
		NextCheck: fact.New("memory.compare-good-card"),
	}
	decimal := int64(math.Round(float64(expected) / mib * 1e6)) // "16 MB" meant as 16 MiB, taken as 16 000 000
	swollen := int64(math.Round(float64(expected) / 1e6 * mib)) // 16.777 MB taken as 16.777 MiB
	// Half a step each way, and never a whole number of MiB: a coarse readout
	// cannot tell a count in millions from memory that is kept or gone.
	near := func(size int64) bool {
		return step < expected/keptShare && missing%mib != 0 &&
			math.Abs(float64(reported-size)) <= max(float64(step)/2, float64(size)/2000)
	}
	whole := Bytes(expected)
	switch {
	case missing > 0 && (near(decimal) || reported > 0 && reported%1e6 == 0 && expected/1e6*1e6 == reported):
		e.Text = fact.New("memory.counted-in-millions", "n", missing, "whole", whole)
	case near(swollen):
		millions := fact.In(float64(expected)/1e6, "").To(0.1)
		e.Text = fact.New("memory.millions-read-as-mib", "millions", millions, "whole", whole)
	case step > expected/keptShare && missing >= -step/2 && missing < step:
		e = tooCoarse(expected, step)
		e.Bytes, e.Reserved = reported, missing
	case step > 0 && step <= expected/keptShare && missing > -step && missing < step:
		e.Text = fact.New("memory.rounded", "step", Bytes(step), "difference", Bytes(max(missing, -missing)))
	case missing > 0 && missing <= reserved:
		e.Text = fact.New("memory.kept", "kept", Bytes(missing), "left", Bytes(reported), "whole", whole)
	case missing <= 0 || reserved > 0 || missing > expected/keptShare:
		return e, false
	case reported%(4*kib) == 0:
		e.Confidence, e.asks = 0.85, true
		e.Text = fact.New("memory.kept-perhaps", "kept", Bytes(missing), "left", Bytes(reported), "whole", whole)
		e.NextCheck = fact.New("memory.state-reserved")
	default:
		e.Confidence, e.asks = 0.6, true
		e.Text = fact.New("memory.odd-amount", "missing", Bytes(missing), "whole", whole)
	}
	return e, true
}

// shortfalls lists the losses whose size matches, also where something is
// kept back beside the loss.
func shortfalls(pools []Organisation, reported, step int64) []SizeExplanation {
	total, kept := totalBytes(pools), reservedBytes(pools)
	if reported > total {
		return nil
	}
	var out []SizeExplanation
	for _, p := range pools {
		for _, e := range p.losses(total-p.Bytes(), len(pools) > 1) {
			short := e.Bytes - reported
			slack := max(step, e.Bytes/2000)
			if reported == total { // a loss that is rounded up to it
				slack = (step + 1) / 2
			}
			most := kept
			if most == 0 {
				most = e.Bytes / keptShare / 2
			}
			switch {
			case short == 0:
				e.exact = true
			case short > -slack && short < slack:
				e.Confidence *= 0.9
				e.exact = true
			case reported == total:
				continue
			case short > 0 && short <= most && reported%(64*kib) == 0:
				e.Confidence *= 0.4
				e.Text = fact.New("memory.further-reserved", "loss", e.Text, "kept", Bytes(short))
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
func (o Organisation) losses(rest int64, several bool) []SizeExplanation {
	name := fact.New("memory.memory")
	if o.Name != "" {
		name = fact.New("memory.memory-named", "name", fact.Phrase(o.Name))
	}
	var out []SizeExplanation
	lose := func(kind SizeKind, chips []string, confidence float64, left int64, text, next fact.Fact) {
		out = append(out, SizeExplanation{
			Kind: kind, Chips: chips, Confidence: confidence, Bytes: rest + left, Text: text, NextCheck: next,
		})
	}
	whole, bank, banks, all := o.Bytes(), o.BankBytes(), len(o.Banks), o.designators(0)
	// Sizing writes to one bank after the other and stops at the first that does
	// not answer, so what is missing is counted from the top.
	for lost := 1; lost < banks; lost++ {
		lose(SizeBankMissing, o.designators(banks-lost), 0.5/float64(lost), whole-int64(lost)*bank,
			fact.New("memory.banks-missing", "n", lost, "banks", banks, "memory", name),
			fact.New("memory.measure-bank"))
	}
	if several {
		lose(SizePoolUncounted, all, 0.6, 0,
			fact.New("memory.uncounted", "memory", name), fact.New("memory.count-each"))
	}
	if o.AddressLines() > 0 && whole%2 == 0 {
		lose(SizeAddressLine, all, 0.35, whole/2,
			fact.New("memory.upper-line-lost", "memory", name, "line", addressLine(o.AddressLines()-1)),
			fact.New("memory.write-half-apart"))
	}
	// Chips with row and column addresses take both through the same pins: one
	// pin lost is two address bits lost.
	if o.AddressLines() > 1 && whole%4 == 0 {
		lose(SizeAddressLine, all, 0.3, whole/4,
			fact.New("memory.shared-pin-lost", "memory", name), fact.New("memory.write-quarter-apart"))
	}
	// A controller leaves whole chips out when it halves its bus, so a bank with
	// an odd number of them has no half.
	if chips := o.ChipsPerBank(); chips%2 == 0 {
		var upper []string
		for _, b := range o.Banks {
			upper = append(upper, b.Designators[chips/2:]...)
		}
		lose(SizeHalfBus, upper, 0.25, whole/2,
			fact.New("memory.half-bus", "memory", name, "half", o.BusBits/2, "bus", o.BusBits),
			fact.New("memory.check-straps"))
	}
	if bank%2 == 0 {
		lose(SizeHalfDepthChip, all, 0.2, whole-bank/2,
			fact.New("memory.half-depth", "words", o.Words/2, "memory", name), fact.New("memory.read-markings"))
	}
	return out
}

// unexplained is what is left to say when no loss and no rounding fits.
func unexplained(pools []Organisation, reported int64) SizeExplanation {
	e := SizeExplanation{Kind: SizeUnexplained, Confidence: 0.5, Bytes: reported}
	for _, p := range pools {
		e.Chips = append(e.Chips, p.designators(0)...)
	}
	total := totalBytes(pools)
	if reported < total {
		e.Text = fact.New("memory.no-simple-loss", "reported", Bytes(reported), "whole", Bytes(total))
		e.NextCheck = fact.New("memory.read-again")
		return e
	}
	e.Kind, e.Confidence = SizeLarger, 0.6
	if reported == 2*total {
		e.Confidence = 0.8
	}
	e.Text = fact.New("memory.larger", "reported", Bytes(reported), "whole", Bytes(total))
	e.NextCheck = fact.New("memory.choose-family")
	return e
}

// rank sorts by confidence and scales so that the confidences sum to less
// than one.
func rank(list []SizeExplanation) {
	slices.SortStableFunc(list, func(a, b SizeExplanation) int { return cmp.Compare(b.Confidence, a.Confidence) })
	sum := 0.0
	for _, e := range list {
		sum += e.Confidence
	}
	scale := min(1, 0.95/sum)
	for i := range list {
		list[i].Confidence = math.Round(1000*(list[i].Confidence*scale)) / 1000
	}
}
