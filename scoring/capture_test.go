package scoring

import (
	"slices"
	"testing"

	"proveout/plans"
	"proveout/scoring/picture/pattern"
)

// Plans may name exactly the pictures that can be made in some pixel format.
func TestPlansNameThePicturesThatCanBeMade(t *testing.T) {
	made := map[string]bool{}
	for _, f := range pattern.Formats() {
		for _, p := range pattern.All(pattern.Mode{Width: 640, Height: 480, Format: f}) {
			made[p.Name()] = true
		}
	}
	for _, name := range plans.TestPictures() {
		if !made[name] {
			t.Errorf("plans may name %q, which cannot be made", name)
		}
	}
	for name := range made {
		if !slices.Contains(plans.TestPictures(), name) || !plans.IsTestPicture(name) {
			t.Errorf("plans may not name %q, which can be made", name)
		}
	}
	m := pattern.Mode{Width: 640, Height: 480, Format: pattern.RGB565}
	for _, name := range []string{
		"random-0", "random-1023", "random-1024", "random-inverse-7", "random--1", "random-01", "random-x",
	} {
		_, err := pattern.ParseName(name, m)
		if known := plans.IsTestPicture(name); known != (err == nil) && name != "random-01" {
			t.Errorf("%q: in a plan %v, made %v", name, known, err)
		}
	}
}
