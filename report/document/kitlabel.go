package document

import (
	"bytes"
	"strings"

	"github.com/johnfercher/maroto/v2/pkg/core/entity"
	"github.com/phpdave11/gofpdf"

	"proveout/report/chart"
)

// Size of the label for the bag, mm.
const (
	labelWidth  = 90.0
	labelHeight = 40.0
)

// label is a small page with the number and the QR code of the certificate.
func (k *kit) label() ([]byte, error) {
	p := gofpdf.NewCustom(&gofpdf.InitType{UnitStr: "mm", Size: gofpdf.SizeType{Wd: labelWidth, Ht: labelHeight}})
	p.SetCatalogSort(true)
	p.SetCreationDate(k.d.IssuedAt)
	p.SetModificationDate(k.d.IssuedAt)
	p.SetTitle(k.c.FullTitle, true)
	p.SetAutoPageBreak(false, 0)
	p.SetMargins(0, 0, 0)
	p.AddUTF8FontFromBytes(family, "", bytes.Clone(chart.TTF(chart.Regular)))
	p.AddUTF8FontFromBytes(family, "B", bytes.Clone(chart.TTF(chart.Bold)))
	p.AddPage()
	const side, edge, left = 30.0, 5.0, 40.0
	b := &block{tags: &tags{pdf: p}}
	if err := b.code(k.c.Front.Check.QR, edge, edge, side); err != nil {
		return nil, err
	}
	line := func(y float64, weight chart.Weight, size float64, text string) {
		const width = labelWidth - left - 3
		text = onOneLine(text)
		f := face{size: size, weight: weight}.fitted(text, width, 5, 0.5)
		b.line(left, y, f, oneLine(text, f, width))
	}
	line(10, chart.Bold, 13, k.d.Number)
	line(15.5, chart.Bold, 9, k.c.Front.Card)
	line(20, chart.Regular, 8, strings.Join(k.marks(), ", "))
	line(25, chart.Regular, 8, k.w.T("listing.accepted")+", "+k.w.Date(k.d.IssuedAt))
	line(29.5, chart.Regular, 8, k.d.Shop.Name)
	groups := k.d.Seal.Fingerprint.Groups()
	line(33, chart.Regular, 6.5, strings.Join(groups[:5], " "))
	line(36, chart.Regular, 6.5, strings.Join(groups[5:], " "))
	b.Render(nil, &entity.Cell{X: -marginX, Y: -marginTop})
	var out bytes.Buffer
	err := p.Output(&out)
	return out.Bytes(), err
}
