package command

import (
	"os"

	"golang.org/x/term"
)

// terminalWidth is how many columns a terminal has; 0 where it does not tell.
func terminalWidth(f *os.File) int {
	columns, _, err := term.GetSize(int(f.Fd()))
	if err != nil {
		return 0
	}
	return max(columns, 0)
}

func isTerminal(f *os.File) bool { return term.IsTerminal(int(f.Fd())) }
