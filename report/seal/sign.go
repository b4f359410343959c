package seal

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math/big"
	"net/http"
	"net/url"
	"time"

	"proveout/report/seal/check"
	"proveout/report/seal/cms"
	"proveout/report/seal/pdffile"
)

// Terms is what a signature says about itself.
type Terms struct {
	Time     time.Time // of signing, by the shop's clock; kept to the second
	Reason   string    // e.g. "Acceptance test passed"
	Location string
	Contact  string
	// TimeStamp asks an authority for a time stamp (RFC 3161); nil for none.
	TimeStamp Authority
}

// An Authority answers a time stamp request: both are in DER.
type Authority func(request []byte) (response []byte, err error)

// ErrTimeStamp is wrapped by the error of a signature that failed only for want
// of its time stamp; the caller may sign again without.
var ErrTimeStamp = errors.New("no time stamp")

const (
	signatureRoom = 1024 // bytes of a signature value besides certificates
	stampRoom     = 12 << 10
)

// Sign signs the whole of a PDF as a certification signature that allows no
// change. With the same key of Go's own kinds, terms and file the bytes are the
// same each time; a time stamp makes them differ.
func Sign(pdf []byte, id Identity, t Terms) ([]byte, error) {
	if err := id.check(); err != nil {
		return nil, err
	}
	at := t.Time.Truncate(time.Second)
	if at.Before(id.Cert().NotBefore) || at.After(id.Cert().NotAfter) {
		return nil, fmt.Errorf("the signing identity is valid from %s to %s, not on %s; set the clock right, "+
			"or give it up with proveout key retire and take another",
			id.Cert().NotBefore.Format(time.DateOnly), id.Cert().NotAfter.Format(time.DateOnly), at.Format(time.DateOnly))
	}
	room := signatureRoom
	for _, c := range id.Chain {
		room += len(c.Raw) + 64
	}
	if t.TimeStamp != nil {
		room += stampRoom
	}
	out, hole, err := pdffile.PlaceSignature(pdf, pdffile.Signature{
		Name: id.Name(), Reason: t.Reason, Location: t.Location, Contact: t.Contact, Time: at, Room: room,
	})
	if err != nil {
		return nil, err
	}
	s, err := cms.Sign(id.Key, id.Chain, hole.Digest(out), at)
	if err != nil {
		return nil, err
	}
	if t.TimeStamp != nil {
		if err := stamp(s, t.TimeStamp); err != nil {
			return nil, fmt.Errorf("%w: %w", ErrTimeStamp, err)
		}
	}
	der, err := s.Marshal()
	if err != nil {
		return nil, err
	}
	if len(der) > room {
		return nil, fmt.Errorf("the signature value takes %d bytes and %d are free", len(der), room)
	}
	hex.Encode(out[hole.Start+1:], der)
	return out, nil
}

func stamp(s *cms.SignedData, ask Authority) error {
	nonce, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 63))
	if err != nil {
		return err
	}
	request, err := s.TimeStampRequest(nonce)
	if err != nil {
		return err
	}
	response, err := ask(request)
	if err != nil {
		return err
	}
	return s.AddTimeStamp(response, nonce)
}

// RecordAttachment is the attachment of a record in canonical form.
func RecordAttachment(canon []byte) pdffile.Attachment {
	return pdffile.Attachment{Name: check.RecordName, Type: "application/json", Relation: pdffile.Source, Data: canon,
		Description: "Record of the test (canonical JSON, RFC 8785)"}
}

// Seal makes a certificate: it attaches the record, which is in canonical form,
// and the files behind it to the pages, signs the whole, and checks what it made
// before giving it out.
func Seal(pages, canon []byte, files []pdffile.Attachment, id Identity, t Terms) ([]byte, error) {
	all := append([]pdffile.Attachment{RecordAttachment(canon)}, files...)
	attached, err := pdffile.Attach(pages, all)
	if err != nil {
		return nil, err
	}
	sealed, err := Sign(attached, id, t)
	if err != nil {
		return nil, err
	}
	r := check.Verify(sealed, check.Options{Signer: check.Exactly(id.Fingerprint())})
	if against := r.Against(); against != nil {
		return nil, fmt.Errorf("the certificate does not pass its own check: %w", against)
	}
	if !r.Valid || !bytes.Equal(r.Record, canon) {
		return nil, errors.New("the certificate does not pass its own check")
	}
	return sealed, nil
}

const maxResponse = 64 << 10

// TimeStampServer asks a time stamp server over HTTP (RFC 3161, 3.4).
func TimeStampServer(ctx context.Context, client *http.Client, address string) (Authority, error) {
	u, err := url.Parse(address)
	if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" {
		return nil, fmt.Errorf("time stamp server %q: write its address as http://… or https://…", address)
	}
	return func(request []byte) ([]byte, error) {
		req, err := http.NewRequestWithContext(ctx, http.MethodPost, address, bytes.NewReader(request))
		if err != nil {
			return nil, err
		}
		req.Header.Set("Content-Type", "application/timestamp-query")
		resp, err := client.Do(req)
		if err != nil {
			return nil, err
		}
		defer resp.Body.Close()
		if resp.StatusCode != http.StatusOK {
			return nil, fmt.Errorf("%s answered %s", u.Host, resp.Status)
		}
		body, err := io.ReadAll(io.LimitReader(resp.Body, maxResponse+1))
		if err == nil && len(body) > maxResponse {
			err = fmt.Errorf("%s answered with more than a time stamp", u.Host)
		}
		return body, err
	}, nil
}
