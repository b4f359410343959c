package check

import (
	"crypto/x509"
	"slices"
	"strings"
	"time"

	"proveout/plans/fact"
)

// signer asks who signed. Being unknown does not end the inspection; being
// somebody else does.
func (v *inspection) signer() (State, fact.Fact) {
	r, o := &v.report, v.options
	leaf := v.value.Signer()
	name := shown(leaf.Subject.CommonName)
	if !o.Signer.IsZero() {
		if !o.Signer.matches(r.Signer.Fingerprint) {
			r.Signer.Standing = NotExpected
			return No, fact.New("check.signer-not-expected", "name", name)
		}
		r.Signer.Standing = Expected
	} else if slices.ContainsFunc(o.Known, leaf.Equal) {
		r.Signer.Standing = Known
	}
	for _, l := range o.Retired {
		if l.Cert.Equal(leaf) {
			return v.lapsed(l)
		}
	}
	switch r.Signer.Standing {
	case Expected:
		return Yes, fact.New("check.signer-expected", "name", name)
	case Known:
		return Yes, fact.New("check.signer-known", "name", name)
	}
	if v.borrowedName(leaf) {
		r.Signer.Standing = OtherKey
		return No, fact.New("check.signer-borrows-name", "name", name)
	}
	return Open, fact.New("check.signer-unknown", "name", name, "fingerprint", r.Signer.Spoken)
}

// lapsed judges a certificate that was signed with a key given up since.
func (v *inspection) lapsed(l Lapsed) (State, fact.Fact) {
	r := &v.report
	r.Signer.Standing = Retired
	name, day := shown(r.Signer.Name), fact.Date(l.When)
	if l.Why == Compromised {
		return No, fact.New("check.signer-compromised", "name", name, "day", day)
	}
	if r.SignTime.After(l.When) {
		return No, fact.New("check.signer-given-up", "name", name, "day", day)
	}
	return Yes, fact.New("check.signer-former", "name", name, "day", day)
}

// borrowedName tells whether a known or retired certificate bears this name.
func (v *inspection) borrowedName(leaf *x509.Certificate) bool {
	same := func(c *x509.Certificate) bool {
		return plainName(c.Subject.CommonName) == plainName(leaf.Subject.CommonName)
	}
	return slices.ContainsFunc(v.options.Known, same) ||
		slices.ContainsFunc(v.options.Retired, func(l Lapsed) bool { return same(l.Cert) })
}

// plainName is a name without regard to case and white space.
func plainName(s string) string { return strings.Join(strings.Fields(strings.ToLower(s)), " ") }

const (
	clockSlack = 10 * time.Minute
	stampDelay = 24 * time.Hour
)

// time asks when it was signed, and who says so.
func (v *inspection) time() (State, fact.Fact) {
	r, leaf := &v.report, v.value.Signer()
	at := r.SignTime
	when := fact.Moment(at)
	switch {
	case at.Before(leaf.NotBefore) || at.After(leaf.NotAfter):
		return No, fact.New("check.time-invalid", "at", when)
	case !v.options.Now.IsZero() && at.After(v.options.Now.Add(stampDelay)):
		return No, fact.New("check.time-future", "at", when)
	case v.value.TimeStamp == nil:
		return Yes, fact.New("check.time-own-clock", "at", when)
	}
	st, err := v.value.CheckTimeStamp()
	if err != nil {
		return No, fact.New("check.time-stamp-broken", "why", fact.Why(err))
	}
	who := shown(st.Authority.Subject.CommonName)
	stamped := fact.Moment(st.Time)
	if d := st.Time.Sub(at); d < -clockSlack || d > stampDelay {
		return No, fact.New("check.time-stamp-apart", "at", when, "stamped", stamped)
	}
	return Yes, fact.New("check.time-stamp-unknown", "at", when, "authority", who, "stamped", stamped)
}
