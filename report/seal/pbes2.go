package seal

import (
	"bytes"
	"crypto/aes"
	"crypto/cipher"
	"crypto/pbkdf2"
	"crypto/rand"
	"crypto/sha1" // only to read older files
	"crypto/sha256"
	"crypto/sha512"
	"encoding/asn1"
	"errors"
	"fmt"
	"hash"

	"golang.org/x/crypto/cryptobyte"
	tag "golang.org/x/crypto/cryptobyte/asn1"
)

// Encrypted private keys, PKCS #8 with PBES2.
//
// Sources: RFC 5958, section 3 (EncryptedPrivateKeyInfo); RFC 8018, sections
// 6.2 (PBES2) and A.2, A.4 (PBKDF2); NIST SP 800-38A (CBC).

var (
	oidPBES2      = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 5, 13}
	oidPBKDF2     = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 5, 12}
	oidHMACSHA1   = asn1.ObjectIdentifier{1, 2, 840, 113549, 2, 7}
	oidHMACSHA256 = asn1.ObjectIdentifier{1, 2, 840, 113549, 2, 9}
	oidHMACSHA512 = asn1.ObjectIdentifier{1, 2, 840, 113549, 2, 11}
	oidAES128CBC  = asn1.ObjectIdentifier{2, 16, 840, 1, 101, 3, 4, 1, 2}
	oidAES192CBC  = asn1.ObjectIdentifier{2, 16, 840, 1, 101, 3, 4, 1, 22}
	oidAES256CBC  = asn1.ObjectIdentifier{2, 16, 840, 1, 101, 3, 4, 1, 42}
)

const (
	rounds    = 600_000    // of PBKDF2 with HMAC-SHA-256; common practice, no source
	maxRounds = 20_000_000 // on reading, so that a file cannot stall the program
)

// ErrPassphrase is returned when a key file does not open with the passphrase.
var ErrPassphrase = errors.New("the passphrase does not open the key")

// encrypt wraps a PKCS #8 key with AES-256-CBC under a passphrase.
func encrypt(pkcs8, passphrase []byte) ([]byte, error) {
	var salt, iv [16]byte
	rand.Read(salt[:]) // never fails (crypto/rand)
	rand.Read(iv[:])
	key, err := pbkdf2.Key(sha256.New, string(passphrase), salt[:], rounds, 32)
	if err != nil {
		return nil, err
	}
	block, err := aes.NewCipher(key)
	if err != nil {
		return nil, err
	}
	pad := aes.BlockSize - len(pkcs8)%aes.BlockSize
	text := append(bytes.Clone(pkcs8), bytes.Repeat([]byte{byte(pad)}, pad)...)
	cipher.NewCBCEncrypter(block, iv[:]).CryptBlocks(text, text)

	b := cryptobyte.NewBuilder(nil)
	seq := func(f func(*cryptobyte.Builder)) func(*cryptobyte.Builder) {
		return func(b *cryptobyte.Builder) { b.AddASN1(tag.SEQUENCE, f) }
	}
	kdf := seq(func(b *cryptobyte.Builder) {
		b.AddASN1ObjectIdentifier(oidPBKDF2)
		seq(func(b *cryptobyte.Builder) {
			b.AddASN1OctetString(salt[:])
			b.AddASN1Int64(rounds)
			seq(func(b *cryptobyte.Builder) {
				b.AddASN1ObjectIdentifier(oidHMACSHA256)
				b.AddASN1NULL()
			})(b)
		})(b)
	})
	scheme := seq(func(b *cryptobyte.Builder) {
		b.AddASN1ObjectIdentifier(oidAES256CBC)
		b.AddASN1OctetString(iv[:])
	})
	seq(func(b *cryptobyte.Builder) {
		seq(func(b *cryptobyte.Builder) {
			b.AddASN1ObjectIdentifier(oidPBES2)
			seq(func(b *cryptobyte.Builder) {
				kdf(b)
				scheme(b)
			})(b)
		})(b)
		b.AddASN1OctetString(text)
	})(b)
	return b.Bytes()
}

var errKeyKind = errors.New("the key is encrypted in a way that is not known here; write it anew with: openssl pkcs8 -topk8 -v2 aes-256-cbc")

