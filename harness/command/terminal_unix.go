//go:build !windows

package command

import "os"

// escapes reports whether the terminal takes control sequences.
func escapes(*os.File) bool { return true }
