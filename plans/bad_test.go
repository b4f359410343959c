package plans

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"testing"

	"proveout/plans/document"
)

// languages are those that the shops of the tests may choose from.
var languages = []string{"de", "en", "fr"}

// parseAny reads a file as what its folder holds.
func parseAny(folder, name string, data []byte) []Problem {
	switch folder {
	case "plans":
		_, ps := ParsePlan(name, data)
		return ps
	case "families":
		_, ps := ParseFamily(name, data)
		return ps
	}
	_, ps := ParseShop(name, data, languages...)
	return ps
}

// Each file of testdata/*/bad begins with the problems it must give, and gives
// no others:
//
//	# want LINE:COLUMN part of what is wrong
func TestBadFiles(t *testing.T) {
	want := regexp.MustCompile(`(?m)^# want (\d+):(\d+) (.*)$`)
	files := 0
	for _, folder := range []string{"plans", "families", "shops"} {
		names, err := filepath.Glob(filepath.Join("..", "testdata", folder, "bad", "*.toml"))
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range names {
			files++
			t.Run(folder+"/"+filepath.Base(name), func(t *testing.T) {
				data, err := os.ReadFile(name)
				if err != nil {
					t.Fatal(err)
				}
				problems := parseAny(folder, "f.toml", data)
				wants := want.FindAllStringSubmatch(string(data), -1)
				if len(wants) == 0 {
					t.Fatal("the file does not say what it wants")
				}
				if len(problems) != len(wants) {
					t.Errorf("%d problems, want %d:\n%v", len(problems), len(wants), AsError(problems))
					return
				}
				for i, w := range wants {
					p := problems[i]
					if at := fmt.Sprintf("%d:%d", p.Line, p.Column); at != w[1]+":"+w[2] || !strings.Contains(p.What, w[3]) {
						t.Errorf("got\n%s\nwant %s:%s %s", p, w[1], w[2], w[3])
					}
					if strings.ContainsAny(p.What+p.Fix, "\n\x1b") || strings.HasSuffix(p.What, ".") {
						t.Errorf("untidy message %q, %q", p.What, p.Fix)
					}
				}
			})
		}
	}
	if files < 60 {
		t.Errorf("only %d files", files)
	}
}

