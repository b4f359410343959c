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
	"crypto/rsa"
	_ "crypto/sha256" // the digests that signatures use
	_ "crypto/sha512"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/asn1"
	"errors"
	"math/big"
	"slices"

	"proveout/plans/fact"
)

// Object identifiers of RFC 5652, RFC 5035, RFC 3161 and RFC 8017.
var (
	oidData           = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 7, 1}
	oidSignedData     = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 7, 2}
	oidContentType    = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 9, 3}
	oidMessageDigest  = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 9, 4}
	oidSigningTime    = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 9, 5}
	oidTSTInfo        = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 9, 16, 1, 4}
	oidSigningCert    = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 9, 16, 2, 12}
	oidTimeStampToken = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 9, 16, 2, 14}
	oidSigningCertV2  = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 9, 16, 2, 47}
	oidRSA            = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 1, 1}
)

// digests are the digests that signatures use, in the order in which RFC 5754
// numbers them: by themselves from 1 (section 2), with ECDSA from 2 (section 3.3).
var digests = []crypto.Hash{crypto.SHA256, crypto.SHA384, crypto.SHA512}

// digestID names a digest.
func digestID(h crypto.Hash) pkix.AlgorithmIdentifier {
	n := slices.Index(digests, h) + 1
	return pkix.AlgorithmIdentifier{Algorithm: asn1.ObjectIdentifier{2, 16, 840, 1, 101, 3, 4, 2, n}}
}

// hashOf is the digest that an object identifier names; 0 if it is no digest of
// signatures.
func hashOf(id asn1.ObjectIdentifier) crypto.Hash {
	for _, h := range digests {
		if digestID(h).Algorithm.Equal(id) {
			return h
		}
	}
	return 0
}

// signatureID names the way in which a key signs a digest.
func signatureID(key any, h crypto.Hash) pkix.AlgorithmIdentifier {
	if _, ok := key.(*rsa.PublicKey); ok {
		return pkix.AlgorithmIdentifier{Algorithm: oidRSA, Parameters: asn1.NullRawValue}
	}
	n := slices.Index(digests, h) + 2
	return pkix.AlgorithmIdentifier{Algorithm: asn1.ObjectIdentifier{1, 2, 840, 10045, 4, 3, n}}
}

const (
	minRSA   = 2048 // bits of RSA keys that signatures are taken from
	maxRSA   = 8192
	maxCerts = 16 // in one signature
)

// SignedData is a CMS signature of one signer.
type SignedData struct {
	ContentType asn1.ObjectIdentifier // of what is signed
	Content     []byte                // nil when detached
	Certs       []*x509.Certificate   // the signer's first
	Digest      crypto.Hash
	Attributes  []byte // the signed attributes as a DER SET
	Signature   []byte
	TimeStamp   *SignedData // over Signature; nil if there is none
}

// Signer is the certificate of who signed.
func (s *SignedData) Signer() *x509.Certificate { return s.Certs[0] }

// The shapes of RFC 5652: ContentInfo (3), SignedData (5.1), SignerInfo (5.3).
type (
	contentInfo struct {
		Type   asn1.ObjectIdentifier
		Signed signedData `asn1:"explicit,tag:0"`
	}
	signedData struct {
		Version      int
		Digests      []pkix.AlgorithmIdentifier `asn1:"set"`
		Content      encapsulated
		Certificates []asn1.RawValue `asn1:"optional,tag:0,set"`
		Revoked      []asn1.RawValue `asn1:"optional,tag:1,set"` // never written
		Signers      []signerInfo    `asn1:"set"`
	}
	encapsulated struct {
		Type asn1.ObjectIdentifier
		Data []byte `asn1:"optional,explicit,tag:0"`
	}
	signerInfo struct {
		Version    int
		Signer     asn1.RawValue // an issuerAndSerial, or [0] and a key identifier
		Digest     pkix.AlgorithmIdentifier
		Attributes asn1.RawValue // [0] instead of SET
		Algorithm  pkix.AlgorithmIdentifier
		Signature  []byte
		Unsigned   []attribute `asn1:"optional,tag:1,set"`
	}
	issuerAndSerial struct {
		Issuer asn1.RawValue
		Serial *big.Int
	}
	attribute struct {
		Type   asn1.ObjectIdentifier
		Values []asn1.RawValue `asn1:"set"`
	}
)

// The first byte of signed attributes, which are signed as a SET and stored as
// [0] (RFC 5652, 5.4).
const (
	tagSet  = 0x31
	tagZero = 0xa0
)

