package check

import (
	"crypto/sha256"
	"math/big"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// ISO/IEC 7064:2003, MOD 11,10: the string 0794 has the check digit 5 (the
// standard's example, from memory), 79462 has 3 (from memory).
func TestCheckDigit(t *testing.T) {
	for digits, want := range map[string]byte{"0794": '5', "79462": '3'} {
		if got := checkDigit(digits); got != want {
			t.Errorf("check digit of %s is %c, want %c", digits, got, want)
		}
	}
	// the check of the standard, worked from its other end: with the check
	// digit taken in, the sum is 1 modulo 10
	rapid.Check(t, func(t *rapid.T) {
		digits := rapid.StringMatching(`[0-9]{1,12}`).Draw(t, "digits")
		s := digits + string(checkDigit(digits))
		p := 10
		for i := range len(s) - 1 {
			m := (int(s[i]-'0') + p) % 10
			if m == 0 {
				m = 10
			}
			p = m * 2 % 11
		}
		if (p+int(s[len(s)-1]-'0'))%10 != 1 {
			t.Errorf("%s does not check", s)
		}
	})
}

func draw(t *rapid.T) Fingerprint {
	return Fingerprint(rapid.SliceOfN(rapid.Byte(), 32, 32).Draw(t, "digest"))
}

// SHA-256 of "abc", FIPS 180-4 examples; its groups worked out with big numbers.
func TestGroups(t *testing.T) {
	f := FingerprintOf([]byte("abc"))
	const hex = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
	if f.Hex() != hex {
		t.Fatalf("digest %s", f.Hex())
	}
	n, _ := new(big.Int).SetString(hex, 16)
	digits := n.String()
	digits = digits[len(digits)-40:]
	g := f.Groups()
	joined := ""
	for _, s := range g {
		joined += s[:4]
	}
	if len(g) != 10 || joined != digits {
		t.Errorf("groups %v, want the digits %s", g, digits)
	}
	if !strings.HasPrefix(f.Colons(), "BA:78:16:BF:") {
		t.Error(f.Colons())
	}
}

func TestReadBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := draw(t)
		if f.IsZero() {
			t.Skip()
		}
		other := f
		other[rapid.IntRange(20, 31).Draw(t, "byte")] ^= 1 << rapid.IntRange(0, 7).Draw(t, "bit")
		g := f.Groups()
		for _, typed := range []string{
			f.Hex(), strings.ToUpper(f.Hex()), f.Colons(), f.String(),
			strings.Join(g, ""), strings.Join(g, "-"), " " + strings.Join(g, "\n"),
		} {
			w, err := ParseFingerprint(typed)
			if err != nil || !w.matches(f) || w.matches(other) || w.matches(Fingerprint{}) || w.IsZero() {
				t.Fatalf("%q: %v", typed, err)
			}
		}
	})
	if (Wanted{}).matches(FingerprintOf(nil)) || (Wanted{}).matches(Fingerprint{}) {
		t.Error("nothing asked for matches")
	}
}

// One wrong digit, and two groups in the wrong order, are always noticed.
func TestSlipsOfTheTongue(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := draw(t).Groups()
		i := rapid.IntRange(0, 9).Draw(t, "group")
		k := rapid.IntRange(0, 4).Draw(t, "place")
		d := byte(rapid.IntRange(1, 9).Draw(t, "by"))
		wrong := []byte(g[i])
		wrong[k] = '0' + (wrong[k]-'0'+d)%10
		h := append([]string{}, g...)
		h[i] = string(wrong)
		_, err := ParseFingerprint(strings.Join(h, " "))
		if err == nil || !strings.Contains(err.Error(), "group") {
			t.Errorf("%v read as %v: %v", g, h, err)
		}
		j := rapid.IntRange(0, 9).Draw(t, "other")
		h = append([]string{}, g...)
		h[i], h[j] = h[j], h[i]
		if _, err := ParseFingerprint(strings.Join(h, " ")); err == nil && i != j {
			t.Errorf("groups %d and %d changed places unnoticed", i, j)
		}
	})
}

func FuzzParseFingerprint(f *testing.F) {
	sum := Fingerprint(sha256.Sum256(nil))
	f.Add(sum.Hex())
	f.Add(sum.String())
	f.Add(strings.Repeat("0", 64))
	f.Fuzz(func(t *testing.T, s string) {
		if w, err := ParseFingerprint(s); err == nil && w.IsZero() {
			t.Errorf("%q asks for nothing", s)
		}
	})
}
