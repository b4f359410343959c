package cms

import (
	"bytes"
	"crypto"
	"crypto/ecdsa"
	"crypto/rsa"
	"crypto/sha1" // only to read what time stamp authorities write
	"crypto/sha256"
	"crypto/x509"
	"encoding/asn1"
	"errors"
	"fmt"
	"time"

	"golang.org/x/crypto/cryptobyte"
	tag "golang.org/x/crypto/cryptobyte/asn1"
)

// Sign makes a detached signature over content whose SHA-256 digest is given.
// chain begins with the signer's certificate; all of its digests are signed
// along. An ECDSA signature is made by RFC 6979 and an RSA one by PKCS #1
// version 1.5, both without chance: the same input gives the same bytes, if
// the key is one of Go's own kinds.
func Sign(key crypto.Signer, chain []*x509.Certificate, digest [sha256.Size]byte, at time.Time) (*SignedData, error) {
	if len(chain) == 0 {
		return nil, errors.New("no certificate to sign with")
	}
	attrs, err := signedAttributes(chain, digest, at)
	if err != nil {
		return nil, err
	}
	s := &SignedData{ContentType: oidData, Certs: chain, Digest: crypto.SHA256, Attributes: attrs}
	sum := sha256.Sum256(attrs)
	switch k := key.Public().(type) {
	case *ecdsa.PublicKey:
		if !k.Equal(chain[0].PublicKey) {
			return nil, errors.New("the key does not belong to the certificate")
		}
	case *rsa.PublicKey:
		if !k.Equal(chain[0].PublicKey) {
			return nil, errors.New("the key does not belong to the certificate")
		}
		if n := k.N.BitLen(); n < minRSA || n > maxRSA {
			return nil, fmt.Errorf("the RSA key has %d bits; %d to %d are taken", n, minRSA, maxRSA)
		}
	default:
		return nil, fmt.Errorf("keys of kind %T cannot sign certificates: take ECDSA P-256 or RSA", k)
	}
	// a nil source of chance asks crypto/ecdsa for RFC 6979
	if s.Signature, err = key.Sign(nil, sum[:], crypto.SHA256); err != nil {
		return nil, err
	}
	return s, s.verifySignature()
}

func signedAttributes(chain []*x509.Certificate, digest [sha256.Size]byte, at time.Time) ([]byte, error) {
	add := func(id string, value func(*cryptobyte.Builder)) []byte {
		b := cryptobyte.NewBuilder(nil)
		b.AddASN1(tag.SEQUENCE, func(b *cryptobyte.Builder) {
			addOID(b, id)
			b.AddASN1(tag.SET, value)
		})
		return b.BytesOrPanic() // fails only above 4 GiB
	}
	list := [][]byte{
		add(oidContentType, func(b *cryptobyte.Builder) { addOID(b, oidData) }),
		add(oidMessageDigest, func(b *cryptobyte.Builder) { b.AddASN1OctetString(digest[:]) }),
		add(oidSigningTime, func(b *cryptobyte.Builder) {
			// RFC 5652, 11.3: UTCTime through 2049
			if u := at.UTC(); u.Year() < 2050 {
				b.AddASN1UTCTime(u)
			} else {
				b.AddASN1GeneralizedTime(u)
			}
		}),
		add(oidSigningCertV2, func(b *cryptobyte.Builder) {
			b.AddASN1(tag.SEQUENCE, func(b *cryptobyte.Builder) {
				b.AddASN1(tag.SEQUENCE, func(b *cryptobyte.Builder) {
					for _, c := range chain {
						sum := sha256.Sum256(c.Raw)
						b.AddASN1(tag.SEQUENCE, func(b *cryptobyte.Builder) { b.AddASN1OctetString(sum[:]) })
					}
				})
			})
		}),
	}
	if y := at.UTC().Year(); y < 1950 || y > 9999 {
		return nil, fmt.Errorf("signing time %v cannot be written", at)
	}
	b := cryptobyte.NewBuilder(nil)
	b.AddASN1(tag.SET, func(b *cryptobyte.Builder) {
		for _, a := range sortedDER(list) {
			b.AddBytes(a)
		}
	})
	return b.Bytes()
}

