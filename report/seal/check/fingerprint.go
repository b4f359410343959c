package check

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math/big"
	"strings"

	"proveout/plans/fact"
)

// A Fingerprint is the SHA-256 digest of a workshop's certificate in DER form. It
// is printed, read out on the telephone, and typed in again, and what was typed
// is read back with the place of a slip of the tongue. The zero value is no
// fingerprint.
type Fingerprint [sha256.Size]byte

// FingerprintOf is the fingerprint of a certificate.
func FingerprintOf(der []byte) Fingerprint { return sha256.Sum256(der) }

// IsZero tells whether there is no fingerprint.
func (f Fingerprint) IsZero() bool { return f == Fingerprint{} }

// Hex is the digest in 64 small hexadecimal digits.
func (f Fingerprint) Hex() string { return hex.EncodeToString(f[:]) }

// MarshalText is Hex.
func (f Fingerprint) MarshalText() ([]byte, error) { return []byte(f.Hex()), nil }

// UnmarshalText reads what MarshalText wrote.
func (f *Fingerprint) UnmarshalText(text []byte) error {
	digest, err := hex.DecodeString(string(text))
	if err != nil || len(digest) != len(f) {
		return fact.New("check.fingerprint-unreadable").Err()
	}
	*f = Fingerprint(digest)
	return nil
}

// Colons is the digest as certificate tools print it: "AB:CD:…".
func (f Fingerprint) Colons() string {
	parts := make([]string, len(f))
	for i, b := range f {
		parts[i] = fmt.Sprintf("%02X", b)
	}
	return strings.Join(parts, ":")
}

const (
	groups   = 10
	perGroup = 4 // digits of the number; a check digit follows
)

// Groups is the fingerprint for the telephone: ten groups of five digits. The
// first four digits of all groups, read as one number, are the digest modulo
// 10^40 (132 bits); the fifth is a check digit over the number of the group
// (0 to 9) and its four digits, so that a misheard digit and two groups in the
// wrong order are noticed at the group.
//
// Source of the check digit: ISO/IEC 7064:2003, system MOD 11,10.
func (f Fingerprint) Groups() []string {
	tail := new(big.Int).SetBytes(f[:])
	tail.Mod(tail, new(big.Int).Exp(big.NewInt(10), big.NewInt(groups*perGroup), nil))
	digits := fmt.Sprintf("%0*s", groups*perGroup, tail.String())
	out := make([]string, groups)
	for i := range out {
		g := digits[i*perGroup : (i+1)*perGroup]
		out[i] = g + string(checkDigit(string(rune('0'+i))+g))
	}
	return out
}

// String is the groups on one line.
func (f Fingerprint) String() string { return strings.Join(f.Groups(), " ") }

// checkDigit is the check digit of ISO/IEC 7064 MOD 11,10 for decimal digits.
func checkDigit(digits string) byte {
	p := 10
	for i := range len(digits) {
		s := (p + int(digits[i]-'0')) % 10
		if s == 0 {
			s = 10
		}
		p = 2 * s % 11
	}
	return byte('0' + (11-p)%10)
}

// A Wanted is a fingerprint that somebody typed. The zero value matches nothing.
type Wanted struct {
	typed string // the digest in hexadecimal digits, or the digits of the groups
}

// IsZero tells whether nothing was asked for.
func (w Wanted) IsZero() bool { return w.typed == "" }

// matches tells whether f is the fingerprint that was typed.
func (w Wanted) matches(f Fingerprint) bool {
	return !f.IsZero() && (w.typed == f.Hex() || w.typed == strings.Join(f.Groups(), ""))
}

// Exactly asks for the fingerprint f.
func Exactly(f Fingerprint) Wanted { return Wanted{f.Hex()} }

// ParseFingerprint reads a typed fingerprint: 64 hexadecimal digits, or the 50 digits of
// the telephone form; spaces, colons, points and dashes do not matter. The
// error names the group that was misheard.
func ParseFingerprint(s string) (Wanted, error) {
	s = strings.Map(func(r rune) rune {
		if strings.ContainsRune(" \t\r\n:.-–,;\u00a0", r) {
			return -1
		}
		return r
	}, s)
	if len(s) == 2*sha256.Size {
		var f Fingerprint
		if f.UnmarshalText([]byte(s)) != nil {
			return Wanted{}, fact.New("check.fingerprint-not-hex").Err()
		}
		if f.IsZero() {
			return Wanted{}, fact.New("check.fingerprint-zero").Err()
		}
		return Exactly(f), nil
	}
	for i, r := range s {
		if r < '0' || r > '9' {
			return Wanted{}, fact.New("check.fingerprint-no-digit", "sign", string(r), "place", i+1,
				"groups", groups, "digits", perGroup+1).Err()
		}
	}
	if len(s) != groups*(perGroup+1) {
		return Wanted{}, fact.New("check.fingerprint-length", "n", len(s), "all", groups*(perGroup+1),
			"groups", groups, "digits", perGroup+1).Err()
	}
	for i := range groups {
		g := s[i*(perGroup+1) : (i+1)*(perGroup+1)]
		if checkDigit(string(rune('0'+i))+g[:perGroup]) != g[perGroup] {
			return Wanted{}, fact.New("check.fingerprint-group", "group", i+1, "digits", g).Err()
		}
	}
	return Wanted{s}, nil
}
