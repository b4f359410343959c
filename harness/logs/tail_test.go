package logs

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"proveout/harness/reading"
)

// follow polls until nothing comes in any more.
func (g *gathered) follow(t interface{ Fatalf(string, ...any) }, tail *Tail) TailState {
	for {
		st, err := tail.Poll()
		if err != nil {
			t.Fatalf("poll: %v", err)
		}
		if !st.Grown {
			return st
		}
	}
}

type gathered struct {
	temps []float64
	tail  *Tail
}

func newGathered(path string, m Map) *gathered {
	g := &gathered{}
	g.tail = NewTail(path, m, func(row reading.Row) error {
		m, _ := g.tail.Map()
		g.temps = append(g.temps, row.Values[m.Place("temperature")])
		return nil
	}, nil)
	return g
}

// Whatever the pieces a log is written in, the tail sees each row once, as the
// import of the complete file does.
func TestTailSeesWhatAnImportSees(t *testing.T) {
	dir := t.TempDir()
	n := 0
	rapid.Check(t, func(t *rapid.T) {
		n++
		path := filepath.Join(dir, fmt.Sprintf("log%d.csv", n))
		rows := rapid.IntRange(3, 60).Draw(t, "rows")
		eol := rapid.SampledFrom([]string{"\n", "\r\n"}).Draw(t, "eol")
		var text strings.Builder
		text.WriteString("time_s,temp_c" + eol)
		for i := range rows {
			fmt.Fprintf(&text, "%d,%.1f%s", i, 25+float64(i)/10, eol)
		}
		data := []byte(text.String())
		if rapid.Bool().Draw(t, "utf-16") {
			wide := []byte{0xff, 0xfe}
			for _, b := range data {
				wide = append(wide, b, 0)
			}
			data = wide
		}
		g := newGathered(path, Map{})
		f, err := os.Create(path)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		for left := data; len(left) > 0; {
			k := min(rapid.IntRange(1, 40).Draw(t, "chunk"), len(left))
			f.Write(left[:k])
			left = left[k:]
			if rapid.Bool().Draw(t, "poll") {
				g.follow(t, g.tail)
			}
		}
		st := g.follow(t, g.tail)
		sum, err := importFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if int64(len(g.temps)) != sum.Count || st.Rows != sum.Count || st.Bad != 0 {
			t.Fatalf("the tail saw %d rows (says %d, %d bad), the import %d", len(g.temps), st.Rows, st.Bad, sum.Count)
		}
		if last, want := g.temps[rows-1], 25+float64(rows-1)/10; fmt.Sprintf("%.1f", last) != fmt.Sprintf("%.1f", want) {
			t.Fatalf("the last row is %g, want %g", last, want)
		}
	})
}

func write(t *testing.T, path, text string) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o644)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, err := f.WriteString(text); err != nil {
		t.Fatal(err)
	}
}

func TestTailBeginsAnew(t *testing.T) {
	const head = "time_s,temp_c\n0,25.0\n1,25.5\n"
	for name, renew := range map[string]func(t *testing.T, path string){
		"renamed away": func(t *testing.T, path string) {
			if err := os.Rename(path, path+".1"); err != nil {
				t.Fatal(err)
			}
			write(t, path, "time_s,temp_c\n0,31.0\n1,31.5\n2,32.0\n3,32.5\n4,33.0\n")
		},
		"cut to nothing": func(t *testing.T, path string) {
			if err := os.Truncate(path, 0); err != nil {
				t.Fatal(err)
			}
			write(t, path, "time_s,temp_c\n0,31.0\n1,31.5\n2,32.0\n3,32.5\n4,33.0\n")
		},
		"another header": func(t *testing.T, path string) {
			os.Remove(path)
			write(t, path, "seconds;Temperature [°C]\n0;31,0\n1;31,5\n2;32,0\n3;32,5\n4;33,0\n")
		},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "soak.csv")
			g := newGathered(path, Map{})
			if st := g.follow(t, g.tail); !strings.Contains(st.Waiting, "not there yet") {
				t.Errorf("before the file is there it waits for %q", st.Waiting)
			}
			write(t, path, head+"2,26.0\n3,26.") // a half line
			if st := g.follow(t, g.tail); st.Rows != 3 || st.Part != 1 {
				t.Errorf("got %+v, want 3 rows of the first file", st)
			}
			renew(t, path)
			st, err := g.tail.Poll()
			if err != nil || st.Part != 2 {
				t.Fatalf("got %+v, %v; want it begun anew", st, err)
			}
			if st := g.follow(t, g.tail); st.Rows != 5 || st.Bad != 0 {
				t.Errorf("got %+v, want 5 rows of the second file", st)
			}
			want := []float64{25, 25.5, 26, 31, 31.5, 32, 32.5, 33}
			if fmt.Sprint(g.temps) != fmt.Sprint(want) {
				t.Errorf("got %v, want %v", g.temps, want)
			}
		})
	}
}

// A share may show zeros where bytes were announced and not sent.
func TestTailWaitsForZerosToBeFilled(t *testing.T) {
	path := filepath.Join(t.TempDir(), "soak.csv")
	g := newGathered(path, Map{})
	write(t, path, "time_s,temp_c\n0,25.0\n1,25.5\n2,26.0\n")
	g.follow(t, g.tail)
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	info, _ := f.Stat()
	f.WriteAt(bytes.Repeat([]byte{0}, 14), info.Size())
	if st := g.follow(t, g.tail); st.Rows != 3 || st.Bad != 0 {
		t.Errorf("with zeros: %+v", st)
	}
	f.WriteAt([]byte("3,26.5\n4,27.0\n"), info.Size())
	if st := g.follow(t, g.tail); st.Rows != 5 || st.Bad != 0 {
		t.Errorf("with the zeros filled: %+v", st)
	}
}

func TestTailCountsBadRows(t *testing.T) {
	path := filepath.Join(t.TempDir(), "soak.csv")
	g := newGathered(path, Map{})
	write(t, path, "time_s,temp_c\n0,25.0\n1,25.5\n2,oops\n3,26.5\n")
	st := g.follow(t, g.tail)
	if st.Rows != 3 || st.Bad != 1 || !strings.Contains(st.LastBad, ":4:3:") {
		t.Errorf("got %+v, want 3 rows and one bad at line 4, column 3", st)
	}
}

func TestTailTellsWhatItCannotUnderstand(t *testing.T) {
	path := filepath.Join(t.TempDir(), "song.bin")
	g := newGathered(path, Map{})
	write(t, path, strings.Repeat("la la la\n", 8000))
	if _, err := g.tail.Poll(); err == nil {
		t.Error("64 kB without a row are followed without a word")
	}
}

// The newest of many bad rows is told, however many there were.
func TestTailTellsTheNewestBadRow(t *testing.T) {
	path := filepath.Join(t.TempDir(), "soak.csv")
	g := newGathered(path, Map{})
	write(t, path, "time_s,temp_c\n0,25.0\n1,25.5\n"+strings.Repeat("2,oops\n", 2*keptBad))
	st := g.follow(t, g.tail)
	if want := fmt.Sprintf(":%d:3:", 3+2*keptBad); st.Bad != 2*keptBad || !strings.Contains(st.LastBad, want) {
		t.Errorf("got %+v, want %d bad rows, the newest at %s", st, 2*keptBad, want)
	}
}