// Check tells whether the signature was made over content with this SHA-256
// digest by the key of its first certificate, and returns the signing time that
// was signed along. All certificates must be among those that were signed along.
func (s *SignedData) Check(digest [sha256.Size]byte) (time.Time, error) {
	var at time.Time
	if s.ContentType != oidData || s.Content != nil || s.Digest != crypto.SHA256 {
		return at, errors.New("the signature is not a detached one over the file")
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
	if len(bound) != len(s.Certs) {
		return at, errors.New("the certificates in the signature are not those that were signed along")
	}
	for i, c := range s.Certs {
		found := i == 0 && bound[0].is(c)
		for _, b := range bound[1:] {
			found = found || i > 0 && b.is(c)
		}
		if !found {
			return at, errors.New("the certificates in the signature are not those that were signed along")
		}
	}
	if at, err = a.time(); err != nil {
		return at, err
	}
	return at, s.verifySignature()
}

// attributes are signed attributes by object identifier; each has one value.
type attributes map[string]cryptobyte.String

func readAttributes(set []byte) (attributes, error) {
	in := cryptobyte.String(set)
	var list cryptobyte.String
	if !in.ReadASN1(&list, tag.SET) || !in.Empty() {
		return nil, errShape
	}
	out := attributes{}
	for !list.Empty() {
		var attr, values, v cryptobyte.String
		var id asn1.ObjectIdentifier
		var t tag.Tag
		if !list.ReadASN1(&attr, tag.SEQUENCE) || !attr.ReadASN1ObjectIdentifier(&id) || !attr.ReadASN1(&values, tag.SET) || !attr.Empty() ||
			!values.ReadAnyASN1Element(&v, &t) || !values.Empty() {
			return nil, errShape
		}
		if _, twice := out[id.String()]; twice {
			return nil, errShape
		}
		out[id.String()] = v
	}
	return out, nil
}

// match checks content type and message digest.
func (a attributes) match(contentType string, digest []byte) error {
	var id asn1.ObjectIdentifier
	ct, md := a[oidContentType], a[oidMessageDigest]
	var got cryptobyte.String
	if !ct.ReadASN1ObjectIdentifier(&id) || id.String() != contentType || !md.ReadASN1(&got, tag.OCTET_STRING) {
		return errShape
	}
	if !bytes.Equal(got, digest) {
		return ErrChanged
	}
	return nil
}

// ErrChanged is returned when the signed bytes are not those that are here.
var ErrChanged = errors.New("the bytes are not those that were signed")

// a certID is the digest of a certificate that was signed along.
type certID struct {
	hash crypto.Hash
	sum  []byte
}

func (id certID) is(c *x509.Certificate) bool {
	if id.hash == crypto.SHA1 {
		sum := sha1.Sum(c.Raw)
		return bytes.Equal(sum[:], id.sum)
	}
	h := id.hash.New()
	h.Write(c.Raw)
	return bytes.Equal(h.Sum(nil), id.sum)
}

// boundCerts reads the signing certificate attribute, of version 2, or of
// version 1 where there is no other (time stamps).
func (a attributes) boundCerts() ([]certID, error) {
	v, v2 := a[oidSigningCertV2]
	if !v2 {
		v = a[oidSigningCert]
	}
	var outer, ids cryptobyte.String
	if !v.ReadASN1(&outer, tag.SEQUENCE) || !outer.ReadASN1(&ids, tag.SEQUENCE) {
		return nil, errors.New("the signature does not bind its certificate")
	}
	var out []certID
	for !ids.Empty() {
		var id, alg, sum cryptobyte.String
		c := certID{hash: crypto.SHA1}
		if !ids.ReadASN1(&id, tag.SEQUENCE) {
			return nil, errShape
		}
		if v2 {
			c.hash = crypto.SHA256 // the default of RFC 5035
			if id.PeekASN1Tag(tag.SEQUENCE) {
				var o asn1.ObjectIdentifier
				if !id.ReadASN1(&alg, tag.SEQUENCE) || !alg.ReadASN1ObjectIdentifier(&o) {
					return nil, errShape
				}
				c.hash = 0
				for _, h := range []crypto.Hash{crypto.SHA256, crypto.SHA384, crypto.SHA512} {
					if digestOID(h) == o.String() {
						c.hash = h
					}
				}
			}
		}
		if c.hash == 0 || !id.ReadASN1(&sum, tag.OCTET_STRING) || len(out) == 16 {
			return nil, errShape
		}
		c.sum = sum
		out = append(out, c)
	}
	if len(out) == 0 {
		return nil, errShape
	}
	return out, nil
}

func (a attributes) time() (time.Time, error) {
	v := a[oidSigningTime]
	var t time.Time
	if v.PeekASN1Tag(tag.UTCTime) && v.ReadASN1UTCTime(&t) || v.ReadASN1GeneralizedTime(&t) {
		return t, nil
	}
	return t, errors.New("the signature does not say when it was made")
}
