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
	"crypto/x509/pkix"
	"encoding/asn1"
	"errors"
	"fmt"
	"hash"
)

// An encryptedKey is a private key under a passphrase: PKCS #8 with PBES2.
//
// Sources: RFC 5958, section 3 (EncryptedPrivateKeyInfo); RFC 8018, sections
// 6.2 (PBES2) and A.2, A.4 (PBKDF2); NIST SP 800-38A (CBC).
type encryptedKey struct {
	Algorithm algorithm[pbes2]
	Text      []byte
}

// An algorithm is an AlgorithmIdentifier with parameters of a known shape.
type algorithm[P any] struct {
	ID         asn1.ObjectIdentifier
	Parameters P
}

type pbes2 struct {
	Derivation algorithm[derivation]
	Cipher     algorithm[[]byte] // with its initial vector
}

type derivation struct {
	Salt      []byte
	Rounds    int
	KeyLength int                      `asn1:"optional"`
	Hash      pkix.AlgorithmIdentifier `asn1:"optional"`
}

var (
	oidPBES2      = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 5, 13}
	oidPBKDF2     = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 5, 12}
	oidHMACSHA256 = asn1.ObjectIdentifier{1, 2, 840, 113549, 2, 9}
	oidAES256     = asn1.ObjectIdentifier{2, 16, 840, 1, 101, 3, 4, 1, 42}
)

// What other programs encrypt keys with: sizes of AES keys in bytes, and the
// digests of HMAC. Without one it is SHA-1 (RFC 8018, A.2).
var (
	keySizes = map[string]int{
		"2.16.840.1.101.3.4.1.2":  16,
		"2.16.840.1.101.3.4.1.22": 24,
		oidAES256.String():        32,
	}
	digests = map[string]func() hash.Hash{
		"":                     sha1.New,
		"1.2.840.113549.2.7":   sha1.New,
		oidHMACSHA256.String(): sha256.New,
		"1.2.840.113549.2.11":  sha512.New,
	}
)

const (
	rounds    = 600_000    // of PBKDF2 with HMAC-SHA-256; common practice, no source
	maxRounds = 20_000_000 // on reading, so that a file cannot stall the program
)

// ErrPassphrase is returned when a key file does not open with the passphrase.
var ErrPassphrase = errors.New("the passphrase does not open the key")

var errKeyKind = errors.New("the key is encrypted in a way that is not known here; " +
	"write it anew with: openssl pkcs8 -topk8 -v2 aes-256-cbc")

// encrypt wraps a PKCS #8 key with AES-256-CBC under a passphrase.
func encrypt(pkcs8, passphrase []byte) ([]byte, error) {
	salt, vector := make([]byte, 16), make([]byte, aes.BlockSize)
	rand.Read(salt) // never fails (crypto/rand)
	rand.Read(vector)
	key := encryptedKey{Algorithm: algorithm[pbes2]{oidPBES2, pbes2{
		Derivation: algorithm[derivation]{oidPBKDF2, derivation{
			Salt:   salt,
			Rounds: rounds,
			Hash:   pkix.AlgorithmIdentifier{Algorithm: oidHMACSHA256, Parameters: asn1.NullRawValue},
		}},
		Cipher: algorithm[[]byte]{oidAES256, vector},
	}}}
	block, err := key.block(passphrase)
	if err != nil {
		return nil, err
	}
	pad := aes.BlockSize - len(pkcs8)%aes.BlockSize
	key.Text = append(bytes.Clone(pkcs8), bytes.Repeat([]byte{byte(pad)}, pad)...)
	cipher.NewCBCEncrypter(block, vector).CryptBlocks(key.Text, key.Text)
	return asn1.Marshal(key)
}

// decrypt opens what encrypt, or another program, wrapped.
func decrypt(der, passphrase []byte) ([]byte, error) {
	key, err := readEncrypted(der)
	if err != nil {
		return nil, err
	}
	return key.open(passphrase)
}

// readEncrypted reads an encrypted key without opening it.
func readEncrypted(der []byte) (key encryptedKey, err error) {
	rest, err := asn1.Unmarshal(der, &key)
	method := key.Algorithm.Parameters
	d := method.Derivation.Parameters
	switch {
	case err != nil || len(rest) != 0 || !key.Algorithm.ID.Equal(oidPBES2) || !method.Derivation.ID.Equal(oidPBKDF2):
		return key, errKeyKind
	case keySizes[method.Cipher.ID.String()] == 0 || len(method.Cipher.Parameters) != aes.BlockSize:
		return key, errKeyKind
	case digests[d.Hash.Algorithm.String()] == nil || d.Rounds < 1:
		return key, errKeyKind
	case d.Rounds > maxRounds:
		return key, fmt.Errorf("the key file asks for %d rounds, more than are made here", d.Rounds)
	case len(key.Text) == 0 || len(key.Text)%aes.BlockSize != 0:
		return key, errors.New("the key file is cut short")
	}
	return key, nil
}

// block is the cipher under the key that is derived from a passphrase.
func (k encryptedKey) block(passphrase []byte) (cipher.Block, error) {
	method := k.Algorithm.Parameters
	d := method.Derivation.Parameters
	digest, size := digests[d.Hash.Algorithm.String()], keySizes[method.Cipher.ID.String()]
	key, err := pbkdf2.Key(digest, string(passphrase), d.Salt, d.Rounds, size)
	if err != nil {
		return nil, err
	}
	return aes.NewCipher(key)
}

func (k encryptedKey) open(passphrase []byte) ([]byte, error) {
	block, err := k.block(passphrase)
	if err != nil {
		return nil, err
	}
	plain := bytes.Clone(k.Text)
	cipher.NewCBCDecrypter(block, k.Algorithm.Parameters.Cipher.Parameters).CryptBlocks(plain, plain)
	pad := int(plain[len(plain)-1])
	if pad < 1 || pad > aes.BlockSize || !bytes.HasSuffix(plain, bytes.Repeat([]byte{byte(pad)}, pad)) {
		return nil, ErrPassphrase
	}
	return plain[:len(plain)-pad], nil
}
