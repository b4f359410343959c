package plans

import "proveout/plans/document"

// A KeyTable is the reference text of the keys of one table of a file.
type KeyTable = document.KeyTable

// Reference describes the keys that plans, families and shops may have; of a
// kind of step, the keys of the kind alone. The languages are those that a shop
// may choose from. It returns nothing for anything else.
func Reference(of string, languages []string) []KeyTable {
	switch FileKind(of) {
	case PlanKind:
		tables := document.Reference(of, "", newPlan().keys())
		for _, d := range Kinds() {
			tables = append(tables, d.reference()...)
		}
		return tables
	case FamilyKind:
		return document.Reference(of, "", append(new(Family).keys(), variantsKey(new([]variant))))
	case ShopKind:
		return document.Reference(of, "", newShop().keys(languages))
	}
	if d := Kind(of).Declared(); d.New != nil {
		return d.reference()
	}
	return nil
}

// WordsAt returns the words that may stand at a key of a family or a shop:
// "bench.slot.kind".
func WordsAt(file FileKind, path string) []string {
	if file == ShopKind {
		return document.WordsAt(newShop().keys(nil), path)
	}
	return document.WordsAt(new(Family).keys(), path)
}

func (d Declaration) reference() []KeyTable {
	tables := document.Reference(string(PlanKind), "[[step]]", d.New().keys())
	tables[0].Of, tables[0].What = `kind = "`+string(d.Kind)+`"`, d.What
	return tables
}
