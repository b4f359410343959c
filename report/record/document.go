package record

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/png"
	"slices"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/scoring/conformity"
)

// A Document is everything that stands on a certificate or a test report.
type Document struct {
	Record // what of it travels inside a certificate

	Plan   *plans.Plan
	Family *plans.Family

	Logo     image.Image // of the shop; nil when it has none
	Captures []Capture   // nil: gathered from the outcome by [Document.Prepare]
	Unshown  int         // captures that were left out to keep the document short
}

// ErrNotAccepted is returned for a certificate whose outcome is not accepted.
var ErrNotAccepted = errors.New("a certificate needs an accepted outcome; make a test report instead")

// Check says what a document lacks before it can be written: the values every
// page needs, and for a certificate an accepted outcome, a number and the name
// of who authorised it.
func (d *Document) Check() error {
	switch {
	case d.Outcome == nil, d.Job == nil, d.Plan == nil, d.Family == nil, d.Shop == nil:
		return errors.New("a document needs the shop, the job, its plan, its family and the outcome")
	case d.IssuedAt.IsZero():
		return errors.New("a document needs the time of issue")
	case d.Kind != Certificate:
		return nil
	case !d.Outcome.Accepted || d.Outcome.Verdict != conformity.Pass:
		return fmt.Errorf("job %s: %w", d.Job.Number, ErrNotAccepted)
	case d.Number == "":
		return errors.New("a certificate needs a number")
	case d.AuthorisedBy == "":
		return errors.New("a certificate needs the name of who authorised it")
	}
	return nil
}

// Bench is the bench of the job; nil when the shop has none of that name.
func (d *Document) Bench() *plans.Bench {
	bench, _ := d.Shop.Bench(d.Job.Bench)
	return bench
}

// Files returns every file that the job's attempts and photos name, each once,
// in the plan's order.
func (d *Document) Files() []reading.Evidence {
	var out []reading.Evidence
	seen := map[string]bool{}
	add := func(e reading.Evidence) {
		if e.SHA256 != "" && !seen[e.SHA256] {
			seen[e.SHA256] = true
			out = append(out, e)
		}
	}
	for _, s := range d.Plan.Steps {
		for _, a := range d.Job.Attempts[s.ID] {
			for _, l := range a.Logs {
				add(l.Evidence)
			}
			for _, c := range a.Captures {
				add(c.Evidence)
			}
		}
	}
	for _, p := range d.Job.Card.Photos {
		add(p)
	}
	return out
}

// Travelling is the record of a document as it travels: with what scoring was
// given, and without the people and things of the shop that the document does
// not tell of. The photos are prepared; logo is the attached picture of the
// shop's logo, nil when there is none; paper is the name of the paper.
func (d *Document) Travelling(in reading.Input, paper string, logo []byte) (*Record, error) {
	r := d.Record
	r.Schema, r.Built, r.Paper = Schema, Built(), paper
	r.PlanText, r.FamilyText = d.Plan.Source, d.Family.Source
	r.Shop = d.toldShop()
	if logo != nil {
		r.LogoSHA256 = Digest(logo)
	}
	r.Photos = slices.Clone(d.Photos)
	for i := range r.Photos {
		p := &r.Photos[i]
		if len(p.JPEG) == 0 {
			return nil, fmt.Errorf("photo %q is not prepared", p.Caption)
		}
		p.Printed = Digest(p.JPEG)
	}
	r.addGoodCards(in)
	return &r, nil
}

// addGoodCards keeps what the plan's workloads are compared with, without the
// people behind it.
func (r *Record) addGoodCards(in reading.Input) {
	used := func(workload string) bool {
		return slices.ContainsFunc(in.Plan.Steps, func(s plans.Step) bool { return plans.SpecOf[plans.Load](&s).Workload == workload })
	}
	for _, set := range in.References {
		if !used(set.Workload) {
			continue
		}
		set.Scores = slices.Clone(set.Scores)
		for i := range set.Scores {
			set.Scores[i].By = ""
		}
		r.References = append(r.References, set)
	}
	for _, c := range in.Control {
		if used(c.Workload) {
			c.By = ""
			r.Control = append(r.Control, c)
		}
	}
	for _, a := range in.Answers {
		if used(a.Workload) {
			a.By = ""
			r.Answers = append(r.Answers, a)
		}
	}
}

// toldShop is the shop with the bench of the job alone, and with the people who
// worked on it.
func (d *Document) toldShop() *plans.Shop {
	shop := *d.Shop
	shop.Benches = nil
	if b := d.Bench(); b != nil {
		shop.Benches = []plans.Bench{*b}
	}
	people := map[string]bool{d.Job.Technician: true}
	for _, attempts := range d.Job.Attempts {
		for _, a := range attempts {
			people[a.By] = true
			for _, n := range a.Notes {
				people[n.By] = true
			}
		}
	}
	shop.Technicians = slices.DeleteFunc(slices.Clone(d.Shop.Technicians), func(t plans.Technician) bool {
		return !people[t.ID] && t.Name != d.AuthorisedBy
	})
	return &shop
}

// Document is the document of the record. jpegs are the pictures of the pages,
// in any order; logo is the attached picture, when there is one. With jpegs nil
// the document has no photos, for a reader who wants its words.
func (r *Record) Document(jpegs [][]byte, logo []byte) (*Document, error) {
	d := &Document{Record: *r}
	d.Photos = nil
	var err error
	if d.Plan, d.Family, err = r.documents(); err != nil {
		return nil, err
	}
	if jpegs != nil {
		if err := d.addPictures(r.Photos, jpegs, logo); err != nil {
			return nil, err
		}
	}
	return d, nil
}

// mostLogoPixels bounds the memory that a logo may ask for.
const mostLogoPixels = 2_000_000

func (d *Document) addPictures(photos []Photo, jpegs [][]byte, logo []byte) error {
	byHash := map[string][]byte{}
	for _, j := range jpegs {
		byHash[Digest(j)] = j
	}
	for _, p := range photos {
		var ok bool
		if p.JPEG, ok = byHash[p.Printed]; !ok {
			return fmt.Errorf("the photo %q is not on the pages", p.Caption)
		}
		d.Photos = append(d.Photos, p)
	}
	if d.LogoSHA256 == "" {
		return nil
	}
	if Digest(logo) != d.LogoSHA256 {
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