// Files that are wrong as a whole give one message.
func TestUnreadableFiles(t *testing.T) {
	dir := t.TempDir()
	write := func(name string, data string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(data), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	good, err := os.ReadFile("library/plans/quick.plan.toml")
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct{ path, want string }{
		{write("empty.toml", ""), "empty.toml:1:1: the file is empty"},
		{write("remarks.toml", "# nothing\n"), "remarks.toml:1:1: the file is empty"},
		{write("huge.toml", strings.Repeat("# x\n", 1<<18)+"#"), "huge.toml: the file has 1048577 bytes"},
		{dir, ": this is a folder"},
		{filepath.Join(dir, "none.toml"), "none.toml: there is no such file"},
		{write("latin.toml", "id = \"p\"\ntitle = \"Pr\xfcfung\"\n"), `latin.toml:2:12: not UTF-8 text: byte 0xfc`},
		{write("utf16.toml", "\xff\xfei\x00d\x00"), "utf16.toml:1:1: this is UTF-16 text"},
		{write("picture.toml", "\x89PNG\r\n\x1a\n"), "picture.toml:1:1: not UTF-8 text"},
		{write("deep.toml", "a = "+strings.Repeat("[", 5000)), "nested too deeply"},
	} {
		_, ps := CheckFile(tt.path, PlanKind, languages)
		err := AsError(ps)
		if len(ps) != 1 || !strings.Contains(ps[0].Headline(), tt.want) {
			t.Errorf("%s: %v, want %q", tt.path, err, tt.want)
		}
		if strings.Contains(err.Error(), "\x1b") {
			t.Errorf("%q", err)
		}
	}
	for _, tt := range []struct{ path string }{
		{write("bom.toml", "\ufeff"+string(good))},
		{write("crlf.toml", strings.ReplaceAll(string(good), "\n", "\r\n"))},
	} {
		if _, ps := CheckFile(tt.path, PlanKind, languages); len(ps) > 0 {
			t.Errorf("%v", AsError(ps))
		}
	}
}

func TestProblemPrints(t *testing.T) {
	const text = "id = \"p\"\ntitle = \"P\"\n[[step]]\nid = \"s\"\nkind = \"soak\"\ntitle = \"S\"\n\tduration = \"2,5 min\"\n"
	_, ps := ParsePlan("p.toml", []byte(text))
	want := "p.toml:7:15: step.duration: \"2,5 min\": decimal comma\n" +
		"    7 | \tduration = \"2,5 min\"\n" +
		"      | \t             ^\n" +
		"  fix: write \"2.5 min\""
	if err := AsError(ps); err == nil || err.Error() != want {
		t.Errorf("got\n%v\nwant\n%s", err, want)
	}
	wide := Problem{File: "f", Line: 1, Column: 6, Width: 2, What: "x"}
	wide.Text = "漢字 = \u0301ab" + strings.Repeat("y", 200)
	s := wide.String()
	if !strings.Contains(s, "    1 | 漢字 = ") || !strings.Contains(s, "\n      |        ^") || len([]rune(s)) > 300 {
		t.Errorf("%s", s)
	}
}

// edits are what a hand does to a file: a byte changed, a line lost, doubled or
// cut, a piece moved.
func edit(data []byte, where, how int) []byte {
	if len(data) == 0 {
		return data
	}
	i := where % len(data)
	out := append([]byte{}, data[:i]...)
	switch how % 6 {
	case 0:
		return append(append(out, byte(how)), data[i+1:]...)
	case 1:
		return append(out, data[i+1:]...)
	case 2:
		return out
	case 3:
		end := min(len(data), i+how%97)
		return append(out, data[end:]...)
	case 4:
		end := min(len(data), i+how%97)
		return append(append(out, data[i:end]...), data[i:]...)
	}
	return append(append(out, "\"=[]{}#'\n,.-x1 "[how%15]), data[i:]...)
}

// Whatever a hand does to a library file, it loads or gives problems that stand
// somewhere in the file.
func FuzzEditedLibrary(f *testing.F) {
	type source struct {
		folder string
		data   []byte
	}
	var sources []source
	planIDs, familyIDs := embedded(PlanKind), embedded(FamilyKind)
	for _, id := range planIDs {
		text, _ := libraryText(PlanKind, id)
		sources = append(sources, source{"plans", []byte(text)})
	}
	for _, id := range familyIDs {
		text, _ := libraryText(FamilyKind, id)
		sources = append(sources, source{"families", []byte(text)})
	}
	sources = append(sources, source{"shops", []byte(ShopTemplate(ShopParams{}))})
	for i := range 200 {
		f.Add(i, i*7919, i*31, i*104729, i*17)
	}
	f.Fuzz(func(t *testing.T, which, where1, how1, where2, how2 int) {
		if which < 0 || where1 < 0 || how1 < 0 || where2 < 0 || how2 < 0 {
			return
		}
		s := sources[which%len(sources)]
		data := edit(edit(s.data, where1, how1), where2, how2)
		checkPositions(t, s.folder, data)
	})
}

// checkPositions parses and holds every problem against the text.
func checkPositions(t *testing.T, folder string, data []byte) {
	t.Helper()
	problems := parseAny(folder, "f.toml", data)
	lines := strings.Split(string(data), "\n")
	for i, p := range problems {
		if p.Line == 0 {
			if i != len(problems)-1 || !strings.Contains(p.What, "more problems") && !strings.Contains(p.What, "1 MiB") {
				t.Errorf("a problem without a place: %s", p)
			}
			continue
		}
		if p.Line > len(lines) {
			t.Fatalf("misplaced %+v", p)
		}
		characters := len([]rune(lines[p.Line-1]))
		if p.Column < 1 || p.Column > characters+1 || p.Width < 1 || p.What == "" {
			t.Errorf("misplaced %+v", p)
		}
		if i > 0 && problems[i-1].Line > p.Line {
			t.Errorf("not in the order of the file: %v", p)
		}
		_ = p.String()
	}
}

// The parsers take any bytes.
func FuzzParseFiles(f *testing.F) {
	for _, folder := range []string{"plans", "families", "shops"} {
		names, _ := filepath.Glob(filepath.Join("..", "testdata", folder, "bad", "*.toml"))
		for _, name := range names {
			if data, err := os.ReadFile(name); err == nil {
				f.Add(data)
			}
		}
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		for _, folder := range []string{"plans", "families", "shops"} {
			checkPositions(t, folder, data)
		}
	})
}

