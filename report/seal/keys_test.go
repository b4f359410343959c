package seal

import (
	"bytes"
	"crypto/ecdsa"
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"crypto/x509"

	"proveout/report/seal/check"
)

// reload saves an identity and reads it back.
func reload(t *testing.T, id Identity) Identity {
	t.Helper()
	k := Keys(filepath.Join(t.TempDir(), "keys"))
	if err := k.Save(id, nil); err != nil {
		t.Fatal(err)
	}
	out, err := k.Load(nil)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func sameKey(a, b Identity) bool {
	k, ok := a.Key.(*ecdsa.PrivateKey)
	return ok && k.Equal(b.Key) && a.Fingerprint() == b.Fingerprint()
}

func TestNewIdentity(t *testing.T) {
	c := shop().Cert()
	switch {
	case c.NotAfter.Before(day.AddDate(25, 0, 0)):
		t.Errorf("valid to %v", c.NotAfter)
	case c.KeyUsage != x509.KeyUsageDigitalSignature|x509.KeyUsageContentCommitment || c.IsCA:
		t.Errorf("usage %v, authority %v", c.KeyUsage, c.IsCA)
	case c.CheckSignature(c.SignatureAlgorithm, c.RawTBSCertificate, c.Signature) != nil:
		t.Error("not self-signed")
	case c.SerialNumber.Sign() <= 0 || c.SerialNumber.BitLen() > 159: // RFC 5280, 4.1.2.2
		t.Errorf("serial number %v", c.SerialNumber)
	}
	for _, name := range []string{"", " x", "a\nb", strings.Repeat("x", 65), "\xff"} {
		if _, err := NewIdentity(name, day); err == nil {
			t.Errorf("name %q was taken", name)
		}
	}
}

func TestKeysFolder(t *testing.T) {
	k := Keys(filepath.Join(t.TempDir(), "keys"))
	if _, err := k.Load(nil); !errors.Is(err, ErrNone) {
		t.Errorf("no folder: %v", err)
	}
	if err := k.Save(shop(), []byte("fünf Dosen Flussmittel")); err != nil {
		t.Fatal(err)
	}
	fi, err := os.Stat(filepath.Join(string(k), keyFile))
	if err != nil {
		t.Fatal(err)
	}
	if runtime.GOOS != "windows" && (fi.Mode().Perm() != 0o600 || k.OpenToOthers()) {
		t.Errorf("key file has mode %v", fi.Mode())
	}
	if err := k.Save(thief(), nil); !errors.Is(err, ErrExists) {
		t.Errorf("saved over an identity: %v", err)
	}
	if enc, err := k.Encrypted(); err != nil || !enc {
		t.Errorf("encrypted %v, %v", enc, err)
	}
	for _, wrong := range []string{"", "five tins of flux"} {
		if _, err := k.Load([]byte(wrong)); !errors.Is(err, ErrPassphrase) {
			t.Errorf("passphrase %q: %v", wrong, err)
		}
	}
	id, err := k.Load([]byte("fünf Dosen Flussmittel"))
	if err != nil || !sameKey(id, shop()) {
		t.Errorf("read back: %v", err)
	}
}

func TestRetire(t *testing.T) {
	k := Keys(filepath.Join(t.TempDir(), "keys"))
	if _, err := k.Retire(day, check.Replaced, KeepKey); !errors.Is(err, ErrNone) {
		t.Errorf("nothing to retire: %v", err)
	}
	old, newer := mustIdentity("Werkstatt"), mustIdentity("Werkstatt")
	if err := k.Save(old, nil); err != nil {
		t.Fatal(err)
	}
	if _, err := k.Retire(day.AddDate(0, 0, 1), "tired of it", KeepKey); err == nil {
		t.Error("an unknown reason was taken")
	}
	fp, err := k.Retire(day.AddDate(0, 0, 1), check.Replaced, KeepKey)
	if err != nil || fp != old.Fingerprint() {
		t.Fatal(err)
	}
	if _, err := k.Load(nil); !errors.Is(err, ErrNone) {
		t.Errorf("after retiring: %v", err)
	}
	kept, err := os.ReadFile(filepath.Join(string(k), "retired", fp.Hex()[:16]+".key.pem"))
	if err != nil || !bytes.Contains(kept, []byte(keyBlock)) {
		t.Errorf("the key was not kept: %v", err)
	}
	if err := k.Save(newer, nil); err != nil {
		t.Fatal(err)
	}
	other := mustIdentity("Another")
	for range 2 {
		if err := k.AddKnown(other.Cert()); err != nil {
			t.Fatal(err)
		}
	}
	known, retired, err := k.Trust()
	if err != nil {
		t.Fatal(err)
	}
	if len(known) != 2 || len(retired) != 1 {
		t.Fatalf("%d known, retired %+v", len(known), retired)
	}
	if !retired[0].Cert.Equal(old.Cert()) || !retired[0].When.Equal(day.AddDate(0, 0, 1)) {
		t.Errorf("%d known, retired %+v", len(known), retired)
	}
	o := check.Options{Known: known, Retired: retired}
	for _, tt := range []struct {
		id   Identity
		want check.Standing
		good bool
	}{
		{old, check.Retired, true},
		{newer, check.Known, true},
		{other, check.Known, true},
		{mustIdentity("werkstatt"), check.OtherKey, false},
		{mustIdentity("Nobody"), check.Unknown, false},
	} {
		r := check.Verify(sealed(t, tt.id, "1"), o)
		if r.Signer.Standing != tt.want || r.Valid != tt.good {
			t.Errorf("%s: standing %q, valid %v", tt.id.Name(), r.Signer.Standing, r.Valid)
		}
	}
	if _, err := k.Retire(day.AddDate(0, 0, 2), check.Compromised, EraseKey); err != nil {
		t.Fatal(err)
	}
	if m, _ := filepath.Glob(filepath.Join(string(k), "retired", "*.key.pem")); len(m) != 1 {
		t.Errorf("keys beside retired certificates: %v", m)
	}
	if _, retired, err = k.Trust(); err != nil || len(retired) != 2 {
		t.Errorf("%d retired, %v", len(retired), err)
	}
}

func TestPKCS12(t *testing.T) {
	file, err := shop().ExportPKCS12("Kolophonium")
	if err != nil {
		t.Fatal(err)
	}
	id, err := ImportPKCS12(file, "Kolophonium")
	if err != nil || !sameKey(id, shop()) {
		t.Errorf("read back: %v", err)
	}
	if _, err := ImportPKCS12(file, "Lötzinn"); !errors.Is(err, ErrPassword) {
		t.Errorf("wrong password: %v", err)
	}
	if _, err := shop().ExportPKCS12(""); err == nil {
		t.Error("the key was exported without a password")
	}
	if _, err := ImportPKCS12([]byte("nothing"), ""); err == nil {
		t.Error("nothing was taken for a file")
	}
	withChain, _ := issued(t)
	if file, err = withChain.ExportPKCS12("x"); err != nil {
		t.Fatal(err)
	}
	id, err = ImportPKCS12(file, "x")
	if err != nil || len(id.Chain) != 2 || !id.Chain[1].Equal(withChain.Chain[1]) {
		t.Errorf("chain of %d, %v", len(id.Chain), err)
	}
	if r := check.Verify(sealed(t, reload(t, id), "1"), expect(id)); !r.Valid {
		t.Error(why(r))
	}
}