// Marshal is the DER form of the ContentInfo.
func (s *SignedData) Marshal() ([]byte, error) {
	if len(s.Certs) == 0 || len(s.Attributes) < 2 || !slices.Contains(digests, s.Digest) {
		return nil, errors.New("signature is not complete")
	}
	signer := signerInfo{
		Version:    1,
		Digest:     digestID(s.Digest),
		Attributes: asn1.RawValue{FullBytes: slices.Clone(s.Attributes)},
		Algorithm:  signatureID(s.Signer().PublicKey, s.Digest),
		Signature:  s.Signature,
	}
	signer.Attributes.FullBytes[0] = tagZero
	var err error
	issuer := issuerAndSerial{asn1.RawValue{FullBytes: s.Signer().RawIssuer}, s.Signer().SerialNumber}
	if signer.Signer.FullBytes, err = asn1.Marshal(issuer); err != nil {
		return nil, err
	}
	if s.TimeStamp != nil {
		token, err := s.TimeStamp.Marshal()
		if err != nil {
			return nil, err
		}
		signer.Unsigned = []attribute{{oidTimeStampToken, []asn1.RawValue{{FullBytes: token}}}}
	}
	data := signedData{
		Version: 1,
		Digests: []pkix.AlgorithmIdentifier{digestID(s.Digest)},
		Content: encapsulated{s.ContentType, s.Content},
		Signers: []signerInfo{signer},
	}
	if !s.ContentType.Equal(oidData) {
		data.Version = 3 // RFC 5652, 5.1
	}
	for _, c := range s.Certs {
		data.Certificates = append(data.Certificates, asn1.RawValue{FullBytes: c.Raw})
	}
	return asn1.Marshal(contentInfo{oidSignedData, data})
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
		return nil, fact.New("cms.not-exact").Err()
	}
	return s, nil
}

var errShape = fact.New("cms.unreadable").Err()

// parse reads a SignedData leniently, so that time stamps written by others can
// be brought into the exact form.
func parse(der []byte) (*SignedData, error) {
	var info contentInfo
	rest, err := asn1.Unmarshal(der, &info)
	if err != nil || len(rest) != 0 || !info.Type.Equal(oidSignedData) {
		return nil, errShape
	}
	data := info.Signed
	if len(data.Signers) != 1 || len(data.Certificates) > maxCerts {
		return nil, errShape
	}
	// What stands behind the last field of a shape is read over; then it gets
	// shorter. The members of a set may come in another order.
	if again, err := asn1.Marshal(info); err != nil || len(again) != len(der) {
		return nil, errShape
	}
	s := &SignedData{ContentType: data.Content.Type, Content: data.Content.Data}
	for _, raw := range data.Certificates {
		cert, err := x509.ParseCertificate(raw.FullBytes)
		if err != nil {
			return nil, fact.New("cms.certificate-unreadable").Err()
		}
		s.Certs = append(s.Certs, cert)
	}
	return s, s.readSigner(data.Signers[0])
}

// readSigner takes what the signer says.
func (s *SignedData) readSigner(info signerInfo) error {
	if s.Digest = hashOf(info.Digest.Algorithm); s.Digest == 0 {
		return fact.New("cms.digest").Err()
	}
	if err := s.signerFirst(info.Signer); err != nil {
		return err
	}
	s.Attributes = slices.Clone(info.Attributes.FullBytes)
	if s.Attributes[0] != tagZero {
		return errShape
	}
	s.Attributes[0] = tagSet
	s.Signature = info.Signature
	if info.Unsigned == nil || !s.ContentType.Equal(oidData) {
		return nil // what a time stamp has unsigned is left out
	}
	if len(info.Unsigned) != 1 || !info.Unsigned[0].Type.Equal(oidTimeStampToken) || len(info.Unsigned[0].Values) != 1 {
		return errShape
	}
	var err error
	if s.TimeStamp, err = parse(info.Unsigned[0].Values[0].FullBytes); err != nil {
		return fact.New("cms.in-time-stamp", "why", fact.Why(err)).Err()
	}
	return nil
}

// signerFirst brings the signer's certificate to the front.
func (s *SignedData) signerFirst(id asn1.RawValue) error {
	var issuer issuerAndSerial
	match := func(c *x509.Certificate) bool {
		return bytes.Equal(c.RawIssuer, issuer.Issuer.FullBytes) && c.SerialNumber.Cmp(issuer.Serial) == 0
	}
	if id.Class == asn1.ClassContextSpecific && id.Tag == 0 {
		match = func(c *x509.Certificate) bool { return len(id.Bytes) > 0 && bytes.Equal(c.SubjectKeyId, id.Bytes) }
	} else if _, err := asn1.Unmarshal(id.FullBytes, &issuer); err != nil {
		return errShape
	}
	i := slices.IndexFunc(s.Certs, match)
	if i < 0 {
		return fact.New("cms.no-signer").Err()
	}
	s.Certs[0], s.Certs[i] = s.Certs[i], s.Certs[0]
	return nil
}
