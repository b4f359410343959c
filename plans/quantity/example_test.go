package quantity_test

import (
	"fmt"

	"proveout/plans/quantity"
)

func ExampleParse() {
	q, err := quantity.Parse("137 MHz ±1 %", quantity.Frequency)
	fmt.Println(q.Value, q.Low(), q.High(), err)

	_, err = quantity.Parse("136,8 MHz", quantity.Frequency)
	fmt.Println(err)

	// Output:
	// 1.37e+08 1.3563e+08 1.3837e+08 <nil>
	// decimal comma; write "136.8 MHz"
}

func ExampleFormat() {
	fmt.Println(quantity.Format(136.8e6, 1e6, quantity.Frequency)) // known to 1 MHz
	fmt.Println(quantity.Format(136.8e6, 1e3, quantity.Frequency)) // known to 1 kHz
	fmt.Println(quantity.Format(20<<20, 0, quantity.Bytes))
	// Output:
	// 137 MHz
	// 136.800 MHz
	// 20 MiB
}

// The resistance of JCGM 100:2008, 7.2.6 (values from memory), and one whose U
// is above the unit.
func ExampleRounded() {
	fmt.Println(quantity.Rounded(10.05762, 0.027))
	fmt.Println(quantity.Rounded(1234, 150))
	// Output:
	// 10.058 0.027
	// 1230 150
}

func ExampleInFile() {
	f, _ := quantity.InFile(quantity.Temperature, "degF")
	fmt.Println(f.Name, f.Base(212))
	// Output: °F 100
}
