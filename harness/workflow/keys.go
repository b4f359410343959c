package workflow

import (
	"cmp"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"path/filepath"
	"time"

	"proveout/report/seal"
)

// Keys keep the signing identity of the shop in a folder.
func Keys(shopDir string) seal.Keys { return seal.Keys(filepath.Join(shopDir, "keys")) }

// A Secret asks for a passphrase or a password.
type Secret func() ([]byte, error)

// NewKey makes the signing key of the shop, in its own name unless another is
// given, behind the passphrase that is asked for. It reports whether that is one;
// an empty one leaves the key open.
func (s *Shop) NewKey(name string, passphrase Secret) (id seal.Identity, locked bool, err error) {
	keys := Keys(s.Dir)
	if _, err := keys.Certs(); err == nil {
		return id, false, seal.ErrExists
	} else if !errors.Is(err, seal.ErrNone) {
		return id, false, err
	}
	if id, err = seal.NewIdentity(cmp.Or(name, s.Name), s.Now()); err != nil {
		return id, false, err
	}
	word, err := passphrase()
	if err != nil {
		return id, false, err
	}
	return id, len(word) > 0, keys.Save(id, word)
}

// OpenKey opens the signing key of a shop, and reports whether it is behind a
// passphrase, which is asked for. The error is [seal.ErrNone] when there is no
// key.
func OpenKey(keys seal.Keys, passphrase Secret) (id seal.Identity, locked bool, err error) {
	if locked, err = keys.Encrypted(); err != nil {
		return id, locked, err
	}
	var word []byte
	if locked {
		if word, err = passphrase(); err != nil {
			return id, locked, err
		}
	}
	id, err = keys.Load(word)
	return id, locked, err
}

// ImportKey takes the signing identity of a PKCS#12 file with its password, when
// it can sign now, and keeps it behind a passphrase.
func ImportKey(keys seal.Keys, path string, now time.Time, password, passphrase Secret) (id seal.Identity, err error) {
	data, err := ReadTyped(path)
	if err != nil {
		return id, err
	}
	if block, _ := pem.Decode(data); block != nil {
		return id, fmt.Errorf("%s is a PEM file; key import takes PKCS#12, "+
			"and key trust takes the certificate of another shop", path)
	}
	word, err := password()
	if err != nil {
		return id, err
	}
	if id, err = seal.ImportPKCS12(data, string(word)); err != nil {
		return id, fmt.Errorf("%s: %w", path, err)
	}
	if cert := id.Cert(); now.Before(cert.NotBefore) || now.After(cert.NotAfter) {
		return id, fmt.Errorf("%s: its certificate is valid from %s to %s, not today; nothing can be signed with it",
			path, cert.NotBefore.Format(time.DateOnly), cert.NotAfter.Format(time.DateOnly))
	}
	if word, err = passphrase(); err != nil {
		return id, err
	}
	return id, keys.Save(id, word)
}

// TrustKey notes the certificate in a PEM file as that of a shop that is known.
func TrustKey(keys seal.Keys, path string) (*x509.Certificate, error) {
	data, err := ReadTyped(path)
	if err != nil {
		return nil, err
	}
	certs, err := seal.ParseCerts(data)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return certs[0], keys.AddKnown(certs[0])
}
