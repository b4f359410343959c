package plans

// WorkKinds returns the usual kinds of work on a card, as jobs record them and
// as when_work names them. A plan may add its own with work_kinds.
func WorkKinds() []string {
	return []string{
		"cleaned",
		"solder bridge removed",
		"pins resoldered",
		"memory chips replaced",
		"memory chips resoldered",
		"graphics chip resoldered",
		"graphics chip replaced",
		"trace repaired",
		"pad repaired",
		"capacitors replaced",
		"voltage regulator replaced",
		"clock crystal replaced",
		"connector repaired",
		"edge contacts repaired",
		"firmware chip rewritten",
		"heatsink reseated",
		"thermal compound renewed",
		"fan replaced",
	}
}

// Work returns the kinds of work that the plan knows: the usual ones and its
// own.
func (p *Plan) Work() []string { return append(WorkKinds(), p.WorkKinds...) }
