// Package atonce answers what needs nothing else of the program: its version.
//
// The libraries for documents and signatures do several times the work of a
// small program before main begins, and none of it can be put off: Go
// initialises every linked package first. It does so in the order of import
// paths among those that are ready (Go 1.21 release notes), so this package,
// which needs only os and sorts before them, comes first. Its answer leaves
// before they begin. Nothing else may be done here.
package atonce

import "os"

// Version is the version that documents name.
const Version = "1.0.0"

func init() {
	if len(os.Args) == 2 && (os.Args[1] == "--version" || os.Args[1] == "-v") {
		if _, err := os.Stdout.WriteString("proveout " + Version + "\n"); err != nil {
			os.Exit(2)
		}
		os.Exit(0)
	}
}
