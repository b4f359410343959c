package seal

import (
	"bytes"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"proveout/report/seal/check"
)

// Keys is the folder in which a workshop keeps its signing identity:
//
//	seal.key.pem            the key in use, readable by its owner only
//	seal.cert.pem           its certificate, and those of its issuers
//	retired/<16>.cert.pem   certificates given up, with the day and the reason;
//	                        <16> is the start of the fingerprint
//	known/<16>.cert.pem     certificates of other workshops that are trusted
type Keys string

func (k Keys) path(parts ...string) string {
	return filepath.Join(append([]string{string(k)}, parts...)...)
}

const (
	keyFile  = "seal.key.pem"
	certFile = "seal.cert.pem"
)

// ErrExists is returned when a folder holds an identity already.
var ErrExists = errors.New("there is a signing identity already; retire it first")

// Save writes an identity into a folder that holds none. An empty passphrase
// leaves the key unencrypted. Nothing is ever overwritten.
func (k Keys) Save(id Identity, passphrase []byte) error {
	if err := id.check(); err != nil {
		return err
	}
	key, err := id.keyPEM(passphrase)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(string(k), 0o700); err != nil {
		return err
	}
	if _, err := os.Lstat(k.path(certFile)); err == nil {
		return ErrExists
	}
	if err := CreateFile(k.path(keyFile), key, 0o600); err != nil {
		if errors.Is(err, fs.ErrExist) {
			return k.half(certFile)
		}
		return err
	}
	if err := CreateFile(k.path(certFile), id.CertPEM(), 0o644); err != nil {
		return errors.Join(err, os.Remove(k.path(keyFile)))
	}
	return nil
}

// CreateFile writes a new file and syncs it; it never replaces one.
func CreateFile(path string, data []byte, mode fs.FileMode) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return errors.Join(err, os.Remove(path))
	}
	return nil
}

// ErrNone is returned when a folder holds no identity.
var ErrNone = errors.New("there is no signing identity yet; make one with: proveout key new")

// ErrHalf is wrapped when a folder holds a key without its certificate, or a
// certificate without its key.
var ErrHalf = errors.New("half of the signing identity is missing")

// half says which half is missing and what to do about it.
func (k Keys) half(missing string) error {
	if missing == certFile {
		return fmt.Errorf("%w: %s is there, but its certificate %s is not; put it back from a copy, "+
			"or move the key away and make another with: proveout key new", ErrHalf, k.path(keyFile), certFile)
	}
	return fmt.Errorf("%w: %s is there, but its key %s is not; put it back from a copy, "+
		"or give it up with: proveout key retire", ErrHalf, k.path(certFile), keyFile)
}

// read reads one file of the identity in use; other is the name of its other one.
func (k Keys) read(name, other string) ([]byte, error) {
	file, err := os.ReadFile(k.path(name))
	if !errors.Is(err, fs.ErrNotExist) {
		return file, err
	}
	if _, err := os.Lstat(k.path(other)); err == nil {
		return nil, k.half(name)
	}
	return nil, ErrNone
}

// Load reads the identity in use. The passphrase is not looked at when the key
// is not encrypted.
func (k Keys) Load(passphrase []byte) (Identity, error) {
	file, err := k.read(keyFile, certFile)
	if err != nil {
		return Identity{}, err
	}
	key, err := parseKey(file, passphrase)
	if err != nil {
		return Identity{}, fmt.Errorf("%s: %w", k.path(keyFile), err)
	}
	certs, err := k.Certs()
	if err != nil {
		return Identity{}, err
	}
	id := Identity{key, certs}
	if err := id.check(); err != nil {
		return Identity{}, fmt.Errorf("%s and %s: %w", k.path(keyFile), certFile, err)
	}
	return id, nil
}

// Certs reads the certificate in use and those of its issuers, without the key.
func (k Keys) Certs() ([]*x509.Certificate, error) {
	file, err := k.read(certFile, keyFile)
	if err != nil {
		return nil, err
	}
	certs, err := ParseCerts(file)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", k.path(certFile), err)
	}
	return certs, nil
}

// Encrypted tells whether the key in use needs a passphrase.
func (k Keys) Encrypted() (bool, error) {
	file, err := k.read(keyFile, certFile)
	if err == nil {
		_, err = k.read(certFile, keyFile)
	}
	if err != nil {
		return false, err
	}
	block, _ := pem.Decode(file)
	return block != nil && block.Type == encryptedBlock, nil
}

// File is the path of the key in use.
func (k Keys) File() string { return k.path(keyFile) }

