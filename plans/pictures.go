package plans

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// TestPictures lists the names of the test pictures that a plan may name. The
// seeds of the random pictures run from 0 to 1023; one stands for all.
func TestPictures() []string {
	out := []string{"random-1", "random-inverse-1", "ramp", "grid"}
	for _, c := range []string{"black", "white", "red", "green", "blue", "yellow", "cyan", "magenta", "grey"} {
		out = append(out, "solid-"+c)
	}
	for _, k := range []string{"checker", "columns", "rows", "text"} {
		out = append(out, k, k+"-inverse")
	}
	for _, k := range []string{"plane", "bit"} {
		for _, channel := range []string{"red", "green", "blue"} {
			for bit := 7; bit >= 0; bit-- {
				name := fmt.Sprintf("%s-%s-%d", k, channel, bit)
				out = append(out, name, name+"-inverse")
			}
		}
	}
	return out
}

// IsTestPicture reports whether there is a test picture of the name in some
// pixel format.
func IsTestPicture(name string) bool {
	for _, family := range []string{"random-inverse-", "random-"} {
		if rest, ok := strings.CutPrefix(name, family); ok {
			n, err := strconv.Atoi(rest)
			return err == nil && n >= 0 && n <= 1023 && rest == strconv.Itoa(n)
		}
	}
	return slices.Contains(TestPictures(), name)
}
