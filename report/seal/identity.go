// Package seal signs certificates in the name of a workshop, and keeps the
// workshop's signing identity.
//
// A PDF and a record come in, a signed PDF that carries the record goes out;
// the same input gives the same bytes. Keys live in one folder, which this
// package reads and writes; the only network it uses is a time stamp server
// that the caller names. It does not decide what is certified. Whether a signed
// file is good is told by package check.
package seal

import (
	"bytes"
	"crypto"
	"crypto/ecdh"
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha256"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"software.sslmate.com/src/go-pkcs12"

	"proveout/report/seal/check"
)

// An Identity is what a workshop signs with.
type Identity struct {
	Key   crypto.Signer
	Chain []*x509.Certificate // the workshop's own first, then those of its issuers
}

// Cert is the workshop's own certificate.
func (id Identity) Cert() *x509.Certificate { return id.Chain[0] }

// Name is the workshop's name, as the certificate has it.
func (id Identity) Name() string { return id.Cert().Subject.CommonName }

// Fingerprint is the fingerprint of the workshop's certificate.
func (id Identity) Fingerprint() check.Fingerprint { return check.FingerprintOf(id.Cert().Raw) }

// Life is how long a new identity is valid, in years.
const Life = 30

// maxName is the longest common name (RFC 5280, appendix A.1, ub-common-name).
const maxName = 64

// NewIdentity makes an ECDSA P-256 key and a self-signed certificate with the
// workshop's name, valid for [Life] years from a day before now.
//
// The certificate is for digital signatures and content commitment (RFC 5280,
// 4.2.1.3) and is no authority. It names no extended use, because readers
// disagree on the one for documents (RFC 9336), and all accept none.
func NewIdentity(name string, now time.Time) (Identity, error) {
	if err := checkName(name); err != nil {
		return Identity{}, err
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return Identity{}, err
	}
	spki, err := x509.MarshalPKIXPublicKey(key.Public())
	if err != nil {
		return Identity{}, err
	}
	id := sha256.Sum256(spki)
	from := now.UTC().Truncate(time.Second)
	form := &x509.Certificate{ // the serial number is given along the way
		Subject:               pkix.Name{CommonName: name, Organization: []string{name}},
		NotBefore:             from.AddDate(0, 0, -1),
		NotAfter:              from.AddDate(Life, 0, 0),
		KeyUsage:              x509.KeyUsageDigitalSignature | x509.KeyUsageContentCommitment,
		BasicConstraintsValid: true,
		SubjectKeyId:          id[:20],
	}
	der, err := x509.CreateCertificate(rand.Reader, form, form, key.Public(), key)
	if err != nil {
		return Identity{}, err
	}
	cert, err := x509.ParseCertificate(der)
	return Identity{key, []*x509.Certificate{cert}}, err
}

func checkName(name string) error {
	switch n := utf8.RuneCountInString(name); {
	case name == "" || strings.TrimSpace(name) != name:
		return fmt.Errorf("shop name %q: write a name, without spaces around it", name)
	case !utf8.ValidString(name) || strings.ContainsFunc(name, unicode.IsControl):
		return fmt.Errorf("shop name %q: holds a character that is not text", name)
	case n > maxName:
		return fmt.Errorf("shop name %q: %d characters; a certificate holds at most %d", name, n, maxName)
	}
	return nil
}

// check tells whether an identity can sign certificates.
func (id Identity) check() error {
	if id.Key == nil || len(id.Chain) == 0 {
		return errors.New("signing identity: key or certificate is missing")
	}
	pub, ok := id.Key.Public().(interface{ Equal(crypto.PublicKey) bool })
	if !ok || !pub.Equal(id.Cert().PublicKey) {
		return errors.New("signing identity: the key does not belong to the certificate")
	}
	switch k := id.Key.Public().(type) {
	case *ecdsa.PublicKey:
		if k.Curve == elliptic.P224() {
			return errors.New("signing identity: the curve P-224 is not known to readers; take P-256")
		}
	case *rsa.PublicKey:
		if n := k.N.BitLen(); n < 2048 || n > 8192 {
			return fmt.Errorf("signing identity: an RSA key of %d bits; take 2048 to 8192", n)
		}
	default:
		return fmt.Errorf("signing identity: %s cannot sign certificates that every reader checks; "+
			"take ECDSA P-256 or RSA", keyKind(k))
	}
	if u := id.Cert().KeyUsage; u != 0 && u&(x509.KeyUsageDigitalSignature|x509.KeyUsageContentCommitment) == 0 {
		return errors.New("signing identity: its certificate is not made for signatures")
	}
	if id.Name() == "" {
		return errors.New("signing identity: its certificate names nobody; a common name (CN) is needed")
	}
	return checkName(id.Name())
}

// keyKind is a kind of key in words.
func keyKind(key any) string {
	switch key.(type) {
	case ed25519.PublicKey, ed25519.PrivateKey, *ed25519.PrivateKey:
		return "an Ed25519 key"
	case *ecdh.PrivateKey, *ecdh.PublicKey:
		return "an X25519 key"
	}
	return fmt.Sprintf("a key of kind %T", key)
}

