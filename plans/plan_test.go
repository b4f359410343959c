package plans

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"
)

const everyKey = `
id = "every"
title = "Every key"
description = "d"
rule = "simple"
work_kinds = ["magic"]
[[step]]
id = "look"
kind = "inspection"
title = "Look"
instruction = "Do"
cautions = ["a", "b"]
gate = true
rule = "guarded"
checklist = [{ name = "bridges", ask = "None?" }]
[[step]]
id = "rails"
kind = "rails"
title = "R"
rails = ["3V3"]
[[step]]
id = "clocks"
kind = "clock"
title = "C"
blind = true
clocks = ["core"]
required = false
[[step]]
id = "pic"
kind = "image"
title = "I"
modes = ["1024x768x16@75"]
patterns = ["grid"]
captures = "required"
lines = "75 %"
[[step]]
id = "time"
kind = "timing"
title = "T"
modes = "from family"
[[step]]
id = "scan"
kind = "memory-scan"
title = "M"
march = "MATS+"
when_work = ["magic", "memory chips replaced"]
[[step]]
id = "run"
kind = "load"
title = "L"
duration = "10 min"
runs = 3
workload = "w"
freeze_after = "2 s"
max_stalls = 0
min_fps = "25 fps"
max_spread = "3 %"
reference = "prediction"
command = ["run", "--for", "--for"]
log_map = "frames"
prove = "intermittent fault gone"
confidence = "95 %"
improvement = 2.5
throttle_fails = true
[[step]]
id = "soak"
kind = "soak"
title = "S"
duration = "1 h 30 min"
every = "2 min"
ambient = "23 °C ±5 °C"
sensor = "heatsink"
max_temp = "70 °C"
stability = { window = "10 min", rate = "1 °C per 10 min", source = "common practice, no source" }
at_rated = true
compare_rise = true
end_early = true
source = "somewhere"
`

// Every key of a plan arrives where it belongs.
func TestParsePlan(t *testing.T) {
	p, problems := ParsePlan("every.plan.toml", []byte(everyKey))
	if err := AsError(problems); err != nil {
		t.Fatal(err)
	}
	for _, table := range Reference("plan", nil) {
		if !strings.Contains(everyKey, table.Of) {
			continue // a kind with a test of its own
		}
		for _, k := range table.Keys {
			if k.Type != "tables" && !strings.Contains(everyKey, k.Key+" = ") {
				t.Errorf("key %s of %s is not in the test", k.Key, table.Table)
			}
		}
	}
	step := func(id string) *Step {
		s, ok := p.Step(id)
		if !ok {
			t.Fatalf("no step %s", id)
		}
		return s
	}
	look, scan := step("look"), step("scan")
	checklist := SpecOf[Inspection](look).Checklist
	rails, clocks := SpecOf[Rails](step("rails")), SpecOf[Clock](step("clocks"))
	pic, run, soak := SpecOf[Image](step("pic")), SpecOf[Load](step("run")), SpecOf[Soak](step("soak"))
	checks := map[string]bool{
		"plan": p.ID == "every" && p.Title == "Every key" && p.Rule == Simple && p.Source == everyKey && len(p.Steps) == 8,
		"look": look.Kind == InspectionKind && look.Gate && look.Required && look.Rule == Guarded &&
			len(look.Cautions) == 2 && len(checklist) == 1 && checklist[0] == ChecklistItem{"bridges", "None?"},
		"rule":  step("run").Rule == Simple,
		"rails": len(rails.Rails) == 1,
		"clock": step("clocks").Blind && !step("clocks").Required && clocks.Clocks[0] == "core",
		"image": pic.Modes[0] == "1024x768x16@75" && pic.Patterns[0] == "grid" &&
			pic.Captures == CapturesRequired && pic.Lines.Value == 0.75,
		"timing": SpecOf[Timing](step("time")).Modes == nil,
		"scan":   SpecOf[MemoryScan](scan).March == "MATS+" && !scan.Required && len(scan.WhenWork) == 2,
		"load": run.Duration.Value == 600 && run.Runs == 3 && run.Workload == "w" && run.FreezeAfter.Value == 2 &&
			*run.MaxStalls == 0 && run.MinFPS.Value == 25 && run.MaxSpread.Value == 0.03,
		"load more": run.Reference == ReferenceJudge && len(run.Command) == 3 && run.LogMap == "frames" &&
			soak.LogMap == "" && run.ThrottleFail,
		"prove": run.Prove == "intermittent fault gone" && run.Confidence.Value == 0.95 && run.Improvement == 2.5,
		"soak": soak.Duration.Value == 5400 && soak.Every.Value == 120 && soak.Ambient.Low() == 18 &&
			soak.Sensor == "heatsink" && soak.MaxTemp.Value == 70,
		"stability": soak.Stability.Window.Value == 600 && soak.Stability.Rate.Value == 1.0/600 &&
			soak.Stability.Source != "",
		"soak more": soak.AtRated && soak.CompareRise && soak.EndEarly && step("soak").LimitSource == "somewhere",
	}
	for name, ok := range checks {
		if !ok {
			t.Errorf("%s: %+v", name, p)
		}
	}
}

