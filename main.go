// Command proveout is the acceptance test for repaired plug-in graphics cards:
// it leads through a written plan, judges what was measured, and issues the
// certificate.
package main

import (
	"embed"
	"os"

	"proveout/harness/command"
)

//go:embed testdata/demo
var demoFiles embed.FS

func main() { os.Exit(command.Main(demoFiles)) }
