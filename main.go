// Command proveout is the acceptance test for repaired plug-in graphics cards:
// it leads through a written plan, judges what was measured, and issues the
// certificate.
package main

import (
	"os"

	"proveout/harness/command"
)

func main() { os.Exit(command.Main()) }
