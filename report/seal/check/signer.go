package check

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"crypto/x509"
)

// signer asks who signed. Being unknown does not end the inspection; being
// somebody else does.
func (v *inspection) signer() bool {
	r, o := v.report, v.options
	leaf := v.value.Signer()
	name := leaf.Subject.CommonName
	if !o.Signer.IsZero() {
		if !o.Signer.Matches(r.Signer.Fingerprint) {
			r.Signer.Standing = NotExpected
			return r.no("signer", fmt.Sprintf("It was signed with another key than the one you asked for. The name on it is %q, but anybody can write any name.", name))
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
		return r.yes("signer", fmt.Sprintf("It was signed with the key that you asked for, of %q.", name))
	case Known:
		return r.yes("signer", fmt.Sprintf("It was signed with the known key of %q.", name))
	}
	if v.borrowedName(leaf) {
		r.Signer.Standing = OtherKey
		return r.no("signer", fmt.Sprintf("It names %q, but it was signed with another key than the known one of that name.", name))
	}
	r.answer("signer", Open, fmt.Sprintf("It names %q, but anybody can write any name. Ask the workshop, on a way that you found yourself, for the fingerprint of its key; this one is %s.", name, r.Signer.Spoken))
	return true
}

// lapsed judges a certificate that was signed with a key given up since.
func (v *inspection) lapsed(l Lapsed) bool {
	r := v.report
	r.Signer.Standing = Retired
	day := l.When.Format("2 January 2006")
	if l.Why == Compromised {
		if at, ok := v.trustedStamp(); ok && at.Before(l.When) {
			return r.yes("signer", fmt.Sprintf("It was signed with a key that %q gave up on %s because somebody else may have it. A time stamp by others proves that this signature is older.", r.Signer.Name, day))
		}
		return r.no("signer", fmt.Sprintf("It was signed with a key that %q gave up on %s because somebody else may have it. Nothing proves that this signature is older.", r.Signer.Name, day))
	}
	if r.SignTime.After(l.When) {
		return r.no("signer", fmt.Sprintf("It was signed with a key that %q had given up before, on %s.", r.Signer.Name, day))
	}
	return r.yes("signer", fmt.Sprintf("It was signed with a former key of %q, which was in use until %s.", r.Signer.Name, day))
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

// trustedStamp is the time that a trusted authority vouches for.
func (v *inspection) trustedStamp() (time.Time, bool) {
	if v.value.TimeStamp == nil || !v.value.TrustedBy(v.options.TimeAuthorities) {
		return time.Time{}, false
	}
	st, err := v.value.CheckTimeStamp()
	return st.Time, err == nil
}

const (
	clockSlack = 10 * time.Minute
	stampDelay = 24 * time.Hour
)

// time asks when it was signed, and who says so.
func (v *inspection) time() bool {
	r, leaf := v.report, v.value.Signer()
	at := r.SignTime
	when := at.Format("2 January 2006 15:04 -07:00")
	switch {
	case at.Before(leaf.NotBefore) || at.After(leaf.NotAfter):
		return r.no("time", "It is dated "+when+", when its key was not valid.")
	case !v.options.Now.IsZero() && at.After(v.options.Now.Add(stampDelay)):
		return r.no("time", "It is dated in the future: "+when+".")
	case v.value.TimeStamp == nil:
		return r.yes("time", "It was signed on "+when+", by the workshop's own clock. Nobody else vouches for the time.")
	}
	st, err := v.value.CheckTimeStamp()
	if err != nil {
		return r.no("time", "Its time stamp does not hold: "+err.Error()+".")
	}
	who := st.Authority.Subject.CommonName
	stamped := st.Time.Format("2 January 2006 15:04 UTC")
	if d := st.Time.Sub(at); d < -clockSlack || d > stampDelay {
		return r.no("time", fmt.Sprintf("The workshop dated it %s, but its time stamp says %s.", when, stamped))
	}
	if _, ok := v.trustedStamp(); !ok {
		return r.yes("time", fmt.Sprintf("It was signed on %s, by the workshop's own clock. A time stamp in the name of %q says %s, but nothing here tells whether that authority can be trusted.", when, who, stamped))
	}
	r.Stamped = st.Time
	return r.yes("time", fmt.Sprintf("It was signed no later than %s: so says the time stamp authority %q. By the workshop's own clock it was %s.", stamped, who, when))
}
