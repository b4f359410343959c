// Package cms writes, reads and checks the one shape of CMS signature that a
// certificate carries: detached or with content, one signer, its attributes
// signed, its certificates bound by their digests, with or without a time stamp.
//
// A digest and a key come in, DER goes out, and back. What it reads must be
// exactly what it would write: a signature value with one bit changed anywhere,
// signed or not, is refused. It does not know which signers are trusted, has no
// clock and no network.
//
// Sources: RFC 5652 (CMS), RFC 5035 (signing certificate, version 2), RFC 5754
// (SHA-2 in CMS), RFC 5753 (ECDSA in CMS), RFC 3161 (time stamps).
package cms

import (
	"bytes"
	"crypto"
	"crypto/ecdsa"
	"crypto/rsa"
	_ "crypto/sha256" // the digests that signatures use
	_ "crypto/sha512"
	"crypto/x509"
	"encoding/asn1"
	"errors"
	"fmt"
	"math/big"
	"slices"

	"golang.org/x/crypto/cryptobyte"
	tag "golang.org/x/crypto/cryptobyte/asn1"
)

// Object identifiers of RFC 5652, RFC 5035, RFC 3161 and RFC 5754.
const (
	oidData           = "1.2.840.113549.1.7.1"
	oidSignedData     = "1.2.840.113549.1.7.2"
	oidContentType    = "1.2.840.113549.1.9.3"
	oidMessageDigest  = "1.2.840.113549.1.9.4"
	oidSigningTime    = "1.2.840.113549.1.9.5"
	oidTSTInfo        = "1.2.840.113549.1.9.16.1.4"
	oidSigningCert    = "1.2.840.113549.1.9.16.2.12"
	oidTimeStampToken = "1.2.840.113549.1.9.16.2.14"
	oidSigningCertV2  = "1.2.840.113549.1.9.16.2.47"
	oidRSA            = "1.2.840.113549.1.1.1"
)

func oid(s string) asn1.ObjectIdentifier {
	var out asn1.ObjectIdentifier
	n := 0
	for _, c := range s + "." {
		if c == '.' {
			out = append(out, n)
			n = 0
			continue
		}
		n = n*10 + int(c-'0')
	}
	return out
}

func digestOID(h crypto.Hash) string {
	switch h {
	case crypto.SHA256:
		return "2.16.840.1.101.3.4.2.1"
	case crypto.SHA384:
		return "2.16.840.1.101.3.4.2.2"
	case crypto.SHA512:
		return "2.16.840.1.101.3.4.2.3"
	}
	return ""
}

func ecdsaOID(h crypto.Hash) string {
	switch h {
	case crypto.SHA256:
		return "1.2.840.10045.4.3.2"
	case crypto.SHA384:
		return "1.2.840.10045.4.3.3"
	case crypto.SHA512:
		return "1.2.840.10045.4.3.4"
	}
	return ""
}

// Sizes of RSA keys in bits that signatures are taken from.
const (
	minRSA = 2048
	maxRSA = 8192
)

// SignedData is a CMS signature of one signer.
type SignedData struct {
	ContentType string              // object identifier of what is signed
	Content     []byte              // nil when detached
	Certs       []*x509.Certificate // the signer's first
	Digest      crypto.Hash
	Attributes  []byte // the signed attributes as a DER SET
	Signature   []byte
	TimeStamp   *SignedData // over Signature; nil if there is none
}

// Signer is the certificate of who signed.
func (s *SignedData) Signer() *x509.Certificate { return s.Certs[0] }

func addOID(b *cryptobyte.Builder, s string) { b.AddASN1ObjectIdentifier(oid(s)) }

func addDigestAlgorithm(b *cryptobyte.Builder, h crypto.Hash) {
	b.AddASN1(tag.SEQUENCE, func(b *cryptobyte.Builder) { addOID(b, digestOID(h)) })
}

// Marshal is the DER form of the ContentInfo.
func (s *SignedData) Marshal() ([]byte, error) {
	if len(s.Certs) == 0 || len(s.Attributes) < 2 || digestOID(s.Digest) == "" {
		return nil, errors.New("signature is not complete")
	}
	b := cryptobyte.NewBuilder(nil)
	s.add(b)
	return b.Bytes()
}

