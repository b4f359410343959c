package record

import (
	"bytes"
	"fmt"
	"image/png"
	"slices"

	"proveout/harness/reading"
	"proveout/plans"
	"proveout/plans/fact"
	"proveout/report/content"
)

// Travelling is the record of a document as it travels: with what scoring was
// given, and without the people and things of the shop that the document does
// not tell of. The photos are prepared; logo is the attached picture of the
// shop's logo, nil when there is none; paper is the name of the paper.
func Travelling(d *content.Document, in reading.Input, paper string, logo []byte) (*content.Record, error) {
	r := d.Record
	r.Schema, r.Built, r.Paper = Schema, Built(), paper
	r.PlanText, r.FamilyText = d.Plan.Source, d.Family.Source
	r.Shop = toldShop(d)
	if logo != nil {
		r.LogoSHA256 = content.Digest(logo)
	}
	r.Photos = slices.Clone(d.Photos)
	for i := range r.Photos {
		p := &r.Photos[i]
		if len(p.JPEG) == 0 {
			return nil, fmt.Errorf("photo %q is not prepared", p.Caption)
		}
		p.Printed = content.Digest(p.JPEG)
	}
	addGoodCards(&r, in)
	return &r, nil
}

// addGoodCards keeps what the plan's workloads are compared with, without the
// people behind it.
func addGoodCards(r *content.Record, in reading.Input) {
	used := func(workload string) bool {
		return slices.ContainsFunc(in.Plan.Steps, func(s plans.Step) bool {
			return plans.SpecOf[plans.Load](&s).Workload == workload ||
				workload == plans.RiseWorkload && plans.SpecOf[plans.Soak](&s).CompareRise
		})
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
func toldShop(d *content.Document) *plans.Shop {
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
func Document(r *content.Record, jpegs [][]byte, logo []byte) (*content.Document, error) {
	d := &content.Document{Record: *r}
	d.Photos = nil
	var err error
	if d.Plan, d.Family, err = documents(r); err != nil {
		return nil, err
	}
	if jpegs != nil {
		if err := addPictures(d, r.Photos, jpegs, logo); err != nil {
			return nil, err
		}
	}
	return d, nil
}

// mostLogoPixels bounds the memory that a logo may ask for.
const mostLogoPixels = 2_000_000

func addPictures(d *content.Document, photos []content.Photo, jpegs [][]byte, logo []byte) error {
	byHash := map[string][]byte{}
	for _, j := range jpegs {
		byHash[content.Digest(j)] = j
	}
	for _, p := range photos {
		var ok bool
		if p.JPEG, ok = byHash[p.Printed]; !ok {
			return fact.New("check.photo-missing", "photo", p.Caption).Err()
		}
		d.Photos = append(d.Photos, p)
	}
	if d.LogoSHA256 == "" {
		return nil
	}
	if content.Digest(logo) != d.LogoSHA256 {
		return fact.New("check.other-logo").Err()
	}
	cfg, err := png.DecodeConfig(bytes.NewReader(logo))
	if err == nil && cfg.Width*cfg.Height > mostLogoPixels {
		err = fact.New("check.logo-too-large").Err()
	}
	if err == nil {
		d.Logo, err = png.Decode(bytes.NewReader(logo))
	}
	if err != nil {
		return fact.New("check.logo-unusable", "why", fact.Why(err)).Err()
	}
	return nil
}