// A log map that the shop does not have is a problem at its place in the plan.
func TestCheckLogMaps(t *testing.T) {
	p, problems := ParsePlan("every.plan.toml", []byte(everyKey))
	if err := AsError(problems); err != nil {
		t.Fatal(err)
	}
	line := strings.Count(everyKey[:strings.Index(everyKey, "log_map")], "\n") + 1
	for _, tt := range []struct {
		have  []string
		steps []string
		fix   string // empty: no problem
	}{
		{[]string{"other", "frames"}, nil, ""},
		{nil, []string{"soak"}, ""},
		{nil, nil, "keep one with: proveout logmap try FILE --save frames"},
		{[]string{"frame"}, []string{"run"}, `did you mean "frame"?`},
	} {
		got := CheckLogMaps(p, tt.have, tt.steps...)
		switch {
		case tt.fix == "" && len(got) == 0:
		case len(got) != 1 || got[0].Line != line || got[0].Column != 11 || got[0].Fix != tt.fix:
			t.Errorf("%q %q: %+v, want line %d: %s", tt.have, tt.steps, got, line, tt.fix)
		}
	}
}

func TestDefaults(t *testing.T) {
	p, problems := ParsePlan("p", []byte(`
id = "p"
title = "P"
[[step]]
id = "a"
kind = "inspection"
title = "A"
[[step]]
id = "b"
kind = "load"
title = "B"
duration = "1 min"
workload = "w"
prove = "intermittent fault gone"
`))
	if err := AsError(problems); err != nil {
		t.Fatal(err)
	}
	a, b := p.Steps[0], SpecOf[Load](&p.Steps[1])
	checklist := SpecOf[Inspection](&a).Checklist
	if p.Rule != Guarded || a.Rule != Guarded || !a.Required || a.Gate || len(checklist) < 10 ||
		b.Runs != 1 || b.Reference != ReferenceInform || b.Confidence.Value != 0.9 || b.Improvement != 1 || b.MaxStalls != nil {
		t.Errorf("%+v", p)
	}
}

// Variants inherit what they do not override.
func TestVariants(t *testing.T) {
	f, err := FindFamily("", "lanternfish")
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(f.Variants(), " "); got != "112 137 158" {
		t.Errorf("variants %s", got)
	}
	for name, want := range map[string]struct {
		core, power float64
		scores      int
	}{"112": {112e6, 14, 1}, "137": {137e6, 14, 2}, "158": {158e6, 16, 1}} {
		v, err := f.Variant(name)
		if err != nil {
			t.Fatal(err)
		}
		own := v.Clocks[0].Value.Value == want.core && v.Thermal.Power.Value == want.power &&
			len(v.Reference) == want.scores && v.Variant == name && strings.HasPrefix(v.Title, "Lanternfish 20 at ")
		inherited := v.Clocks[0].Source != "" && v.Thermal.MaxTemp.Value == 70 && v.Memory[0].Words == 1<<20 &&
			v.Memory[0].Banks[0][9] == "U10"
		if !own || !inherited {
			t.Errorf("%s: %+v", name, v)
		}
	}
	for name, want := range map[string]string{"": "say which one", "157": "did you mean"} {
		if _, err := f.Variant(name); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("variant %q: %v", name, err)
		}
	}
	two, err := FindFamily("", "ploughshare")
	if err != nil {
		t.Fatal(err)
	}
	more, err := two.Variant("3+10")
	if err != nil {
		t.Fatal(err)
	}
	m := more.Memory[1]
	if m.Name != "texture" || m.Total.Value != 10<<20 || len(m.Banks) != 2 || m.Words != 512<<10 ||
		more.Memory[0].Total.Value != 3<<20 {
		t.Errorf("%+v", more.Memory)
	}
	less, err := two.Variant("3+5")
	if err != nil || less.Memory[1].Total.Value != 5<<20 || less.IDs[0].Device != "0301" || more.IDs[0].Device != "0302" {
		t.Errorf("%+v %v", less, err)
	}
	plain, err := FindFamily("", "thistledown")
	if err != nil || len(plain.Variants()) != 0 {
		t.Fatal(err)
	}
	if v, err := plain.Variant(""); err != nil || v.Variant != "" || len(v.Aliases) != 0 {
		t.Errorf("%+v %v", v, err)
	}
	if _, err := plain.Variant("x"); err == nil {
		t.Error("a variant that is not there")
	}
}

