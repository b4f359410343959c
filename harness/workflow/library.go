package workflow

import (
	"os"
	"strings"

	"proveout/plans"
	"proveout/report/words"
)

// A Titled is a plan or family that can be used, with what it is called.
type Titled struct {
	plans.Entry
	Title   string `json:"title"`
	Trouble string `json:"trouble,omitempty"` // why it cannot be read
}

// Library lists the plans or families of a shop and the built-in ones.
func Library(shopDir string, kind plans.FileKind) ([]Titled, error) {
	entries, err := plans.List(shopDir, kind)
	out := []Titled{}
	for _, e := range entries {
		one := Titled{Entry: e}
		var err error
		if one.Title, err = titleOf(shopDir, kind, e.ID); err != nil {
			one.Trouble = firstLine(err)
		}
		out = append(out, one)
	}
	return out, err
}

func titleOf(shopDir string, kind plans.FileKind, id string) (string, error) {
	if kind == plans.PlanKind {
		p, err := plans.FindPlan(shopDir, id)
		if err != nil {
			return "", err
		}
		return p.Title, nil
	}
	f, err := plans.FindFamily(shopDir, id)
	if err != nil {
		return "", err
	}
	if names := f.Variants(); len(names) > 0 {
		return f.Title + " (" + strings.Join(names, ", ") + ")", nil
	}
	family, err := f.Variant("")
	if err != nil {
		return "", err
	}
	return family.Title, nil
}

// A Summary says what a plan or family is.
type Summary interface{ Text(width int) string }

// Summarise says what a plan or a variant of a family is; without a name the
// first variant.
func Summarise(shopDir string, kind plans.FileKind, id, variant string) (Summary, error) {
	if kind == plans.PlanKind {
		p, err := plans.FindPlan(shopDir, id)
		if err != nil {
			return nil, err
		}
		return p.Summarise(), nil
	}
	f, err := plans.FindFamily(shopDir, id)
	if err != nil {
		return nil, err
	}
	if names := f.Variants(); variant == "" && len(names) > 0 {
		variant = names[0]
	}
	family, err := f.Variant(variant)
	if err != nil {
		return nil, err
	}
	return family.Summarise(), nil
}

// Check finds the problems of a plan or family file, and the log maps that a
// sound plan names and the shop does not have.
func Check(shopDir string, kind plans.FileKind, path string) ([]plans.Problem, error) {
	kind, problems := plans.CheckFile(path, kind, words.Languages())
	if kind != plans.PlanKind || len(problems) > 0 || shopDir == "" {
		return problems, nil
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	plan, problems := plans.ParsePlan(path, data)
	if len(problems) > 0 {
		return problems, nil
	}
	_, err = PlanMaps(shopDir, plan)
	if problems, ours := plans.ProblemsOf(err); ours {
		return problems, nil
	}
	return nil, err
}
