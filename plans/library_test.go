package plans

import (
	"bufio"
	"os"
	"strings"
	"testing"
)

func libraryText(kind FileKind, id string) (string, error) {
	_, text, err := Find("", kind, id)
	return string(text), err
}

// Every file of the library loads, every plan fits every family and variant,
// and the library covers what it promises.
func TestLibrary(t *testing.T) {
	planIDs, familyIDs := embedded(PlanKind), embedded(FamilyKind)
	if len(planIDs) < 3 || len(familyIDs) < 5 {
		t.Fatalf("library has plans %v and families %v", planIDs, familyIDs)
	}
	var families []*Family
	scored := 0
	for _, id := range familyIDs {
		f, err := FindFamily("", id)
		if err != nil {
			t.Errorf("%v", err)
			continue
		}
		names := f.Variants()
		if len(names) == 0 {
			names = []string{""}
		}
		has := false
		for _, n := range names {
			v, err := f.Variant(n)
			if err != nil {
				t.Fatal(err)
			}
			families = append(families, v)
			for _, r := range v.Reference {
				if r.Bench != "bench-1" || len(r.Scores) < 8 {
					t.Errorf("%s %s: set %s on %s has %d scores", id, n, r.Workload, r.Bench, len(r.Scores))
				}
				if !r.Example {
					t.Errorf("%s %s: the scores of %s are not marked as examples", id, n, r.Workload)
				}
				has = true
			}
			for _, r := range v.Rails {
				if (r.Resistance != nil || len(r.Good) > 0) && !r.Example {
					t.Errorf("%s %s: the resistance of %s is not marked as an example", id, n, r.Name)
				}
			}
			if len(v.Thermal.Rise) < 5 || v.Thermal.MaxTemp == nil || !v.Thermal.Example {
				t.Errorf("%s %s: no limit, fewer than 5 rises, or rises that are not marked as examples", id, n)
			}
		}
		if has {
			scored++
		}
	}
	if scored < 2 {
		t.Errorf("%d families have reference sets", scored)
	}
	seen := map[string]bool{}
	for _, f := range families {
		seen[f.Bus.Kind] = true
		seen[f.Thermal.Cooling] = true
		seen[f.Bus.Kind+" "+signals(f.Bus.Signaling)] = true
		if len(f.Memory) == 2 {
			seen["two memories "+f.Memory[0].Total.Text+"+"+f.Memory[1].Total.Text] = true
		}
	}
	for _, want := range []string{"PCI", "AGP", "passive", "fan", "AGP 1.5 V", "AGP 3.3 V", "AGP 1.5 V or 3.3 V",
		"two memories 3 MiB+5 MiB", "two memories 3 MiB+10 MiB"} {
		if !seen[want] {
			t.Errorf("the library has no family with %s", want)
		}
	}
	for _, id := range planIDs {
		p, err := FindPlan("", id)
		if err != nil {
			t.Errorf("%v", err)
			continue
		}
		for _, f := range families {
			for _, x := range CheckPlanAgainstFamily(p, f) {
				t.Errorf("plan %s, family %s %s: %s", id, f.ID, f.Variant, x)
			}
		}
		for _, s := range p.Steps {
			hot := s.Timed() != nil || s.Kind == RailsKind || s.Kind == DetectionKind
			if hot && len(s.Cautions) == 0 {
				t.Errorf("plan %s, step %s has no caution", id, s.ID)
			}
		}
	}
}

// The vendor IDs of the library are held by nobody: the list of PCI IDs that
// many systems carry has none of them.
func TestVendorIDsAreFree(t *testing.T) {
	var list *os.File
	for _, name := range []string{"/usr/share/misc/pci.ids", "/usr/share/hwdata/pci.ids"} {
		if f, err := os.Open(name); err == nil {
			list = f
			break
		}
	}
	if list == nil && os.Getenv("PROVEOUT_ALL_CHECKS") != "" {
		t.Fatal("all checks are asked for, and this system has no list of PCI IDs")
	}
	if list == nil {
		t.Skip("this system has no list of PCI IDs")
	}
	defer list.Close()
	ours := map[string]string{}
	ids := embedded(FamilyKind)
	for _, id := range ids {
		f, err := FindFamily("", id)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range f.members {
			for _, d := range m.IDs {
				ours[d.Vendor] = id
			}
		}
	}
	lines := 0
	for sc := bufio.NewScanner(list); sc.Scan(); lines++ {
		if v, _, ok := strings.Cut(sc.Text(), "  "); ok && ours[v] != "" {
			t.Errorf("vendor %s of family %s belongs to somebody", v, ours[v])
		}
	}
	if lines < 1000 {
		t.Errorf("the list of PCI IDs has %d lines", lines)
	}
}

// A new shop's file can be read as it is, whatever its name.
func TestShopTemplate(t *testing.T) {
	for _, p := range []ShopParams{
		{},
		{Name: `Q "&" \ Söhne`, Address: []string{"Line 1\nbroken", "", "Line 2"}, Contact: "x@y", Paper: "Letter",
			Technician: "Ä. B.", SlotKey: "1.5 V"},
		{SlotKind: "PCI"}, {SlotKind: "PCI", SlotKey: "5 V"}, {SlotKind: "PCIe"}, {SlotKey: "3.3 V"}, {Name: "@BENCH@"},
	} {
		text := ShopTemplate(p)
		s, problems := ParseShop("shop.toml", []byte(text))
		if err := AsError(problems); err != nil {
			t.Errorf("%+v: %v\n%s", p, err, text)
			continue
		}
		if p.Name != "" && s.Name != p.Name {
			t.Errorf("name %q became %q", p.Name, s.Name)
		}
		if len(s.Benches) != 1 || len(s.Benches[0].Instruments) < 5 || len(s.Technicians) != 1 || !s.Technicians[0].Sign {
			t.Errorf("%+v", s)
		}
	}
}
