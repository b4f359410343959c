package words_test

import (
	"reflect"
	"strings"
	"testing"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/quantity"
	"proveout/report/words"
)

// untold are texts of plans, families and the shop that are never put into
// another language, and why: everything else is asked for.
var untold = map[string]string{
	"Plan.ID": id, "Step.ID": id, "FamilyFile.ID": id, "Family.ID": id, "Bench.ID": id, "Instrument.ID": id,
	"Technician.ID": id, "ChecklistItem.Name": id, "Load.Workload": id, "ReferenceSet.Workload": id,
	"ReferenceSet.Bench": id, "ReferenceScore.Card": id, "ReferenceScore.By": id, "CardRise.Card": id,
	"Plan.Source": file, "Plan.File": file, "FamilyFile.Source": file, "FamilyFile.File": file, "Family.Source": file,
	"Family.File": file, "Shop.Source": file, "Shop.File": file, "Shop.Numbering": file, "Shop.Language": file,
	"Plan.Description": "only shown with the keys of the file, in English",
	"Step.Kind":        word, "Step.Rule": word, "Plan.Rule": word, "Image.Captures": word, "Load.Reference": word, "Timed.Prove": word,
	"Instrument.Measures": word, "Instrument.Place": word, "Thermal.Cooling": word, "Thermal.Sensor": word,
	"Bus.Features": word, "ReferenceSet.Better": word, "ReferenceSet.Unit": word,
	"Slot.Rates": word, "Bus.Rates": word, "Bus.Expect": word,
	"FamilyFile.Title": name, "Family.Title": name, "FamilyFile.Maker": name, "Family.Maker": name,
	"Family.Variant": name, "Family.Aliases": name, "Family.Detected": name, "Image.Patterns": name,
	"MemoryScan.March": name, "Shop.Name": name, "Technician.Name": name, "Memory.Chips": name, "DeviceID.Vendor": name,
	"DeviceID.Device": name, "DeviceID.SubsystemVendor": name, "DeviceID.Subsystem": name, "Mode.Text": name,
}

// slotRails are rails of slots whose values come from different sources.
var slotRails = []string{"PCI +5 V", "AGP +5 V", "AGP VDDQ 0.8 V"}

const (
	id   = "an id"
	file = "for the program"
	word = "a word of the file; documents have it from a key"
	name = "a name"
)

// library are all texts of the built-in plans, families and shop, and of the
// program's own that stand beside them, which documents or the terminal show;
// each with where it stands.
func library(t *testing.T) map[string]string {
	t.Helper()
	texts := map[string]string{}
	add := func(where, text string) {
		if strings.ContainsFunc(text, func(r rune) bool { return r >= 'a' && r <= 'z' }) {
			texts[text] = where
		}
	}
	for _, e := range entries(t, plans.PlanKind) {
		p, err := plans.FindPlan("", e.ID)
		if err != nil {
			t.Fatal(err)
		}
		textsOf(e.ID, reflect.ValueOf(p), add)
	}
	for _, e := range entries(t, plans.FamilyKind) {
		f, err := plans.FindFamily("", e.ID)
		if err != nil {
			t.Fatal(err)
		}
		textsOf(e.ID, reflect.ValueOf(f), add)
		variants := f.Variants()
		if len(variants) == 0 {
			variants = []string{""}
		}
		for _, v := range variants {
			family, err := f.Variant(v)
			if err != nil {
				t.Fatal(err)
			}
			textsOf(e.ID, reflect.ValueOf(family), add)
		}
	}
	shop, problems := plans.ParseShop("shop.toml", []byte(plans.ShopTemplate(plans.ShopParams{})))
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	textsOf("shop", reflect.ValueOf(shop), add)
	for _, w := range plans.WorkKinds() {
		add("kinds of work", w)
	}
	for role, caption := range reading.Roles() {
		add("kinds of files", role)
		add("captions", caption)
	}
	for _, rail := range slotRails {
		family := plans.Family{Bus: plans.Bus{Kind: rail[:3]}}
		r, ok := family.Rail(rail)
		if !ok {
			t.Fatalf("no slot has the rail %s", rail)
		}
		add("rails of slots", r.Source)
	}
	return texts
}

func entries(t *testing.T, kind plans.FileKind) []plans.Entry {
	t.Helper()
	all, err := plans.List("", kind)
	if err != nil || len(all) == 0 {
		t.Fatalf("%d entries, %v", len(all), err)
	}
	return all
}

// textsOf calls add with each text of a value that is told.
func textsOf(where string, v reflect.Value, add func(where, text string)) {
	switch v.Kind() {
	case reflect.Pointer, reflect.Interface:
		if !v.IsNil() {
			textsOf(where, v.Elem(), add)
		}
	case reflect.Slice:
		for i := range v.Len() {
			textsOf(where, v.Index(i), add)
		}
	case reflect.String:
		add(where, v.String())
	case reflect.Struct:
		if v.Type() == reflect.TypeFor[quantity.Quantity]() {
			return
		}
		for i := range v.NumField() {
			f := v.Type().Field(i)
			field := v.Type().Name() + "." + f.Name
			if untold[field] == "" && f.IsExported() {
				textsOf(where+" "+field, v.Field(i), add)
			}
		}
	}
}

// Every text of the library is known in every language, and nothing else is.
func TestPhrases(t *testing.T) {
	texts := library(t)
	for _, l := range words.Languages() {
		w, err := words.In(l)
		if err != nil {
			t.Fatal(err)
		}
		if l == "en" {
			continue
		}
		phrases := w.Phrases()
		for text, where := range texts {
			if phrases[text] == "" {
				t.Errorf("%s.toml: [phrases] lacks %q: %s", l, text, where)
			}
		}
		for text := range phrases {
			if texts[text] == "" {
				t.Errorf("%s.toml: [phrases] has %q, which nothing in the library says", l, text)
			}
		}
	}
}
