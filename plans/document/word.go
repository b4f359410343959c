package document

import (
	"slices"
	"strings"
)

// Nearest returns the candidate that a word was probably meant to be, or "".
func Nearest(word string, candidates []string) string {
	if len(word) > 40 {
		return ""
	}
	candidates = candidates[:min(len(candidates), 200)]
	best, distance := "", 1+max(1, len([]rune(word))/3)
	plain := simplify(word)
	for _, c := range candidates {
		d := editDistance(plain, simplify(c))
		if d < distance {
			best, distance = c, d
		}
	}
	if best != "" {
		return best
	}
	for _, c := range candidates { // "max" for max_temp, "frequency" for "max_frequency"
		if len(plain) >= 3 && strings.Contains(simplify(c), plain) {
			return c
		}
	}
	return ""
}

// simplify makes spellings equal that differ by case and separators.
func simplify(s string) string {
	return strings.NewReplacer("-", "", "_", "", " ", "").Replace(strings.ToLower(s))
}

// editDistance counts the letters to insert, drop, change or swap with the
// neighbour (optimal string alignment).
func editDistance(a, b string) int {
	x, y := []rune(a), []rune(b)
	var before []int
	row := make([]int, len(y)+1)
	for j := range row {
		row[j] = j
	}
	for i := range x {
		next := make([]int, len(y)+1)
		next[0] = i + 1
		for j := range y {
			cost := 1
			if x[i] == y[j] {
				cost = 0
			}
			next[j+1] = min(row[j]+cost, row[j+1]+1, next[j]+1)
			if i > 0 && j > 0 && x[i] == y[j-1] && x[i-1] == y[j] {
				next[j+1] = min(next[j+1], before[j-1]+1)
			}
		}
		before, row = row, next
	}
	return row[len(y)]
}

// DidYouMean is the fix for a word that is not one of the candidates.
func DidYouMean(word string, candidates []string) string {
	if c := Nearest(word, candidates); c != "" {
		return `did you mean "` + c + `"?`
	}
	return "use one of: " + Listed(candidates)
}

// Listed prints words for a message, 12 at most.
func Listed(words []string) string {
	w := slices.Clone(words)
	more := ""
	if len(w) > 12 {
		w, more = w[:12], ", …"
	}
	return strings.Join(w, ", ") + more
}

// Quoted prints the user's own text for a message, shortened.
func Quoted(s string) string {
	return `"` + shortened(strings.ReplaceAll(s, "\n", " "), 40) + `"`
}

func shortened(s string, most int) string {
	if r := []rune(s); len(r) > most {
		s = string(r[:most]) + "…"
	}
	return printable(s)
}
