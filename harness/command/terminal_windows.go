package command

import (
	"os"

	"golang.org/x/sys/windows"
)

// escapes makes the console take control sequences and reports whether it does.
func escapes(f *os.File) bool {
	h := windows.Handle(f.Fd())
	var mode uint32
	if windows.GetConsoleMode(h, &mode) != nil {
		return false
	}
	return windows.SetConsoleMode(h, mode|windows.ENABLE_VIRTUAL_TERMINAL_PROCESSING) == nil
}
