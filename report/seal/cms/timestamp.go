package cms

import (
	"bytes"
	"crypto"
	"crypto/rsa"
	"crypto/sha256"
	"crypto/x509"
	"encoding/asn1"
	"errors"
	"fmt"
	"math/big"
	"slices"
	"time"

	"golang.org/x/crypto/cryptobyte"
	tag "golang.org/x/crypto/cryptobyte/asn1"
)

func sortedDER(list [][]byte) [][]byte {
	slices.SortFunc(list, bytes.Compare)
	return list
}

// TimeStampRequest is the request for a time stamp over the signature value,
// with the authority's certificates asked for (RFC 3161, 2.4.1). nonce ties the
// answer to the request.
func (s *SignedData) TimeStampRequest(nonce *big.Int) ([]byte, error) {
	sum := sha256.Sum256(s.Signature)
	b := cryptobyte.NewBuilder(nil)
	b.AddASN1(tag.SEQUENCE, func(b *cryptobyte.Builder) {
		b.AddASN1Int64(1)
		b.AddASN1(tag.SEQUENCE, func(b *cryptobyte.Builder) {
			addDigestAlgorithm(b, crypto.SHA256)
			b.AddASN1OctetString(sum[:])
		})
		b.AddASN1BigInt(nonce)
		b.AddASN1Boolean(true)
	})
	return b.Bytes()
}

// AddTimeStamp takes an authority's response (RFC 3161, 2.4.2), checks it
// against the request, and puts its token into the signature, in the exact form
// of this package and with the authority's own certificate. Further
// certificates are kept when they lead up to a self-signed one, so that each
// byte of what is kept can be checked later.
func (s *SignedData) AddTimeStamp(response []byte, nonce *big.Int) error {
	in := cryptobyte.String(response)
	var resp, status, token cryptobyte.String
	var code int
	if !in.ReadASN1(&resp, tag.SEQUENCE) || !in.Empty() || !resp.ReadASN1(&status, tag.SEQUENCE) || !status.ReadASN1Integer(&code) {
		return errors.New("time stamp: the server's answer cannot be read")
	}
	if code != 0 && code != 1 {
		return fmt.Errorf("time stamp: the server refused (status %d)", code)
	}
	if !resp.ReadASN1Element(&token, tag.SEQUENCE) || !resp.Empty() {
		return errors.New("time stamp: the server's answer holds no time stamp")
	}
	ts, err := parse(token)
	if err != nil {
		return fmt.Errorf("time stamp: %w", err)
	}
	ts.Certs = provable(ts.Certs)
	stamped := *s
	stamped.TimeStamp = ts
	info, err := stamped.CheckTimeStamp()
	if err != nil {
		return err
	}
	if info.nonce == nil || info.nonce.Cmp(nonce) != 0 {
		return errors.New("time stamp: the answer belongs to another request")
	}
	s.TimeStamp = ts
	return nil
}

// provable keeps the chain from the first certificate up to a self-signed one,
// or the first alone when the chain does not end.
func provable(certs []*x509.Certificate) []*x509.Certificate {
	chain := certs[:1:1]
	for len(chain) <= len(certs) {
		last := chain[len(chain)-1]
		if signedBy(last, last) {
			return chain
		}
		i := slices.IndexFunc(certs, func(c *x509.Certificate) bool { return c != last && signedBy(last, c) })
		if i < 0 {
			break
		}
		chain = append(chain, certs[i])
	}
	return certs[:1:1]
}

func signedBy(c, parent *x509.Certificate) bool {
	if k, ok := parent.PublicKey.(*rsa.PublicKey); ok && k.N.BitLen() > maxRSA {
		return false // a key made to take long
	}
	return bytes.Equal(c.RawIssuer, parent.RawSubject) &&
		parent.CheckSignature(c.SignatureAlgorithm, c.RawTBSCertificate, c.Signature) == nil
}

// A Stamp is what a time stamp says.
type Stamp struct {
	Time      time.Time
	Authority *x509.Certificate
	nonce     *big.Int
}

