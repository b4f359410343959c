package document

import "github.com/johnfercher/maroto/v2/pkg/core"

// A stranger is a provider of another make.
type stranger struct {
	core.Provider
	fpdf any
}

func asProvider(v any) core.Provider {
	if v == nil {
		return nil
	}
	return &stranger{fpdf: v}
}