// OpenToOthers tells whether other users of the computer can read the key, as
// far as file modes say; some file systems have none.
func (k Keys) OpenToOthers() bool {
	fi, err := os.Stat(k.path(keyFile))
	return err == nil && fi.Mode().Perm()&0o077 != 0
}

// Fate says what becomes of the key of a retired identity.
type Fate int

const (
	KeepKey  Fate = iota // it is moved beside the retired certificate
	EraseKey             // it is deleted
)

// Retire gives up the identity in use: it signs no more, and what it signed
// stays checkable. The certificate is written to its new place before anything
// is taken away, so that an interruption loses nothing.
func (k Keys) Retire(when time.Time, why check.Why, fate Fate) (check.Fingerprint, error) {
	if why != check.Replaced && why != check.Compromised {
		return check.Fingerprint{}, fmt.Errorf("reason %q: write %q or %q", why, check.Replaced, check.Compromised)
	}
	certs, err := k.Certs()
	if err != nil {
		return check.Fingerprint{}, err
	}
	fp := check.FingerprintOf(certs[0].Raw)
	about := fmt.Sprintf("Name: %s\nFingerprint: %s\nRetired: %s\nReason: %s\n",
		certs[0].Subject.CommonName, fp.Colons(), when.Format(time.RFC3339), why)
	if err := k.put("retired", certs[0], about); err != nil {
		return fp, err
	}
	if fate == EraseKey {
		err = os.Remove(k.path(keyFile))
	} else {
		err = os.Rename(k.path(keyFile), k.path("retired", fp.Hex()[:16]+".key.pem"))
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fp, err
	}
	return fp, os.Remove(k.path(certFile))
}

// AddKnown notes the certificate of a workshop that is trusted.
func (k Keys) AddKnown(cert *x509.Certificate) error { return k.put("known", cert, "") }

// put writes a certificate into a folder, with what is said about it in front.
// One that is there already stays as it is.
func (k Keys) put(folder string, cert *x509.Certificate, about string) error {
	if err := os.MkdirAll(k.path(folder), 0o700); err != nil {
		return err
	}
	text := append([]byte(about), Identity{Chain: []*x509.Certificate{cert}}.CertPEM()...)
	name := check.FingerprintOf(cert.Raw).Hex()[:16] + ".cert.pem"
	err := CreateFile(k.path(folder, name), text, 0o644)
	if errors.Is(err, fs.ErrExist) {
		return nil
	}
	return err
}

// Trust reads all certificates of the folder that a certificate may be signed
// with. A folder that does not exist holds none.
func (k Keys) Trust() (known []*x509.Certificate, retired []check.Lapsed, err error) {
	certs, err := k.Certs()
	switch {
	case err == nil:
		known = append(known, certs[0])
	case !errors.Is(err, ErrNone) && !errors.Is(err, ErrHalf):
		return nil, nil, err
	}
	err = k.each("known", func(cert *x509.Certificate, _ []byte) error {
		known = append(known, cert)
		return nil
	})
	if err != nil {
		return nil, nil, err
	}
	err = k.each("retired", func(cert *x509.Certificate, file []byte) error {
		l, err := lapsed(cert, file)
		retired = append(retired, l)
		return err
	})
	return known, retired, err
}

// each reads the certificates of a folder in the order of their names.
func (k Keys) each(folder string, use func(*x509.Certificate, []byte) error) error {
	entries, err := os.ReadDir(k.path(folder))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	for _, e := range entries {
		if !strings.HasSuffix(e.Name(), ".cert.pem") {
			continue
		}
		path := k.path(folder, e.Name())
		file, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		certs, err := ParseCerts(file)
		if err == nil {
			err = use(certs[0], file)
		}
		if err != nil {
			return fmt.Errorf("%s: %w", path, err)
		}
	}
	return nil
}

// lapsed reads the lines before a retired certificate (explanatory text of
// RFC 7468, section 2).
func lapsed(cert *x509.Certificate, file []byte) (check.Lapsed, error) {
	fields := map[string]string{}
	head, _, _ := bytes.Cut(file, []byte("-----BEGIN"))
	for line := range strings.Lines(string(head)) {
		key, value, _ := strings.Cut(strings.TrimSpace(line), ": ")
		fields[key] = value
	}
	when, err := time.Parse(time.RFC3339, fields["Retired"])
	l := check.Lapsed{Cert: cert, When: when, Why: check.Why(fields["Reason"])}
	if err != nil || l.Why != check.Replaced && l.Why != check.Compromised {
		return l, errors.New("does not say when and why it was retired")
	}
	return l, nil
}