// CheckTimeStamp tells whether the time stamp belongs to this signature value
// and is whole. It does not tell whether the authority is trusted.
func (s *SignedData) CheckTimeStamp() (Stamp, error) {
	ts := s.TimeStamp
	if ts == nil {
		return Stamp{}, errors.New("there is no time stamp")
	}
	st := Stamp{Authority: ts.Signer()}
	if ts.ContentType != oidTSTInfo || ts.Content == nil {
		return st, errors.New("time stamp: it holds something else")
	}
	a, err := readAttributes(ts.Attributes)
	if err != nil {
		return st, fmt.Errorf("time stamp: %w", err)
	}
	h := ts.Digest.New()
	h.Write(ts.Content)
	if err := a.match(oidTSTInfo, h.Sum(nil)); err != nil {
		return st, fmt.Errorf("time stamp: %w", err)
	}
	bound, err := a.boundCerts()
	if err != nil || !bound[0].is(ts.Signer()) {
		return st, errors.New("time stamp: its certificate is not the one that was signed along")
	}
	if len(provable(ts.Certs)) != len(ts.Certs) {
		return st, errors.New("time stamp: its certificates do not hang together")
	}
	if err := ts.verifySignature(); err != nil {
		return st, fmt.Errorf("time stamp: %w", err)
	}
	// RFC 3161, 2.3: the certificate is for time stamps and for nothing else
	if c := ts.Signer(); len(c.ExtKeyUsage) != 1 || c.ExtKeyUsage[0] != x509.ExtKeyUsageTimeStamping || len(c.UnknownExtKeyUsage) != 0 {
		return st, errors.New("time stamp: the authority's certificate is not made for time stamps")
	}
	if err := st.readInfo(ts.Content, s.Signature); err != nil {
		return st, err
	}
	if c := ts.Signer(); st.Time.Before(c.NotBefore) || st.Time.After(c.NotAfter) {
		return st, errors.New("time stamp: the authority's certificate was not valid at that time")
	}
	return st, nil
}

// readInfo reads a TSTInfo (RFC 3161, 2.4.2).
func (st *Stamp) readInfo(der, stamped []byte) error {
	in := cryptobyte.String(der)
	var info, imprint, alg, sum, rest cryptobyte.String
	var policy, digest asn1.ObjectIdentifier
	var version int
	serial := new(big.Int)
	ok := in.ReadASN1(&info, tag.SEQUENCE) && in.Empty() && info.ReadASN1Integer(&version) && version == 1 &&
		info.ReadASN1ObjectIdentifier(&policy) && info.ReadASN1(&imprint, tag.SEQUENCE) &&
		imprint.ReadASN1(&alg, tag.SEQUENCE) && alg.ReadASN1ObjectIdentifier(&digest) &&
		imprint.ReadASN1(&sum, tag.OCTET_STRING) && imprint.Empty() && info.ReadASN1Integer(serial) &&
		info.ReadASN1(&rest, tag.GeneralizedTime)
	if !ok {
		return errors.New("time stamp: it cannot be read")
	}
	t, err := time.Parse("20060102150405.999999999Z", string(rest)) // fractions are allowed here, unlike elsewhere in DER
	if err != nil {
		return errors.New("time stamp: its time cannot be read")
	}
	st.Time = t
	want := sha256.Sum256(stamped)
	if digest.String() != digestOID(crypto.SHA256) || !bytes.Equal(sum, want[:]) {
		return errors.New("time stamp: it belongs to another signature")
	}
	var ordering bool
	if !info.SkipOptionalASN1(tag.SEQUENCE) || !info.ReadOptionalASN1Boolean(&ordering, tag.BOOLEAN, false) {
		return errors.New("time stamp: it cannot be read")
	}
	if info.PeekASN1Tag(tag.INTEGER) {
		st.nonce = new(big.Int)
		if !info.ReadASN1Integer(st.nonce) {
			return errors.New("time stamp: it cannot be read")
		}
	}
	return nil
}

// TrustedBy tells whether the authority is one of roots or was certified by
// one of them, through the certificates in the time stamp, at the stamped time.
func (s *SignedData) TrustedBy(roots []*x509.Certificate) bool {
	st, err := s.CheckTimeStamp()
	if err != nil {
		return false
	}
	pool, between := x509.NewCertPool(), x509.NewCertPool()
	for _, r := range roots {
		if r.Equal(st.Authority) {
			return true
		}
		pool.AddCert(r)
	}
	for _, c := range s.TimeStamp.Certs[1:] {
		between.AddCert(c)
	}
	_, err = st.Authority.Verify(x509.VerifyOptions{
		Roots: pool, Intermediates: between, CurrentTime: st.Time,
		KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageTimeStamping},
	})
	return err == nil
}
