package conformity

import (
	"math"
	"strconv"
)

// A Number is a finite number; what is not finite is written as null.
type Number float64

// MarshalJSON writes null for NaN and infinities.
func (n Number) MarshalJSON() ([]byte, error) {
	f := float64(n)
	if !finite(f) {
		return []byte("null"), nil
	}
	return strconv.AppendFloat(nil, f, 'g', -1, 64), nil
}

// UnmarshalJSON reads what MarshalJSON wrote; null is NaN.
func (n *Number) UnmarshalJSON(text []byte) error {
	if string(text) == "null" {
		*n = Number(math.NaN())
		return nil
	}
	f, err := strconv.ParseFloat(string(text), 64)
	*n = Number(f)
	return err
}