func TestCheckPlanAgainstFamily(t *testing.T) {
	f, err := FindFamily("", "gannet")
	if err != nil {
		t.Fatal(err)
	}
	v, err := f.Variant("5")
	if err != nil {
		t.Fatal(err)
	}
	plan := func(step string) string {
		return "id = \"p\"\ntitle = \"P\"\n[[step]]\nid = \"s\"\ntitle = \"S\"\n" + step + "\n"
	}
	for _, tt := range []struct{ step, want string }{
		{"kind = \"clock\"\nclocks = [\"core\", \"memry\"]", `7:19: step "s": family "gannet" variant "5" has no clock "memry"`},
		{"kind = \"rails\"\nrails = [\"VDDQ\"]", `7:10: step "s": family "gannet" variant "5" has no rail "VDDQ"`},
		{"kind = \"image\"\nmodes = [\"640x480x8@60\", \"640x480x24@60\"]", `7:26: step "s": "640x480x24@60" is deeper than the 16 bits`},
		{"kind = \"image\"\nmodes = [\"2560x1600x16@60\"]", `7:10: step "s": "2560x1600x16@60" needs more than the 5 MiB`},
		{"kind = \"timing\"\nmodes = [\"720x400x8@70\"]", `7:10: step "s": "720x400x8@70" is no mode`},
		{"kind = \"load\"\nduration = \"1 min\"\nworkload = \"paper-boat\"\nreference = \"prediction\"", `8:12: step "s": family "gannet" variant "5" has no reference set for workload "paper-boat"`},
		{"kind = \"load\"\nduration = \"1 min\"\nworkload = \"hillside\"\nreference = \"prediction\"", ""}, // the shop may have its own
		{"kind = \"load\"\nduration = \"1 min\"\nworkload = \"hillside\"", ""},
		{"kind = \"soak\"\nduration = \"1 min\"\nsensor = \"case\"\nmax_temp = \"90 °C\"", `9:12: step "s": the limit 90 °C is above the maximum rating`},
		{"kind = \"soak\"\nduration = \"1 min\"\nsensor = \"die\"", `8:10: step "s": the sensor sits at the die`},
		{"kind = \"soak\"\nduration = \"1 min\"\nambient = \"50 °C ±2 °C\"", `8:11: step "s": the ambient 50 °C ±2 °C is hotter`},
	} {
		p, problems := ParsePlan("p.toml", []byte(plan(tt.step)))
		if err := AsError(problems); err != nil {
			t.Errorf("%v", err)
			continue
		}
		got := CheckPlanAgainstFamily(p, v)
		found := len(got) == 1 && strings.HasPrefix(got[0].Headline(), "p.toml:"+tt.want)
		if tt.want == "" && len(got) != 0 || tt.want != "" && !found {
			t.Errorf("%q: %v, want %s", tt.step, AsError(got), tt.want)
		}
	}
	for _, kind := range []Kind{MemorySizeKind, MemoryScanKind} {
		p, problems := ParsePlan("p.toml", []byte(plan("kind = \""+string(kind)+"\"")))
		if err := AsError(problems); err != nil {
			t.Fatal(err)
		}
		const want = `6:8: step "s": family "plain" does not say which chips its memory is made of`
		got := CheckPlanAgainstFamily(p, &Family{ID: "plain", Memory: []MemoryPool{{}}})
		if len(got) != 1 || got[0].Headline() != "p.toml:"+want {
			t.Errorf("%s: %v, want %s", kind, AsError(got), want)
		}
	}
	bare := &Family{ID: "bare"}
	p, err := FindPlan("", "full")
	if err != nil {
		t.Fatal(err)
	}
	if got := CheckPlanAgainstFamily(p, bare); len(got) < 6 {
		t.Errorf("a family of nothing satisfies the full plan: %v", got)
	}
}

