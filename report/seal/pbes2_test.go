package seal

import (
	"bytes"
	"crypto"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"os"
	"testing"
)

// Keys that another program encrypted: testdata/openssl_keys.pem says how.
func TestDecryptOpenSSL(t *testing.T) {
	file, err := os.ReadFile("testdata/openssl_keys.pem")
	if err != nil {
		t.Fatal(err)
	}
	var keys [][]byte
	for {
		block, rest := pem.Decode(file)
		if block == nil {
			break
		}
		file = rest
		if block.Type == encryptedBlock {
			keys = append(keys, pem.EncodeToMemory(block))
			continue
		}
		pub, err := x509.ParsePKIXPublicKey(block.Bytes)
		if err != nil {
			t.Fatal(err)
		}
		if len(keys) != 3 {
			t.Fatalf("%d keys", len(keys))
		}
		for i, k := range keys {
			got, err := parseKey(k, []byte("geheim"))
			if err != nil {
				t.Errorf("key %d: %v", i, err)
				continue
			}
			if !got.Public().(interface{ Equal(crypto.PublicKey) bool }).Equal(pub) {
				t.Errorf("key %d: another key", i)
			}
			if _, err := parseKey(k, []byte("Geheim")); !errors.Is(err, ErrPassphrase) {
				t.Errorf("key %d, wrong passphrase: %v", i, err)
			}
		}
	}
}

func FuzzReadEncrypted(f *testing.F) {
	file, err := os.ReadFile("testdata/openssl_keys.pem")
	if err != nil {
		f.Fatal(err)
	}
	for {
		block, rest := pem.Decode(file)
		if block == nil {
			break
		}
		file = rest
		f.Add(block.Bytes)
	}
	f.Fuzz(func(t *testing.T, der []byte) {
		key, err := readEncrypted(der)
		if err != nil || key.Algorithm.Parameters.Derivation.Parameters.Rounds > 4096 {
			return
		}
		if plain, err := key.open([]byte("geheim")); err == nil && len(plain) >= len(key.Text) {
			t.Errorf("%d bytes from %d", len(plain), len(key.Text))
		}
	})
}

func FuzzParseCerts(f *testing.F) {
	f.Add(shop().CertPEM())
	f.Add([]byte("Retired: 2026-11-02T10:30:00Z\nReason: replaced\n" + string(shop().CertPEM())))
	f.Fuzz(func(t *testing.T, file []byte) {
		certs, err := ParseCerts(file)
		if err != nil {
			return
		}
		if len(certs) == 0 {
			t.Fatal("no certificate and no error")
		}
		again, err := ParseCerts(Identity{Chain: certs}.CertPEM())
		if err != nil || len(again) != len(certs) || !bytes.Equal(again[0].Raw, certs[0].Raw) {
			t.Errorf("written and read again: %v", err)
		}
		lapsed(certs[0], file)
	})
}
