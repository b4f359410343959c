package register

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

func TestRegisterKeepsAndTakesOut(t *testing.T) {
	shop := t.TempDir()
	at := time.Date(2026, 3, 4, 10, 0, 0, 0, time.UTC)
	score := func(card string, v float64) Entry {
		return Entry{Kind: Score, At: at, Family: "f", Variant: "137", Workload: "maze", Bench: "b1", Unit: "fps", Better: "higher", Card: card, Value: v}
	}
	if err := Append(shop, score("one", 40), score("two", 41), score("three", 90)); err != nil {
		t.Fatal(err)
	}
	if err := Append(shop, Entry{Kind: Removal, At: at, Refers: 3, Text: "another bench"}); err != nil {
		t.Fatal(err)
	}
	entries, warnings, err := Load(shop)
	if err != nil || len(warnings) > 0 || len(entries) != 4 {
		t.Fatalf("Load: %d entries, %v, %v", len(entries), warnings, err)
	}
	sets := Sets(entries, "f", "137")
	if len(sets) != 1 || len(sets[0].Scores) != 2 || sets[0].Scores[1].Value != 41 || sets[0].Scores[1].When != "2026-03-04" {
		t.Errorf("Sets: %+v", sets)
	}
	if other := Sets(entries, "f", "158"); other != nil {
		t.Errorf("another variant has %v", other)
	}
}

// A power cut in the middle of a line loses that line alone.
func TestRegisterSurvivesATornLine(t *testing.T) {
	shop := t.TempDir()
	if err := Append(shop, Entry{Kind: Control, Bench: "b", Workload: "w", Value: 1}); err != nil {
		t.Fatal(err)
	}
	f, _ := os.OpenFile(filepath.Join(shop, File), os.O_WRONLY|os.O_APPEND, 0)
	f.WriteString(`{"kind":"control-run","val`)
	f.Close()
	if err := Append(shop, Entry{Kind: Control, Bench: "b", Workload: "w", Value: 3}); err != nil {
		t.Fatal(err)
	}
	entries, warnings, err := Load(shop)
	if err != nil {
		t.Fatal(err)
	}
	runs := ControlRuns(entries)
	if len(runs) != 2 || runs[1].Value != 3 || len(warnings) != 1 || !strings.HasSuffix(fmt.Sprint(warnings[0].Args["at"]), ":2") {
		t.Errorf("runs %v, warnings %v", runs, warnings)
	}
}

func TestNumbersAreNeverGivenTwice(t *testing.T) {
	shop := t.TempDir()
	at := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	var mu sync.Mutex
	var wg sync.WaitGroup
	seen := map[string]bool{}
	for range 20 {
		wg.Go(func() {
			var n string
			err := fs.ErrExist
			for errors.Is(err, fs.ErrExist) {
				if n, err = NextNumber(shop, "Q-{year}-{n:04}", at.Year()); err == nil {
					err = Take(shop, Document{Number: n, Job: "j", At: at})
				}
			}
			mu.Lock()
			defer mu.Unlock()
			if err != nil || seen[n] {
				t.Errorf("got %q again, or %v", n, err)
			}
			seen[n] = true
		})
	}
	wg.Wait()
	if !seen["Q-2026-0001"] || !seen["Q-2026-0020"] {
		t.Errorf("numbers: %v", seen)
	}
	docs, err := Documents(shop)
	if err != nil || len(docs) != 20 {
		t.Errorf("%d documents, %v", len(docs), err)
	}
}