func (s *SignedData) add(b *cryptobyte.Builder) {
	version := int64(1)
	if s.ContentType != oidData {
		version = 3 // RFC 5652, 5.1
	}
	b.AddASN1(tag.SEQUENCE, func(b *cryptobyte.Builder) {
		addOID(b, oidSignedData)
		b.AddASN1(tag.Tag(0).ContextSpecific().Constructed(), func(b *cryptobyte.Builder) {
			b.AddASN1(tag.SEQUENCE, func(b *cryptobyte.Builder) {
				b.AddASN1Int64(version)
				b.AddASN1(tag.SET, func(b *cryptobyte.Builder) { addDigestAlgorithm(b, s.Digest) })
				b.AddASN1(tag.SEQUENCE, func(b *cryptobyte.Builder) {
					addOID(b, s.ContentType)
					if s.Content != nil {
						b.AddASN1(tag.Tag(0).ContextSpecific().Constructed(), func(b *cryptobyte.Builder) { b.AddASN1OctetString(s.Content) })
					}
				})
				b.AddASN1(tag.Tag(0).ContextSpecific().Constructed(), func(b *cryptobyte.Builder) {
					var raw [][]byte
					for _, c := range s.Certs {
						raw = append(raw, c.Raw)
					}
					slices.SortFunc(raw, bytes.Compare)
					for _, r := range raw {
						b.AddBytes(r)
					}
				})
				b.AddASN1(tag.SET, s.addSignerInfo)
			})
		})
	})
}

func (s *SignedData) addSignerInfo(b *cryptobyte.Builder) {
	b.AddASN1(tag.SEQUENCE, func(b *cryptobyte.Builder) {
		b.AddASN1Int64(1)
		b.AddASN1(tag.SEQUENCE, func(b *cryptobyte.Builder) {
			b.AddBytes(s.Signer().RawIssuer)
			b.AddASN1BigInt(s.Signer().SerialNumber)
		})
		addDigestAlgorithm(b, s.Digest)
		signed := slices.Clone(s.Attributes)
		signed[0] = byte(tag.Tag(0).ContextSpecific().Constructed()) // RFC 5652, 5.4: signed as SET, stored as [0]
		b.AddBytes(signed)
		b.AddASN1(tag.SEQUENCE, func(b *cryptobyte.Builder) {
			if _, ok := s.Signer().PublicKey.(*rsa.PublicKey); ok {
				addOID(b, oidRSA)
				b.AddASN1NULL()
			} else {
				addOID(b, ecdsaOID(s.Digest))
			}
		})
		b.AddASN1OctetString(s.Signature)
		if s.TimeStamp != nil {
			b.AddASN1(tag.Tag(1).ContextSpecific().Constructed(), func(b *cryptobyte.Builder) {
				b.AddASN1(tag.SEQUENCE, func(b *cryptobyte.Builder) {
					addOID(b, oidTimeStampToken)
					b.AddASN1(tag.SET, s.TimeStamp.add)
				})
			})
		}
	})
}

// Parse reads what Marshal wrote. Anything that Marshal would write in another
// way is refused.
func Parse(der []byte) (*SignedData, error) {
	s, err := parse(der)
	if err != nil {
		return nil, err
	}
	again, err := s.Marshal()
	if err != nil {
		return nil, err
	}
	if !bytes.Equal(again, der) {
		return nil, errors.New("the signature value is not in its one exact form")
	}
	return s, nil
}

var errShape = errors.New("the signature value cannot be read")

// parse reads a SignedData leniently, so that time stamps written by others can
// be brought into the exact form.
func parse(der []byte) (*SignedData, error) {
	input := cryptobyte.String(der)
	var info, wrap, sd, algs, encap, certs, infos, si cryptobyte.String
	var outer, inner asn1.ObjectIdentifier
	var version int
	var hasCerts bool
	ctx0 := tag.Tag(0).ContextSpecific().Constructed()
	ctx1 := tag.Tag(1).ContextSpecific().Constructed()
	s := &SignedData{}
	var content cryptobyte.String
	var hasContent bool
	ok := input.ReadASN1(&info, tag.SEQUENCE) && input.Empty() &&
		info.ReadASN1ObjectIdentifier(&outer) && outer.String() == oidSignedData &&
		info.ReadASN1(&wrap, ctx0) && info.Empty() &&
		wrap.ReadASN1(&sd, tag.SEQUENCE) && wrap.Empty() &&
		sd.ReadASN1Integer(&version) && sd.ReadASN1(&algs, tag.SET) &&
		sd.ReadASN1(&encap, tag.SEQUENCE) &&
		encap.ReadASN1ObjectIdentifier(&inner) && encap.ReadOptionalASN1(&content, &hasContent, ctx0) && encap.Empty() &&
		sd.ReadOptionalASN1(&certs, &hasCerts, ctx0) && sd.SkipOptionalASN1(ctx1) &&
		sd.ReadASN1(&infos, tag.SET) && sd.Empty() &&
		infos.ReadASN1(&si, tag.SEQUENCE) && infos.Empty()
	if !ok {
		return nil, errShape
	}
	s.ContentType = inner.String()
	if hasContent {
		var octets cryptobyte.String
		if !content.ReadASN1(&octets, tag.OCTET_STRING) || !content.Empty() {
			return nil, errShape
		}
		s.Content = append([]byte{}, octets...)
	}
	for !certs.Empty() {
		var c cryptobyte.String
		if !certs.ReadASN1Element(&c, tag.SEQUENCE) || len(s.Certs) == 16 {
			return nil, errShape
		}
		cert, err := x509.ParseCertificate(c)
		if err != nil {
			return nil, fmt.Errorf("a certificate in the signature: %w", err)
		}
		s.Certs = append(s.Certs, cert)
	}
	return s, s.parseSignerInfo(si)
}

