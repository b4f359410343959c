package cms

import (
	"bytes"
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/asn1"
	"errors"
	"math/big"
	"os"
	"testing"
	"time"

	"github.com/digitorus/timestamp"
)

var day = time.Date(2026, 11, 2, 9, 30, 0, 0, time.UTC)

func number(t testing.TB, hex string) *big.Int {
	t.Helper()
	n, ok := new(big.Int).SetString(hex, 16)
	if !ok {
		t.Fatal(hex)
	}
	return n
}

// sampleKey is the P-256 key of RFC 6979, appendix A.2.5.
func sampleKey(t testing.TB) *ecdsa.PrivateKey {
	t.Helper()
	const x = "C9AFA9D845BA75166B5C215767B1D6934E50C3DB36E89B127B8A622B120F6721"
	k, err := ecdsa.ParseRawPrivateKey(elliptic.P256(), number(t, x).Bytes())
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// RFC 6979, appendix A.2.5, SHA-256, message "sample" (from memory): without a
// source of chance the signature is the one of that standard.
func TestDeterministicSignature(t *testing.T) {
	sum := sha256.Sum256([]byte("sample"))
	der, err := sampleKey(t).Sign(nil, sum[:], crypto.SHA256)
	if err != nil {
		t.Fatal(err)
	}
	want, err := asn1.Marshal(struct{ R, S *big.Int }{
		number(t, "EFD48B2AACB6A8FD1140DD9CD45E81D69D2C877B56AAF991C34D0EA84EAF3716"),
		number(t, "F7CB1C942D657C41D436C7A1B6E29F65F3E900DBB9AFF4064DC4AB2F843ACDA8"),
	})
	if err != nil || !bytes.Equal(der, want) {
		t.Errorf("signature %x, want %x", der, want)
	}
}

func certificate(t testing.TB, key crypto.Signer, name string, change func(*x509.Certificate)) *x509.Certificate {
	t.Helper()
	tmpl := &x509.Certificate{
		SerialNumber: big.NewInt(7), Subject: pkix.Name{CommonName: name},
		NotBefore: day.AddDate(-1, 0, 0), NotAfter: day.AddDate(9, 0, 0), KeyUsage: x509.KeyUsageDigitalSignature,
	}
	if change != nil {
		change(tmpl)
	}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	c, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func signed(t testing.TB) *SignedData {
	t.Helper()
	key := sampleKey(t)
	s, err := Sign(key, []*x509.Certificate{certificate(t, key, "Werkstatt", nil)}, sha256.Sum256([]byte("pages")), day)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// withStamp is a signature with a time stamp that another library made.
func withStamp(t testing.TB) *SignedData {
	t.Helper()
	s := signed(t)
	request, err := s.TimeStampRequest(big.NewInt(42))
	if err != nil {
		t.Fatal(err)
	}
	req, err := timestamp.ParseRequest(request)
	if err != nil {
		t.Fatal(err)
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	tsa := certificate(t, key, "Stamps", func(c *x509.Certificate) {
		c.ExtKeyUsage = []x509.ExtKeyUsage{x509.ExtKeyUsageTimeStamping}
	})
	ts := timestamp.Timestamp{
		HashAlgorithm: req.HashAlgorithm, HashedMessage: req.HashedMessage, Time: day, Nonce: req.Nonce,
		Policy: asn1.ObjectIdentifier{2, 4, 5, 6}, AddTSACertificate: true,
	}
	resp, err := ts.CreateResponseWithOpts(tsa, key, crypto.SHA256)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.AddTimeStamp(resp, big.NewInt(42)); err != nil {
		t.Fatal(err)
	}
	return s
}

func TestSignAndCheck(t *testing.T) {
	for name, s := range map[string]*SignedData{"plain": signed(t), "stamped": withStamp(t)} {
		der, err := s.Marshal()
		if err != nil {
			t.Fatal(err)
		}
		got, err := Parse(der)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		at, err := got.Check(sha256.Sum256([]byte("pages")))
		if err != nil || !at.Equal(day) {
			t.Errorf("%s: signed %v, %v", name, at, err)
		}
		if _, err := got.Check(sha256.Sum256([]byte("Pages"))); !errors.Is(err, ErrChanged) {
			t.Errorf("%s: other bytes: %v", name, err)
		}
		// each bit, in turn
		for i := range der {
			for bit := range 8 {
				if bit != i%8 && os.Getenv("PROVEOUT_ALL_CHECKS") != "1" {
					continue // one bit of each byte in a usual run
				}
				der[i] ^= 1 << bit
				if s, err := Parse(der); err == nil {
					_, err := s.Check(sha256.Sum256([]byte("pages")))
					if err == nil && s.TimeStamp != nil {
						_, err = s.CheckTimeStamp()
					}
					if err == nil && (name == "plain" || s.TimeStamp != nil) {
						t.Errorf("%s: byte %d, bit %d changed, and it holds", name, i, bit)
					}
				}
				der[i] ^= 1 << bit
			}
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []*SignedData{signed(f), withStamp(f)} {
		der, err := s.Marshal()
		if err != nil {
			f.Fatal(err)
		}
		f.Add(der)
	}
	f.Fuzz(func(t *testing.T, der []byte) {
		s, err := Parse(der)
		if err != nil {
			return
		}
		again, err := s.Marshal()
		if err != nil || !bytes.Equal(again, der) {
			t.Fatal("what was read is written in another way")
		}
		s.Check(sha256.Sum256([]byte("pages")))
		s.CheckTimeStamp()
	})
}

func FuzzAddTimeStamp(f *testing.F) {
	s := withStamp(f)
	b, err := s.TimeStamp.Marshal()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(append([]byte{0x30, 0x82, byte((len(b) + 5) >> 8), byte(len(b) + 5), 0x30, 0x03, 0x02, 0x01, 0x00}, b...))
	s.TimeStamp = nil
	f.Fuzz(func(t *testing.T, response []byte) {
		stamped := *s
		if stamped.AddTimeStamp(response, big.NewInt(42)) == nil {
			if _, err := stamped.CheckTimeStamp(); err != nil {
				t.Fatalf("taken, and does not hold: %v", err)
			}
		}
	})
}
