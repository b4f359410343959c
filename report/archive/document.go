package archive

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"image/png"
	"runtime"
	"slices"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/quantity"
	"proveout/report/record"
	"proveout/report/seal/fingerprint"
)

// Of is the record of a document whose photos are prepared and of what scoring
// was given. paper is the name of its paper; logo is the attached picture of
// the shop's logo, nil when there is none.
func Of(d *record.Document, in reading.Input, paper string, logo []byte) (*Record, error) {
	r := &Record{Schema: Schema, Tool: d.Tool, Built: Built(), Kind: kindName(d.Kind), Number: d.Number, IssuedAt: d.IssuedAt,
		Language: d.Language, Paper: paper, Technician: d.Technician, AuthorisedBy: d.AuthorisedBy, Replaces: d.Replaces, Because: d.Because,
		Shop: shopOf(d, in.Shop), Job: jobOf(d.Job), Plan: d.Plan.Source, Family: d.Family.Source, Outcome: *d.Outcome}
	if d.Seal != nil {
		r.Signer = &Signer{Name: d.Seal.Name, Fingerprint: d.Seal.Fingerprint.Hex()}
	}
	if logo != nil {
		r.Logo = digest(logo)
	}
	for _, p := range d.Photos {
		if len(p.JPEG) == 0 {
			return nil, fmt.Errorf("photo %q is not prepared", p.Caption)
		}
		r.Photos = append(r.Photos, Photo{Caption: p.Caption, Role: p.Role, SHA256: p.SHA256, Printed: digest(p.JPEG), Width: p.Width, Height: p.Height})
	}
	r.addGoodCards(in)
	return r, nil
}

// Built says what this program was built with, as the record's field does:
// other compilers pack otherwise, and other processors round otherwise.
func Built() string { return runtime.Version() + " " + runtime.GOARCH }

// addGoodCards keeps what the plan's workloads are compared with, without the
// people behind it.
func (r *Record) addGoodCards(in reading.Input) {
	used := func(workload string) bool {
		return slices.ContainsFunc(in.Plan.Steps, func(s plans.Step) bool { return s.Workload == workload })
	}
	for _, s := range in.References {
		if !used(s.Workload) {
			continue
		}
		set := ReferenceSet{Workload: s.Workload, Bench: s.Bench, Unit: s.Unit, Better: s.Better, Source: s.Source, Scores: []ReferenceScore{}}
		for _, one := range s.Scores {
			one.By = ""
			set.Scores = append(set.Scores, ReferenceScore(one))
		}
		r.References = append(r.References, set)
	}
	for _, c := range in.Control {
		if used(c.Workload) {
			c.By = ""
			r.Control = append(r.Control, ControlRun(c))
		}
	}
	for _, a := range in.Answers {
		if used(a.Workload) {
			a.By = ""
			r.Answers = append(r.Answers, SignalAnswer(a))
		}
	}
}

func kindName(k record.Kind) string {
	if k == record.Certificate {
		return "certificate"
	}
	return "test report"
}

func digest(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}

func shopOf(d *record.Document, s *plans.Shop) Shop {
	out := Shop{Name: s.Name, Address: s.Address, Contact: s.Contact}
	people := map[string]bool{d.Job.Technician: true}
	for _, attempts := range d.Job.Attempts {
		for _, a := range attempts {
			people[a.By] = true
			for _, n := range a.Notes {
				people[n.By] = true
			}
		}
	}
	for _, t := range s.Technicians {
		if people[t.ID] || t.Name == d.AuthorisedBy {
			out.Technicians = append(out.Technicians, Technician(t))
		}
	}
	if b, ok := s.Bench(d.Job.Bench); ok {
		out.Bench = benchOf(b)
	}
	return out
}

func benchOf(b *plans.Bench) *Bench {
	out := &Bench{ID: b.ID, Title: b.Title, Host: b.Host, ControlCard: b.ControlCard, Ambient: quantityOf(b.Ambient), Instruments: []Instrument{},
		Slot: Slot{Kind: b.Slot.Kind, Key: b.Slot.Key, Rates: b.Slot.Rates}}
	for _, q := range b.Slot.Signaling {
		out.Slot.Signaling = append(out.Slot.Signaling, Quantity(q))
	}
	for _, i := range b.Instruments {
		out.Instruments = append(out.Instruments, Instrument{ID: i.ID, Title: i.Title, Measures: i.Measures, Limits: Quantity(i.Limits),
			Floor: quantityOf(i.Floor), Coverage: i.Coverage, Resolution: quantityOf(i.Resolution), Place: i.Place, LastCheck: i.LastCheck, NextCheck: i.NextCheck})
	}
	return out
}