// The shop's own files hide those of the library, and are checked like them.
func TestFind(t *testing.T) {
	shop := t.TempDir()
	for _, d := range []string{"plans", "families"} {
		if err := os.Mkdir(filepath.Join(shop, d), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	text, err := libraryText(PlanKind, "quick")
	if err != nil {
		t.Fatal(err)
	}
	own := filepath.Join(shop, "plans", "quick.plan.toml")
	write := func(name, text string) {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write(own, strings.Replace(text, `title = "Quick check"`, `title = "Our quick check"`, 1))
	if p, err := FindPlan(shop, "quick"); err != nil || p.Title != "Our quick check" || p.File != own {
		t.Errorf("%+v %v", p, err)
	}
	if p, err := FindPlan(shop, "full"); err != nil || p.Title != "Full acceptance" {
		t.Errorf("%+v %v", p, err)
	}
	write(filepath.Join(shop, "plans", "other.plan.toml"), text)
	write(filepath.Join(shop, "plans", "broken.plan.toml"), "id = ")
	for id, want := range map[string]string{
		"other":                  `has the id "quick", not that of the file`,
		"broken":                 "broken.plan.toml:1:6: id: the value is missing",
		"fulll":                  "there is no plan",
		"../shop":                "there is no plan",
		"":                       "there is no plan",
		"A B":                    "there is no plan",
		strings.Repeat("x", 300): "there is no plan",
	} {
		if _, err := FindPlan(shop, id); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v", id, err)
		}
	}
	_, err = FindFamily(shop, "lanternfis")
	if err == nil || !strings.Contains(err.Error(), `did you mean "lanternfish"?`) {
		t.Errorf("%v", err)
	}
	list, err := List(shop, PlanKind)
	if err != nil {
		t.Fatal(err)
	}
	var words []string
	for _, e := range list {
		word := e.ID
		if e.BuiltIn {
			word += "*"
		}
		words = append(words, word)
	}
	if got := strings.Join(words, " "); got != "broken full* memory-rework* other quick" {
		t.Errorf("%s", got)
	}
}

// A file is known by its name, or else by its keys.
func TestCheckFile(t *testing.T) {
	dir := t.TempDir()
	plan, _ := libraryText(PlanKind, "quick")
	family, _ := libraryText(FamilyKind, "gannet")
	shop := ShopTemplate(ShopParams{})
	for _, tt := range []struct {
		name, text string
		kind       FileKind
		problems   int
	}{
		{"a.plan.toml", plan, PlanKind, 0}, {"b.family.toml", family, FamilyKind, 0}, {"shop.toml", shop, ShopKind, 0},
		{"x.toml", plan, PlanKind, 0}, {"y.toml", family, FamilyKind, 0}, {"z.toml", shop, ShopKind, 0},
		{"plan.toml", plan + "x = 1\n", PlanKind, 1}, {"q.toml", "nothing = 1\n", FamilyKind, 7},
	} {
		path := filepath.Join(dir, tt.name)
		if err := os.WriteFile(path, []byte(tt.text), 0o600); err != nil {
			t.Fatal(err)
		}
		if kind, problems := CheckFile(path, FamilyKind, languages); kind != tt.kind || len(problems) != tt.problems {
			t.Errorf("%s: %s with %d problems: %v", tt.name, kind, len(problems), AsError(problems))
		}
	}
}

// The texts for people fit a narrow terminal, and the summaries are JSON.
func TestSummaries(t *testing.T) {
	var texts []string
	planIDs, familyIDs := embedded(PlanKind), embedded(FamilyKind)
	for _, id := range planIDs {
		p, err := FindPlan("", id)
		if err != nil {
			t.Fatal(err)
		}
		s := p.Summarise()
		if _, err := json.Marshal(s); err != nil || len(s.Steps) != len(p.Steps) {
			t.Errorf("%s: %v", id, err)
		}
		text := s.Text(60)
		for _, st := range p.Steps {
			if !strings.Contains(text, "["+st.ID) {
				t.Errorf("%s does not show step %s", id, st.ID)
			}
		}
		texts = append(texts, text)
	}
	for _, id := range familyIDs {
		f, err := FindFamily("", id)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range f.members {
			s := m.Summarise()
			if _, err := json.Marshal(s); err != nil {
				t.Errorf("%s: %v", id, err)
			}
			texts = append(texts, s.Text(60))
		}
	}
	texts = append(texts, PlanSummary{Title: strings.Repeat("x", 500) + " a\x1b[31mb"}.Text(60))
	for _, text := range texts {
		for _, l := range strings.Split(text, "\n") {
			if utf8.RuneCountInString(l) > 60 || strings.TrimRight(l, " ") != l || strings.Contains(l, "\x1b") {
				t.Errorf("line %q", l)
			}
		}
	}
	if os.Getenv("SHOW") != "" {
		t.Log(strings.Join(texts, "\n----\n"))
	}
}

func BenchmarkParsePlan(b *testing.B) {
	text, _ := libraryText(PlanKind, "full")
	for b.Loop() {
		if _, ps := ParsePlan("full", []byte(text)); len(ps) > 0 {
			b.Fatal(ps)
		}
	}
}

func BenchmarkParseFamily(b *testing.B) {
	text, _ := libraryText(FamilyKind, "lanternfish")
	for b.Loop() {
		if _, ps := ParseFamily("f", []byte(text)); len(ps) > 0 {
			b.Fatal(ps)
		}
	}
}
