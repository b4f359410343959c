package cms

import (
	"bytes"
	"crypto"
	"crypto/rsa"
	"crypto/sha256"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/asn1"
	"errors"
	"fmt"
	"math/big"
	"slices"
	"time"

	"proveout/plans/fact"
)

// The shapes of RFC 3161: request (2.4.1), response and TSTInfo (2.4.2). What
// stands behind the last field of one is read over.
type (
	imprint struct {
		Hash pkix.AlgorithmIdentifier
		Sum  []byte
	}
	timeStampRequest struct {
		Version      int
		Imprint      imprint
		Nonce        *big.Int
		Certificates bool
	}
	timeStampResponse struct {
		Status struct{ Code int }
		Token  asn1.RawValue `asn1:"optional"`
		More   asn1.RawValue `asn1:"optional"` // never there
	}
	timeStampInfo struct {
		Version  int
		Policy   asn1.ObjectIdentifier
		Imprint  imprint
		Serial   *big.Int
		Time     asn1.RawValue
		Accuracy struct {
			Seconds int `asn1:"optional"`
			Millis  int `asn1:"optional,tag:0"`
			Micros  int `asn1:"optional,tag:1"`
		} `asn1:"optional"`
		Ordering bool     `asn1:"optional"`
		Nonce    *big.Int `asn1:"optional"`
	}
)

// TimeStampRequest is the request for a time stamp over the signature value,
// with the authority's certificates asked for. nonce ties the answer to the
// request.
func (s *SignedData) TimeStampRequest(nonce *big.Int) ([]byte, error) {
	sum := sha256.Sum256(s.Signature)
	return asn1.Marshal(timeStampRequest{1, imprint{digestID(crypto.SHA256), sum[:]}, nonce, true})
}

// AddTimeStamp takes an authority's response, checks it against the request, and
// puts its token into the signature, in the exact form of this package and with
// the authority's own certificate. Further certificates are kept when they lead
// up to a self-signed one, so that each byte of what is kept can be checked
// later.
func (s *SignedData) AddTimeStamp(response []byte, nonce *big.Int) error {
	var answer timeStampResponse
	rest, err := asn1.Unmarshal(response, &answer)
	switch {
	case err != nil || len(rest) != 0:
		return errors.New("the server's answer cannot be read")
	case answer.Status.Code != 0 && answer.Status.Code != 1:
		return fmt.Errorf("the server refused (status %d)", answer.Status.Code)
	case len(answer.Token.FullBytes) == 0 || len(answer.More.FullBytes) != 0:
		return errors.New("the server's answer holds no time stamp")
	}
	token, err := parse(answer.Token.FullBytes)
	if err != nil {
		return err
	}
	token.Certs = provable(token.Certs)
	stamped := *s
	stamped.TimeStamp = token
	stamp, err := stamped.CheckTimeStamp()
	if err != nil {
		return err
	}
	if stamp.nonce == nil || stamp.nonce.Cmp(nonce) != 0 {
		return errors.New("the answer belongs to another request")
	}
	s.TimeStamp = token
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
	token := s.TimeStamp
	if token == nil {
		return Stamp{}, fact.New("cms.stamp-none").Err()
	}
	stamp := Stamp{Authority: token.Signer()}
	if !token.ContentType.Equal(oidTSTInfo) || token.Content == nil {
		return stamp, fact.New("cms.stamp-of-something-else").Err()
	}
	a, err := readAttributes(token.Attributes)
	if err != nil {
		return stamp, err
	}
	h := token.Digest.New()
	h.Write(token.Content)
	if err := a.match(oidTSTInfo, h.Sum(nil)); err != nil {
		return stamp, err
	}
	bound, err := a.boundCerts()
	if err != nil || !bound[0].is(token.Signer()) {
		return stamp, fact.New("cms.stamp-certificate").Err()
	}
	if len(provable(token.Certs)) != len(token.Certs) {
		return stamp, fact.New("cms.stamp-chain").Err()
	}
	if err := token.verifySignature(); err != nil {
		return stamp, err
	}
	// RFC 3161, 2.3: the certificate is for time stamps and for nothing else
	cert := token.Signer()
	only := []x509.ExtKeyUsage{x509.ExtKeyUsageTimeStamping}
	if !slices.Equal(cert.ExtKeyUsage, only) || len(cert.UnknownExtKeyUsage) != 0 {
		return stamp, fact.New("cms.stamp-purpose").Err()
	}
	if err := stamp.readInfo(token.Content, s.Signature); err != nil {
		return stamp, err
	}
	if stamp.Time.Before(cert.NotBefore) || stamp.Time.After(cert.NotAfter) {
		return stamp, fact.New("cms.stamp-validity").Err()
	}
	return stamp, nil
}

// readInfo reads a TSTInfo, which has to be of the stamped bytes.
func (st *Stamp) readInfo(der, stamped []byte) error {
	var info timeStampInfo
	rest, err := asn1.Unmarshal(der, &info)
	if err != nil || len(rest) != 0 || info.Version != 1 || info.Time.Tag != asn1.TagGeneralizedTime {
		return fact.New("cms.stamp-unreadable").Err()
	}
	// fractions are allowed here, unlike elsewhere in DER
	if st.Time, err = time.Parse("20060102150405.999999999Z", string(info.Time.Bytes)); err != nil {
		return fact.New("cms.stamp-time").Err()
	}
	want := sha256.Sum256(stamped)
	if hashOf(info.Imprint.Hash.Algorithm) != crypto.SHA256 || !bytes.Equal(info.Imprint.Sum, want[:]) {
		return fact.New("cms.stamp-foreign").Err()
	}
	st.nonce = info.Nonce
	return nil
}
