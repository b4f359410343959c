package document

import (
	"errors"
	"reflect"
	"unsafe"

	"github.com/johnfercher/maroto/v2/pkg/core"
	"github.com/phpdave11/gofpdf"
)

// errHidden is returned with another version of maroto or gofpdf than those that
// go.mod names, when it keeps or writes something otherwise.
var errHidden = errors.New("the PDF library is of another version than the one that this program is made for")

// native returns the PDF writer behind a maroto provider, which keeps it in a
// private field. It is needed for what maroto has no word for: vector figures,
// bookmarks, the writing across a test report, structure, and bytes that repeat.
func native(p core.Provider) (*gofpdf.Fpdf, error) {
	v := reflect.ValueOf(p)
	if v.Kind() != reflect.Pointer || v.IsNil() || v.Elem().Kind() != reflect.Struct {
		return nil, errHidden
	}
	f := v.Elem().FieldByName("fpdf")
	if !f.IsValid() || f.Kind() != reflect.Interface || !f.CanAddr() {
		return nil, errHidden
	}
	f = reflect.NewAt(f.Type(), unsafe.Pointer(f.UnsafeAddr())).Elem()
	pdf, ok := f.Interface().(*gofpdf.Fpdf)
	if !ok || pdf == nil {
		return nil, errHidden
	}
	return pdf, nil
}