// ExportPKCS12 packs key and certificates into one file under a password, for
// other programs and for safekeeping (RFC 7292; AES-256 and SHA-256).
func (id Identity) ExportPKCS12(password string) ([]byte, error) {
	if password == "" {
		return nil, errors.New("a password is needed: the file holds the signing key")
	}
	return pkcs12.Modern.Encode(id.Key, id.Cert(), id.Chain[1:], password)
}

// ImportPKCS12 unpacks a file that holds a key and its certificates.
func ImportPKCS12(file []byte, password string) (Identity, error) {
	key, cert, others, err := pkcs12.DecodeChain(file, password)
	if err != nil {
		return Identity{}, packError(err)
	}
	signer, err := signing(key)
	if err != nil {
		return Identity{}, err
	}
	id := Identity{signer, chain(cert, others)}
	return id, id.check()
}

// ErrPassword is returned for a PKCS#12 file that the password does not open.
var ErrPassword = errors.New("the password does not open the file")

// packError says in words why a PKCS#12 file cannot be used.
func packError(err error) error {
	var odd pkcs12.NotImplementedError
	switch text := err.Error(); {
	case errors.Is(err, pkcs12.ErrIncorrectPassword):
		return ErrPassword
	case strings.Contains(text, "private key missing"):
		return errors.New("the PKCS#12 file holds no private key; export it again, with the key")
	case strings.Contains(text, "certificate missing"):
		return errors.New("the PKCS#12 file holds no certificate; export it again, with the certificate of the key")
	case strings.Contains(text, "error reading P12 data"):
		return errors.New("not a PKCS#12 file (such files are often called .p12 or .pfx)")
	case errors.As(err, &odd):
		return fmt.Errorf("the PKCS#12 file is packed in a way that is not known here (%w); "+
			"export it again with AES-256 and SHA-256", err)
	}
	return fmt.Errorf("PKCS#12 file: %w", err)
}

// chain orders certificates from the workshop's own up to its last issuer.
func chain(cert *x509.Certificate, others []*x509.Certificate) []*x509.Certificate {
	out := []*x509.Certificate{cert}
	for len(out) <= len(others) && len(out) < 8 {
		last := out[len(out)-1]
		if bytes.Equal(last.RawIssuer, last.RawSubject) {
			break
		}
		i := slices.IndexFunc(others, func(o *x509.Certificate) bool {
			return bytes.Equal(o.RawSubject, last.RawIssuer) && last.CheckSignatureFrom(o) == nil
		})
		if i < 0 {
			break
		}
		out = append(out, others[i])
	}
	return out
}

const (
	keyBlock       = "PRIVATE KEY"
	encryptedBlock = "ENCRYPTED PRIVATE KEY"
	certBlock      = "CERTIFICATE"
)

// keyPEM is the key as a PEM file, encrypted if there is a passphrase.
func (id Identity) keyPEM(passphrase []byte) ([]byte, error) {
	der, err := x509.MarshalPKCS8PrivateKey(id.Key)
	if err != nil {
		return nil, err
	}
	if len(passphrase) == 0 {
		return pem.EncodeToMemory(&pem.Block{Type: keyBlock, Bytes: der}), nil
	}
	if der, err = encrypt(der, passphrase); err != nil {
		return nil, err
	}
	return pem.EncodeToMemory(&pem.Block{Type: encryptedBlock, Bytes: der}), nil
}

// CertPEM is the certificates as a PEM file, the workshop's own first.
func (id Identity) CertPEM() []byte {
	var b bytes.Buffer
	for _, c := range id.Chain {
		b.Write(pem.EncodeToMemory(&pem.Block{Type: certBlock, Bytes: c.Raw}))
	}
	return b.Bytes()
}

func parseKey(file, passphrase []byte) (crypto.Signer, error) {
	block, _ := pem.Decode(file)
	if block == nil {
		return nil, errors.New("not a PEM file")
	}
	der := block.Bytes
	switch block.Type {
	case keyBlock:
	case encryptedBlock:
		if len(passphrase) == 0 {
			return nil, ErrPassphrase
		}
		var err error
		if der, err = decrypt(der, passphrase); err != nil {
			return nil, err
		}
	default:
		return nil, fmt.Errorf("holds a %q; a PKCS #8 \"PRIVATE KEY\" is needed", block.Type)
	}
	key, err := x509.ParsePKCS8PrivateKey(der)
	if err != nil && block.Type == encryptedBlock {
		return nil, ErrPassphrase // one wrong passphrase in 256 leaves a padding that looks right
	}
	if err != nil {
		return nil, err
	}
	return signing(key)
}

// signing is a key that can sign.
func signing(key any) (crypto.Signer, error) {
	signer, ok := key.(crypto.Signer)
	if !ok {
		return nil, fmt.Errorf("signing identity: %s cannot sign certificates; take ECDSA P-256 or RSA", keyKind(key))
	}
	return signer, nil
}

// ParseCerts reads the certificates of a PEM file; text around them is skipped.
func ParseCerts(file []byte) ([]*x509.Certificate, error) {
	var out []*x509.Certificate
	for {
		block, rest := pem.Decode(file)
		if block == nil {
			break
		}
		file = rest
		if block.Type != certBlock {
			continue
		}
		c, err := x509.ParseCertificate(block.Bytes)
		if err != nil {
			return nil, err
		}
		out = append(out, c)
	}
	if len(out) == 0 {
		return nil, errors.New("holds no certificate")
	}
	return out, nil
}
