package document

import (
	"bytes"
	"strings"

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
	p.AddUTF8FontFromBytes("body", "", bytes.Clone(chart.TTF(chart.Regular)))
	p.AddUTF8FontFromBytes("body", "B", bytes.Clone(chart.TTF(chart.Bold)))
	p.AddPage()
	modules, bars, err := QRCode(k.c.Front.Check.QR)
	if err != nil {
		return nil, err
	}
	const side, edge = 30.0, 5.0
	m := side / float64(modules)
	p.SetFillColor(0, 0, 0)
	for _, bar := range bars {
		p.Rect(edge+float64(bar.X)*m, edge+float64(bar.Y)*m, (float64(bar.Length)+0.02)*m, m*1.02, "F")
	}
	const left = edge + side + 5
	line := func(y float64, weight chart.Weight, size float64, text string) {
		style := ""
		if weight == chart.Bold {
			style = "B"
		}
		text = drawable(text)
		for size > 5 && chart.Width(weight, size, text)*25.4/72 > labelWidth-left-3 {
			size -= 0.5
		}
		p.SetFont("body", style, size)
		p.Text(left, y, text)
	}
	line(10, chart.Bold, 13, k.d.Number)
	line(15.5, chart.Bold, 9, k.c.Front.Card)
	line(20, chart.Regular, 8, strings.Join(k.marks(), ", "))
	line(25, chart.Regular, 8, k.w.T("listing.accepted")+", "+k.w.Date(k.d.IssuedAt))
	line(29.5, chart.Regular, 8, k.d.Shop.Name)
	groups := k.d.Seal.Fingerprint.Groups()
	line(33, chart.Regular, 6.5, strings.Join(groups[:5], " "))
	line(36, chart.Regular, 6.5, strings.Join(groups[5:], " "))
	var out bytes.Buffer
	err = p.Output(&out)
	return out.Bytes(), err
}
