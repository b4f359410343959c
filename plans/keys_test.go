package plans

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "rewrite the table of keys in doc.go")

// The table of keys in the package comment is the one that files are read by.
func TestKeysAreDocumented(t *testing.T) {
	var b strings.Builder
	for _, k := range KeyTables() {
		title := k.File + " file"
		if k.Table != "" {
			title += ", " + k.Table
		}
		fmt.Fprintf(&b, "// # %s\n//\n", strings.ToUpper(title[:1])+title[1:])
		for _, key := range k.Keys {
			fmt.Fprintf(&b, "//\t%-17s%s: %s", key.Name, key.Type, key.What)
			if key.On != "" {
				fmt.Fprintf(&b, " (%s)", strings.ReplaceAll(key.On, " ", ", "))
			}
			b.WriteByte('\n')
			if key.What == "" || key.Type == "" {
				t.Errorf("%s %s: key %s is not described", k.File, k.Table, key.Name)
			}
		}
		b.WriteString("//\n")
	}
	text, err := os.ReadFile("doc.go")
	if err != nil {
		t.Fatal(err)
	}
	const end = "package plans\n"
	begin := bytes.Index(text, []byte("// # "))
	if begin < 0 {
		begin = bytes.Index(text, []byte("// BEGIN"))
	}
	want := string(text[:begin]) + strings.TrimSuffix(b.String(), "//\n") + end
	if *update {
		if err := os.WriteFile("doc.go", []byte(want), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if string(text) != want {
		t.Error("doc.go does not list the keys as they are; run go test -run TestKeysAreDocumented -update")
	}
}