func quantityOf(q *quantity.Quantity) *Quantity {
	if q == nil {
		return nil
	}
	c := Quantity(*q)
	return &c
}

func (q *Quantity) quantity() *quantity.Quantity {
	if q == nil {
		return nil
	}
	c := quantity.Quantity(*q)
	return &c
}

func (s *Shop) plans() *plans.Shop {
	out := &plans.Shop{Name: s.Name, Address: s.Address, Contact: s.Contact}
	for _, t := range s.Technicians {
		out.Technicians = append(out.Technicians, plans.Technician(t))
	}
	if b := s.Bench; b != nil {
		bench := plans.Bench{ID: b.ID, Title: b.Title, Host: b.Host, ControlCard: b.ControlCard, Ambient: b.Ambient.quantity(),
			Slot: plans.Slot{Kind: b.Slot.Kind, Key: b.Slot.Key, Rates: b.Slot.Rates}}
		for _, q := range b.Slot.Signaling {
			bench.Slot.Signaling = append(bench.Slot.Signaling, quantity.Quantity(q))
		}
		for _, i := range b.Instruments {
			bench.Instruments = append(bench.Instruments, plans.Instrument{ID: i.ID, Title: i.Title, Measures: i.Measures, Limits: quantity.Quantity(i.Limits),
				Floor: i.Floor.quantity(), Coverage: i.Coverage, Resolution: i.Resolution.quantity(), Place: i.Place, LastCheck: i.LastCheck, NextCheck: i.NextCheck})
		}
		out.Benches = []plans.Bench{bench}
	}
	return out
}

// Document is the document of the record. jpegs are the pictures of the pages,
// in any order; logo is the attached picture, when there is one. With jpegs nil
// the document has no photos, for a reader who wants its words.
func (r *Record) Document(jpegs [][]byte, logo []byte) (*record.Document, error) {
	plan, family, err := r.documents()
	if err != nil {
		return nil, err
	}
	d := &record.Document{Number: r.Number, IssuedAt: r.IssuedAt, Tool: r.Tool, Language: r.Language, Technician: r.Technician,
		AuthorisedBy: r.AuthorisedBy, Replaces: r.Replaces, Because: r.Because, Shop: r.Shop.plans(), Job: r.Job.reading(nil),
		Plan: plan, Family: family, Outcome: &r.Outcome}
	switch r.Kind {
	case kindName(record.Certificate):
		d.Kind = record.Certificate
	case kindName(record.TestReport):
	default:
		return nil, fmt.Errorf("the record is of no known kind of document: %q", r.Kind)
	}
	if r.Schema >= 2 {
		d.Record = r.sum
	}
	if len(d.Shop.Benches) > 0 {
		d.Bench = &d.Shop.Benches[0]
	}
	if r.Signer != nil {
		fp, err := hex.DecodeString(r.Signer.Fingerprint)
		if err != nil || len(fp) != len(fingerprint.Fingerprint{}) {
			return nil, errors.New("the record's fingerprint is not one")
		}
		d.Seal = &record.Seal{Name: r.Signer.Name, Fingerprint: fingerprint.Fingerprint(fp)}
	}
	if err := r.addPictures(d, jpegs, logo); err != nil {
		return nil, err
	}
	return d, nil
}

// mostLogoPixels bounds the memory that a logo may ask for.
const mostLogoPixels = 2_000_000

func (r *Record) addPictures(d *record.Document, jpegs [][]byte, logo []byte) error {
	if jpegs == nil {
		return nil
	}
	byHash := map[string][]byte{}
	for _, j := range jpegs {
		byHash[digest(j)] = j
	}
	for _, p := range r.Photos {
		j, ok := byHash[p.Printed]
		if !ok {
			return fmt.Errorf("the photo %q is not on the pages", p.Caption)
		}
		d.Photos = append(d.Photos, record.Photo{Caption: p.Caption, Role: p.Role, SHA256: p.SHA256, JPEG: j, Width: p.Width, Height: p.Height})
	}
	if r.Logo == "" {
		return nil
	}
	if digest(logo) != r.Logo {
		return errors.New("the shop's logo is not the one that the record names")
	}
	cfg, err := png.DecodeConfig(bytes.NewReader(logo))
	if err == nil && cfg.Width*cfg.Height > mostLogoPixels {
		err = errors.New("too large")
	}
	if err == nil {
		d.Logo, err = png.Decode(bytes.NewReader(logo))
	}
	if err != nil {
		return fmt.Errorf("the shop's logo: %w", err)
	}
	return nil
}

// Files lists the files of the test that the record names, each once.
func (r *Record) Files() ([]reading.Evidence, error) {
	d, err := r.Document(nil, nil)
	if err != nil {
		return nil, err
	}
	return d.Files(), nil
}