func (s *SignedData) parseSignerInfo(si cryptobyte.String) error {
	var version int
	var attrs, alg, sigAlg, sig, unsigned cryptobyte.String
	var hasUnsigned bool
	if !si.ReadASN1Integer(&version) {
		return errShape
	}
	if err := s.readSignerID(&si); err != nil {
		return err
	}
	var algID asn1.ObjectIdentifier
	ok := si.ReadASN1(&alg, tag.SEQUENCE) && alg.ReadASN1ObjectIdentifier(&algID) &&
		si.ReadASN1Element(&attrs, tag.Tag(0).ContextSpecific().Constructed()) &&
		si.ReadASN1(&sigAlg, tag.SEQUENCE) && si.ReadASN1(&sig, tag.OCTET_STRING) &&
		si.ReadOptionalASN1(&unsigned, &hasUnsigned, tag.Tag(1).ContextSpecific().Constructed()) && si.Empty()
	if !ok {
		return errShape
	}
	for _, h := range []crypto.Hash{crypto.SHA256, crypto.SHA384, crypto.SHA512} {
		if digestOID(h) == algID.String() {
			s.Digest = h
		}
	}
	if s.Digest == 0 {
		return errors.New("the signature uses a digest that certificates do not use")
	}
	s.Attributes = slices.Clone(attrs)
	s.Attributes[0] = byte(tag.SET)
	s.Signature = slices.Clone(sig)
	if hasUnsigned && s.ContentType == oidData {
		var attr, set, token cryptobyte.String
		var id asn1.ObjectIdentifier
		if !unsigned.ReadASN1(&attr, tag.SEQUENCE) || !unsigned.Empty() || !attr.ReadASN1ObjectIdentifier(&id) || id.String() != oidTimeStampToken ||
			!attr.ReadASN1(&set, tag.SET) || !attr.Empty() || !set.ReadASN1Element(&token, tag.SEQUENCE) || !set.Empty() {
			return errShape
		}
		ts, err := parse(token)
		if err != nil {
			return fmt.Errorf("time stamp: %w", err)
		}
		s.TimeStamp = ts
	}
	return nil
}

// readSignerID brings the signer's certificate to the front.
func (s *SignedData) readSignerID(si *cryptobyte.String) error {
	var id, issuer cryptobyte.String
	serial := new(big.Int)
	var match func(*x509.Certificate) bool
	if si.PeekASN1Tag(tag.SEQUENCE) {
		if !si.ReadASN1(&id, tag.SEQUENCE) || !id.ReadASN1Element(&issuer, tag.SEQUENCE) || !id.ReadASN1Integer(serial) || !id.Empty() {
			return errShape
		}
		match = func(c *x509.Certificate) bool {
			return bytes.Equal(c.RawIssuer, issuer) && c.SerialNumber.Cmp(serial) == 0
		}
	} else {
		if !si.ReadASN1(&id, tag.Tag(0).ContextSpecific()) {
			return errShape
		}
		match = func(c *x509.Certificate) bool { return len(id) > 0 && bytes.Equal(c.SubjectKeyId, id) }
	}
	i := slices.IndexFunc(s.Certs, match)
	if i < 0 {
		return errors.New("the signer's certificate is not in the signature")
	}
	s.Certs[0], s.Certs[i] = s.Certs[i], s.Certs[0]
	return nil
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
		good = k.N.BitLen() >= minRSA && k.N.BitLen() <= maxRSA && rsa.VerifyPKCS1v15(k, s.Digest, sum, s.Signature) == nil
	default:
		return errors.New("the signer's key is of a kind that certificates do not use")
	}
	if !good {
		return errors.New("the signature value does not belong to these bytes and this key")
	}
	return nil
}
