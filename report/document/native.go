package document

import (
	"reflect"
	"unsafe"

	"github.com/johnfercher/maroto/v2/pkg/core"
	"github.com/phpdave11/gofpdf"
)

// native returns the PDF writer behind a maroto provider, which keeps it in a
// private field. It is needed for what maroto has no word for: vector figures,
// bookmarks, the writing across a test report, and bytes that repeat. Another
// version of maroto may hide it elsewhere; then ok is false, figures are drawn
// as pictures, and the rest of these is left out.
func native(p core.Provider) (pdf *gofpdf.Fpdf, ok bool) {
	v := reflect.ValueOf(p)
	if v.Kind() != reflect.Pointer || v.IsNil() || v.Elem().Kind() != reflect.Struct {
		return nil, false
	}
	f := v.Elem().FieldByName("fpdf")
	if !f.IsValid() || f.Kind() != reflect.Interface || !f.CanAddr() {
		return nil, false
	}
	f = reflect.NewAt(f.Type(), unsafe.Pointer(f.UnsafeAddr())).Elem()
	pdf, ok = f.Interface().(*gofpdf.Fpdf)
	return pdf, ok && pdf != nil
}
