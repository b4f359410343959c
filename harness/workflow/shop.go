// Package workflow is what every front end does with a shop and its jobs: it
// opens jobs, records and imports what the bench shows, follows what runs,
// judges, issues documents and keeps the shop's register and keys.
//
// Options come in as values; values, facts and files in the shop's folder come
// out. A [Job] is judged once for each change of it. The package prints
// nothing, reads no flags and asks nobody: what only a person can answer is
// handed in.
package workflow

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"proveout/harness/job"
	"proveout/plans"
	"proveout/plans/document"
	"proveout/report/words"
)

// ShopFile is the file that makes a folder a shop.
const ShopFile = "shop.toml"

// A Shop is a workshop with its folder.
type Shop struct {
	*plans.Shop
	Dir string
	Now func() time.Time
}

// FindShop returns the folder of the shop that a folder belongs to: the nearest
// one upward.
func FindShop(from string) (string, error) {
	start, err := filepath.Abs(from)
	if err != nil {
		return "", fmt.Errorf("the working folder cannot be read: %w", err)
	}
	for dir := start; ; dir = filepath.Dir(dir) {
		if IsShop(dir) {
			return dir, nil
		}
		if dir == filepath.Dir(dir) {
			return "", errors.New("no shop folder here or above; go into one, name it with --shop DIR, " +
				"or make one with: proveout init DIR")
		}
	}
}

// IsShop reports whether a folder is a shop's.
func IsShop(dir string) bool {
	_, err := os.Stat(filepath.Join(dir, ShopFile))
	return err == nil
}

// OpenShop reads the shop of a folder. now is the clock of what is issued and
// opened.
func OpenShop(dir string, now func() time.Time) (*Shop, error) {
	path := filepath.Join(dir, ShopFile)
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("reading the shop file: %w", err)
	}
	shop, problems := plans.ParseShop(path, data, words.Languages()...)
	if len(problems) > 0 {
		return nil, plans.AsError(problems)
	}
	return &Shop{shop, dir, now}, nil
}

// MakeFolders makes the folders of a shop beside its file.
func MakeFolders(dir string) error {
	for _, folder := range []string{"plans", "families", "logmaps", "jobs"} {
		if err := os.MkdirAll(filepath.Join(dir, folder), 0o755); err != nil {
			return err
		}
	}
	return nil
}

// MakeShop makes the folder of a shop with the text of its file.
func MakeShop(dir, text string) error {
	path := filepath.Join(dir, ShopFile)
	if IsShop(dir) {
		return fmt.Errorf("%s is there already; it was left as it is", path)
	}
	if _, problems := plans.ParseShop(path, []byte(text), words.Languages()...); len(problems) > 0 {
		return fmt.Errorf("these values make no shop file:\n%w", plans.AsError(problems))
	}
	if err := MakeFolders(dir); err != nil {
		return err
	}
	return job.WriteFile(path, []byte(text), job.KeepExisting)
}

// benchNamed returns the bench with an id; without one, the only bench.
func (s *Shop) benchNamed(id string) (*plans.Bench, error) {
	id, err := only("bench", id, plans.NamesOf(s.Benches, func(b plans.Bench) string { return b.ID }))
	if err != nil {
		return nil, err
	}
	bench, _ := s.Bench(id)
	return bench, nil
}

// TechnicianNamed returns the id of a technician of the shop; without one, that
// of the only one.
func (s *Shop) TechnicianNamed(id string) (string, error) {
	return only("technician", id, plans.NamesOf(s.Technicians, func(t plans.Technician) string { return t.ID }))
}

// only returns the id when it is one of those that there are, and without an id
// the only one.
func only(what, id string, ids []string) (string, error) {
	listed := strings.Join(ids, ", ")
	for _, known := range ids {
		if id == known || id == "" && len(ids) == 1 {
			return known, nil
		}
	}
	if id == "" {
		return "", fmt.Errorf("name the %s with --%s; the shop has: %s", what, what, listed)
	}
	return "", fmt.Errorf("the shop has no %s %q; it has: %s", what, id, listed)
}

// stepOf returns the step of a plan with an id.
func stepOf(plan *plans.Plan, id string) (*plans.Step, error) {
	ids := plans.NamesOf(plan.Steps, func(step plans.Step) string { return step.ID })
	if id == "" {
		return nil, errors.New("name the step; the plan has: " + strings.Join(ids, ", "))
	}
	if step, ok := plan.Step(id); ok {
		return step, nil
	}
	return nil, fmt.Errorf("the plan has no step %q; %s", id, document.DidYouMean(id, ids))
}
