package content

import (
	"testing"

	"proveout/harness/reading"
	"proveout/report/words"
)

// The line of a certificate on what its plan lets through; records of before have
// none.
func TestProofLine(t *testing.T) {
	proof := &reading.Proof{Good: reading.Tried{N: 500, Accepted: 481}, Gross: reading.Tried{N: 2000}}
	for _, tt := range []struct {
		language string
		proof    *reading.Proof
		schema   int
		want     string
	}{
		{"en", proof, 4, "Of 500 simulated good cards, 481 were accepted; of 2000 with a gross fault, none was accepted."},
		{"de", proof, 4, "Von 500 simulierten guten Karten: 481 angenommen; von 2000 mit einem groben Fehler: keine angenommen."},
		{"fr", proof, 4, "Sur 500 bonnes cartes simulées : 481 acceptées ; sur 2000 avec un défaut grossier : aucune acceptée."},
		{"en", &reading.Proof{Good: reading.Tried{N: 1}, Gross: reading.Tried{N: 20, Accepted: 1}}, 0,
			"Of 1 simulated good card, none was accepted; of 20 with a gross fault, 1 was accepted."},
		{"en", nil, 4, "Not worked out for this plan and family."},
		{"en", nil, 0, "Not worked out for this plan and family."},
		{"en", nil, 3, ""},
		{"en", nil, 1, ""},
	} {
		w, err := words.In(tt.language)
		if err != nil {
			t.Fatal(err)
		}
		b := &builder{d: &Document{Record: Record{Schema: tt.schema, Proof: tt.proof}}, w: w}
		if got := words.Unbound(b.proof()); got != tt.want {
			t.Errorf("%s, schema %d: %q, want %q", tt.language, tt.schema, got, tt.want)
		}
	}
}