// cost counts what it takes to read a text: pieces of memory, and their bytes.
func cost(folder, text string) (pieces, bytes uint64) {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	parseAny(folder, "f.toml", []byte(text))
	runtime.ReadMemStats(&after)
	return after.Mallocs - before.Mallocs, after.TotalAlloc - before.TotalAlloc
}

// The work on a hostile file grows no faster than the file, and the messages
// stay few and short.
func TestHostileFiles(t *testing.T) {
	most := 60_000 // bytes, but for the run of all checks
	if os.Getenv("PROVEOUT_ALL_CHECKS") != "" {
		most = document.MaxFile
	}
	const family = "id = \"f\"\ntitle = \"F\"\nmaker = \"M\"\n"
	// Each is a beginning, and pieces that are repeated until the file is full.
	for name, parts := range map[string][]string{
		"keys":   {"", "k%d = 1\n"},
		"tables": {"", "[t%d]\n"},
		"steps":  {"id = \"p\"\ntitle = \"P\"\n", "[[step]]\nid = \"s%d\"\n"},
		"whole steps": {"id = \"p\"\ntitle = \"P\"\n",
			"[[step]]\nid = \"s%d\"\ntitle = \"x\"\nkind = \"soak\"\nduratio = \"1 min\"\n"},
		"list":     {"title = [", "\"%d\","},
		"work":     {"work_kinds = [", "\"%d\",", "]\n[[step]]\nwhen_work = [", "\"x%d\","},
		"variants": {family, "[[clock]]\nname = \"c%d\"\n", "", "[[variant]]\nname = \"v%d\"\n"},
		"references": {family, "[[reference]]\nworkload = \"w%d\"\n", "[[variant]]\nname = \"v\"\n",
			"[[variant.reference]]\nworkload = \"x%d\"\n"},
		"overrides": {family, "[[clock]]\nname = \"w%d\"\n", "[[variant]]\nname = \"v\"\n",
			"[[variant.clock]]\nname = \"x%d\"\n"},
		"chips":    {family + "[[memory]]\nbanks = [\"", "U%d "},
		"dotted":   {"", "a."},
		"quotes":   {"", "\"\"\""},
		"escapes":  {"id = \"", `\u00e4`},
		"brackets": {"", "["},
		"braces":   {"a = ", "{a="},
		"one line": {"id = \"", "é"},
		"faults":   {"", "=\n"},
		"dates":    {"", "d%d = 2026-02-30\n"},
		"long key": {"", "aaaaaaaaaaaaaaaa"},
	} {
		text := func(size int) string {
			var b strings.Builder
			for i, part := range parts {
				repeats := strings.Contains(part, "%d")
				for n := 0; n == 0 || i%2 == 1 && b.Len() < (i+1)*size/len(parts); n++ {
					if repeats {
						part = fmt.Sprintf(parts[i], n)
					}
					b.WriteString(part)
				}
			}
			return b.String()[:min(b.Len(), document.MaxFile)]
		}
		for _, folder := range []string{"plans", "families"} {
			small, large := text(most/4), text(most)
			cost(folder, small) // what is made once
			pieces, bytes := cost(folder, small)
			morePieces, moreBytes := cost(folder, large)
			if morePieces > 5*pieces+1000 || moreBytes > 5*bytes+1<<20 {
				t.Errorf("%s as %s: %d bytes of text cost %d allocations of %d bytes, %d bytes %d of %d",
					name, folder, len(small), pieces, bytes, len(large), morePieces, moreBytes)
			}
			problems := parseAny(folder, "f.toml", []byte(large))
			if len(problems) == 0 || len(problems) > document.MaxProblems+1 {
				t.Errorf("%s as %s: %d problems", name, folder, len(problems))
			}
			for _, p := range problems {
				if len(p.String()) > 2000 {
					t.Errorf("%s as %s: a message of %d bytes", name, folder, len(p.String()))
				}
			}
		}
	}
}
