// Package atonce answers what needs nothing else of the program: its version.
//
// The libraries for documents and signatures do several times the work of a
// small program before main begins, and none of it can be put off: Go
// initialises every linked package first. It does so as packages become ready,
// in the order of their import paths (Go 1.21 release notes). This package needs
// only os and so is ready before those that need far more; its answer leaves
// before they begin. A test measures it. Nothing else may be done here.
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
