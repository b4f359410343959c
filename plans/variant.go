package plans

import (
	"fmt"
	"slices"

	"proveout/plans/document"
)

// A FamilyFile is a family with all its variants.
type FamilyFile struct {
	ID     string
	Title  string
	Maker  string
	Source string // the TOML text
	File   string // name of the file, for messages

	members []*Family // one for each variant, or the one family
}

// Variants returns the names of the variants in the order of the file; none
// when the family has no variants.
func (f *FamilyFile) Variants() []string {
	return slices.Clone(f.members[0].Aliases)
}

// Variant returns the family with the values of one variant. The name is empty
// for a family without variants.
func (f *FamilyFile) Variant(name string) (*Family, error) {
	for _, m := range f.members {
		if m.Variant == name {
			copied := *m
			return &copied, nil
		}
	}
	names := f.Variants()
	switch {
	case len(names) == 0:
		return nil, fmt.Errorf("family %q has no variants, so none is called %s", f.ID, document.Quoted(name))
	case name == "":
		return nil, fmt.Errorf("family %q has the variants %s: say which one the card is", f.ID, document.Listed(names))
	}
	meant := document.DidYouMean(name, names)
	return nil, fmt.Errorf("family %q has no variant %s; %s", f.ID, document.Quoted(name), meant)
}

// ParseFamily reads a family. The name is that of the file, for messages. It
// returns the family, or nil and everything that is wrong, in the order of the
// file.
func ParseFamily(name string, data []byte) (*FamilyFile, []Problem) {
	f := &FamilyFile{Source: string(data), File: name}
	const example = `begin with id = "…", or copy a family of the library`
	if problems := document.Read(name, data, example, nil, f.read); len(problems) > 0 {
		return nil, problems
	}
	for _, m := range f.members {
		m.Source, m.File = f.Source, f.File
	}
	return f, nil
}

// A variant is what differs from the family.
type variant struct {
	name    string
	section *section
}

// maxVariants bounds the work on a file: the family is read once for each.
const maxVariants = 32

// read reads the family once for each variant, with the keys of the variant put
// in place of its own.
func (f *FamilyFile) read(s *section) {
	var variants []variant
	family := &Family{}
	if s.Has("variant") {
		s.Quiet(func() { family.read(s) }) // the family alone may lack what every variant gives
	} else {
		family.read(s)
		f.members = []*Family{family}
	}
	f.ID, f.Title, f.Maker = family.ID, family.Title, family.Maker
	s.Read([]key{variantsKey(&variants)})
	if len(variants) > maxVariants {
		at := variants[maxVariants].section.Table().At
		s.Add(at, "variant", fmt.Sprintf("more than %d variants", maxVariants), "make it two families")
		variants = variants[:maxVariants]
	}
	var names []string
	for _, v := range variants {
		if s.Full() {
			return
		}
		names = append(names, v.name)
		m := &Family{Variant: v.name}
		m.read(s.Over(merge(s.Table(), v.section)))
		f.members = append(f.members, m)
	}
	for _, m := range f.members {
		m.Aliases = names
	}
}

func variantsKey(to *[]variant) key {
	note := func(s *section, v *variant) { v.section = s }
	list := document.Tables(to, variantKeys, note, "name")
	return key{Name: "variant", To: list, Filled: "remove it", What: "what differs between the variants of the family"}
}

// variantKeys are the keys of the family that a variant may change. They are
// read where they have taken the place of the family's.
func variantKeys(v *variant) []key {
	keys := []key{{Name: "name", To: document.Label(&v.name), Needed: `"…"`, What: "of the variant: 143, 2+4"}}
	for _, k := range new(Family).keys() {
		if k.Name != "id" && k.Name != "maker" {
			keys = append(keys, key{Name: k.Name, To: document.Later(k.To.Type), What: variantWhat(k)})
		}
	}
	return keys
}

func variantWhat(k key) string {
	switch {
	case k.Name == "reference":
		return "in place of the set of the same workload and bench, or one more"
	case toldApartBy(k.Name) != nil:
		return "keys in place of those of the " + k.Name + " of the same name"
	case k.To.Type == "tables":
		return "in place of the family's, all of them"
	case k.To.Type == "table":
		return "keys in place of the family's"
	}
	return "in place of the family's"
}

// toldApartBy returns what tells the tables of a key of the family apart, nil
// where a variant changes all of them at once.
func toldApartBy(key string) []string {
	switch key {
	case "memory", "clock", "rail":
		return byName
	case "reference":
		return byWorkload
	}
	return nil
}

// merge puts the keys of a variant in place of the family's.
func merge(root *document.Table, v *section) *document.Table {
	out := root.With(&document.Table{})
	for _, e := range v.Table().Entries {
		old := out.Get(e.Key)
		is := func(t document.Type) bool { return e.Value.Type == t && (old == nil || old.Value.Type == t) }
		switch {
		case e.Key == "name":
		case toldApartBy(e.Key) != nil && is(document.Array):
			mergeList(out, e, v)
		case old != nil && is(document.Group):
			old.Value = old.Value.With(e.Value.Table)
		case slices.ContainsFunc(new(Family).keys(), func(k key) bool { return k.Name == e.Key }):
			out.Set(e)
		}
	}
	return out
}

func mergeList(out *document.Table, e *document.Entry, v *section) {
	list := &document.Value{Type: document.Array, At: e.Value.At}
	if old := out.Get(e.Key); old != nil {
		*list = *old.Value
		list.Items = slices.Clone(list.Items)
	}
	out.Set(&document.Entry{Key: e.Key, At: e.At, Value: list})
	by := toldApartBy(e.Key)
	if len(e.Value.Items) > document.MaxItems || len(list.Items) > document.MaxItems {
		return // reported where the list is read
	}
	at := map[string]int{} // of the tables that the family has
	for i, o := range list.Items {
		if o.Type == document.Group {
			at[o.Table.Identity(by)] = i
		}
	}
	for _, item := range e.Value.Items {
		i, known := 0, false
		if item.Type == document.Group {
			i, known = at[item.Table.Identity(by)]
		}
		switch {
		case e.Key == "reference" && known:
			list.Items[i] = item
		case e.Key == "reference" || item.Type != document.Group: // the wrong type is reported there
			list.Items = append(list.Items, item)
		case known:
			list.Items[i] = list.Items[i].With(item.Table)
		case v.Full():
			return
		default:
			unknownInVariant(e.Key, list, item, v)
		}
	}
}

// unknownInVariant complains of a table that changes none of the family.
func unknownInVariant(key string, list, item *document.Value, v *section) {
	var names []string
	for _, o := range list.Items {
		if o.Type == document.Group {
			names = append(names, o.Table.Identity(byName))
		}
	}
	name, at := item.Table.Identity(byName), item.At
	if e := item.Table.Get("name"); e != nil {
		at = e.Value.At
	}
	fix := "give the family a " + key + " of this name first"
	if len(names) > 0 {
		fix = document.DidYouMean(name, names)
	}
	what := "the family has no " + key + " called " + document.Quoted(name)
	if name == "" {
		what = "a variant says by name which " + key + " of the family it changes"
	}
	v.Add(at, key, what, fix)
}