// wrapped is an encrypted key that was read and not opened yet.
type wrapped struct {
	prf      func() hash.Hash
	salt, iv []byte
	rounds   int
	size     int // bytes of the AES key
	text     []byte
}

// decrypt opens what encrypt, or another program, wrapped.
func decrypt(der, passphrase []byte) ([]byte, error) {
	w, err := readWrapped(der)
	if err != nil {
		return nil, err
	}
	return w.open(passphrase)
}

func readWrapped(der []byte) (wrapped, error) {
	in := cryptobyte.String(der)
	var info, alg, params, kdf, kdfParams, scheme, salt, iv, text cryptobyte.String
	var id, kdfID, cipherID asn1.ObjectIdentifier
	var w wrapped
	if !in.ReadASN1(&info, tag.SEQUENCE) || !in.Empty() || !info.ReadASN1(&alg, tag.SEQUENCE) ||
		!info.ReadASN1(&text, tag.OCTET_STRING) || !alg.ReadASN1ObjectIdentifier(&id) {
		return w, errors.New("the key file cannot be read")
	}
	ok := id.Equal(oidPBES2) && alg.ReadASN1(&params, tag.SEQUENCE) &&
		params.ReadASN1(&kdf, tag.SEQUENCE) && params.ReadASN1(&scheme, tag.SEQUENCE) &&
		kdf.ReadASN1ObjectIdentifier(&kdfID) && kdfID.Equal(oidPBKDF2) && kdf.ReadASN1(&kdfParams, tag.SEQUENCE) &&
		kdfParams.ReadASN1(&salt, tag.OCTET_STRING) && kdfParams.ReadASN1Integer(&w.rounds) &&
		kdfParams.SkipOptionalASN1(tag.INTEGER) &&
		scheme.ReadASN1ObjectIdentifier(&cipherID) && scheme.ReadASN1(&iv, tag.OCTET_STRING)
	if !ok {
		return w, errKeyKind
	}
	w.size = map[string]int{oidAES128CBC.String(): 16, oidAES192CBC.String(): 24, oidAES256CBC.String(): 32}[cipherID.String()]
	switch {
	case w.size == 0 || len(iv) != aes.BlockSize || w.rounds < 1:
		return w, errKeyKind
	case w.rounds > maxRounds:
		return w, fmt.Errorf("the key file asks for %d rounds, more than are made here", w.rounds)
	case len(text) == 0 || len(text)%aes.BlockSize != 0:
		return w, errors.New("the key file is cut short")
	}
	w.salt, w.iv, w.text = salt, iv, text
	var err error
	w.prf, err = pseudoRandom(kdfParams)
	return w, err
}

func (w wrapped) open(passphrase []byte) ([]byte, error) {
	key, err := pbkdf2.Key(w.prf, string(passphrase), w.salt, w.rounds, w.size)
	if err != nil {
		return nil, err
	}
	block, err := aes.NewCipher(key)
	if err != nil {
		return nil, err
	}
	plain := bytes.Clone(w.text)
	cipher.NewCBCDecrypter(block, w.iv).CryptBlocks(plain, plain)
	pad := int(plain[len(plain)-1])
	if pad < 1 || pad > aes.BlockSize || !bytes.Equal(plain[len(plain)-pad:], bytes.Repeat([]byte{byte(pad)}, pad)) {
		return nil, ErrPassphrase
	}
	return plain[:len(plain)-pad], nil
}

func pseudoRandom(params cryptobyte.String) (func() hash.Hash, error) {
	if params.Empty() {
		return sha1.New, nil // the default of RFC 8018, A.2
	}
	var alg cryptobyte.String
	var id asn1.ObjectIdentifier
	if !params.ReadASN1(&alg, tag.SEQUENCE) || !alg.ReadASN1ObjectIdentifier(&id) {
		return nil, errKeyKind
	}
	switch {
	case id.Equal(oidHMACSHA1):
		return sha1.New, nil
	case id.Equal(oidHMACSHA256):
		return sha256.New, nil
	case id.Equal(oidHMACSHA512):
		return sha512.New, nil
	}
	return nil, errKeyKind
}
