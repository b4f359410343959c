package cms

import (
	"bytes"
	"crypto"
	"crypto/ecdsa"
	"crypto/rsa"
	_ "crypto/sha1" // only to read what time stamp authorities write
	"crypto/sha256"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/asn1"
	"errors"
	"fmt"
	"slices"
	"time"

	"proveout/plans/fact"
)

// Sign makes a detached signature over content whose SHA-256 digest is given.
// chain begins with the signer's certificate; all of its digests are signed
// along. An ECDSA signature is made by RFC 6979 and an RSA one by PKCS #1
// version 1.5, both without chance: the same input gives the same bytes, if
// the key is one of Go's own kinds.
func Sign(
	key crypto.Signer, chain []*x509.Certificate, digest [sha256.Size]byte, at time.Time,
) (*SignedData, error) {
	if len(chain) == 0 {
		return nil, errors.New("no certificate to sign with")
	}
	attributes, err := signedAttributes(chain, digest, at)
	if err != nil {
		return nil, err
	}
	s := &SignedData{ContentType: oidData, Certs: chain, Digest: crypto.SHA256, Attributes: attributes}
	sum := sha256.Sum256(attributes)
	// a nil source of chance asks crypto/ecdsa for RFC 6979
	if s.Signature, err = key.Sign(nil, sum[:], crypto.SHA256); err != nil {
		return nil, err
	}
	return s, s.verifySignature()
}

// The shape of RFC 5035, 4, and of its version 1, which has no digest's name.
type (
	signingCertificate struct {
		Certs []certID
	}
	certID struct {
		Hash   pkix.AlgorithmIdentifier `asn1:"optional"`
		Sum    []byte
		Issuer asn1.RawValue `asn1:"optional"`
	}
)

func signedAttributes(chain []*x509.Certificate, digest [sha256.Size]byte, at time.Time) ([]byte, error) {
	if y := at.UTC().Year(); y < 1950 || y > 9999 {
		return nil, fmt.Errorf("signing time %v cannot be written", at)
	}
	var bound signingCertificate
	for _, c := range chain {
		sum := sha256.Sum256(c.Raw)
		bound.Certs = append(bound.Certs, certID{Sum: sum[:]}) // SHA-256 is the one that needs no name
	}
	var list []attribute
	for _, a := range []struct {
		id    asn1.ObjectIdentifier
		value any
	}{
		{oidContentType, oidData},
		{oidMessageDigest, digest[:]},
		{oidSigningTime, at.UTC()}, // UTCTime through 2049 (RFC 5652, 11.3)
		{oidSigningCertV2, bound},
	} {
		value, err := asn1.Marshal(a.value)
		if err != nil {
			return nil, err
		}
		list = append(list, attribute{a.id, []asn1.RawValue{{FullBytes: value}}})
	}
	return asn1.MarshalWithParams(list, "set")
}

// Check tells whether the signature was made over content with this SHA-256
// digest by the key of its first certificate, and returns the signing time that
// was signed along. All certificates must be among those that were signed along.
func (s *SignedData) Check(digest [sha256.Size]byte) (time.Time, error) {
	var at time.Time
	if !s.ContentType.Equal(oidData) || s.Content != nil || s.Digest != crypto.SHA256 {
		return at, fact.New("cms.not-detached").Err()
	}
	a, err := readAttributes(s.Attributes)
	if err != nil {
		return at, err
	}
	if err := a.match(oidData, digest[:]); err != nil {
		return at, err
	}
	bound, err := a.boundCerts()
	if err != nil {
		return at, err
	}
	others := bound[1:]
	for i, c := range s.Certs {
		found := i == 0 && bound[0].is(c) || i > 0 && slices.ContainsFunc(others, func(b boundCert) bool { return b.is(c) })
		if !found || len(bound) != len(s.Certs) {
			return at, fact.New("cms.other-certificates").Err()
		}
	}
	if !a.value(oidSigningTime, &at) {
		return at, fact.New("cms.no-time").Err()
	}
	return at, s.verifySignature()
}

// attributes are signed attributes by object identifier; each has one value.
type attributes map[string]asn1.RawValue

func readAttributes(set []byte) (attributes, error) {
	var list []attribute
	if rest, err := asn1.UnmarshalWithParams(set, &list, "set"); err != nil || len(rest) != 0 {
		return nil, errShape
	}
	out := attributes{}
	for _, a := range list {
		if _, twice := out[a.Type.String()]; twice || len(a.Values) != 1 {
			return nil, errShape
		}
		out[a.Type.String()] = a.Values[0]
	}
	return out, nil
}

// value reads the attribute into a value of its shape.
func (a attributes) value(id asn1.ObjectIdentifier, into any) bool {
	rest, err := asn1.Unmarshal(a[id.String()].FullBytes, into)
	return err == nil && len(rest) == 0
}

// match checks content type and message digest.
func (a attributes) match(contentType asn1.ObjectIdentifier, digest []byte) error {
	var id asn1.ObjectIdentifier
	var got []byte
	if !a.value(oidContentType, &id) || !id.Equal(contentType) || !a.value(oidMessageDigest, &got) {
		return errShape
	}
	if !bytes.Equal(got, digest) {
		return ErrChanged
	}
	return nil
}

// ErrChanged is returned when the signed bytes are not those that are here.
var ErrChanged = fact.New("cms.changed").Err()

// A boundCert is the digest of a certificate that was signed along.
type boundCert struct {
	hash crypto.Hash
	sum  []byte
}

func (b boundCert) is(c *x509.Certificate) bool {
	h := b.hash.New()
	h.Write(c.Raw)
	return bytes.Equal(h.Sum(nil), b.sum)
}

// boundCerts reads the signing certificate attribute, of version 2, or of
// version 1 where there is no other (time stamps).
func (a attributes) boundCerts() ([]boundCert, error) {
	id, unnamed := oidSigningCertV2, crypto.SHA256
	if _, v2 := a[id.String()]; !v2 {
		id, unnamed = oidSigningCert, crypto.SHA1
	}
	var certs signingCertificate
	if !a.value(id, &certs) || len(certs.Certs) == 0 || len(certs.Certs) > maxCerts {
		return nil, fact.New("cms.unbound").Err()
	}
	var out []boundCert
	for _, c := range certs.Certs {
		b := boundCert{unnamed, c.Sum}
		if c.Hash.Algorithm != nil {
			b.hash = hashOf(c.Hash.Algorithm)
		}
		if b.hash == 0 {
			return nil, errShape
		}
		out = append(out, b)
	}
	return out, nil
}

// verifySignature checks the signature value over the signed attributes.
func (s *SignedData) verifySignature() error {
	h := s.Digest.New()
	h.Write(s.Attributes)
	sum := h.Sum(nil)
	good := false
	switch k := s.Signer().PublicKey.(type) {
	case *ecdsa.PublicKey:
		good = ecdsa.VerifyASN1(k, sum, s.Signature)
	case *rsa.PublicKey:
		good = k.N.BitLen() >= minRSA && k.N.BitLen() <= maxRSA &&
			rsa.VerifyPKCS1v15(k, s.Digest, sum, s.Signature) == nil
	default:
		return fact.New("cms.key-kind").Err()
	}
	if !good {
		return fact.New("cms.value-wrong").Err()
	}
	return nil
}
