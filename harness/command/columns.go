package command

import (
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// printColumns prints a table with its columns flush right below their heads.
func printColumns(w io.Writer, heads []string, rows [][]string) {
	widths := make([]int, len(heads))
	for _, row := range append([][]string{heads}, rows...) {
		for i, cell := range row {
			widths[i] = max(widths[i], utf8.RuneCountInString(cell))
		}
	}
	for _, row := range append([][]string{heads}, rows...) {
		var line strings.Builder
		for i, cell := range row {
			line.WriteString("  " + strings.Repeat(" ", widths[i]-utf8.RuneCountInString(cell)) + cell)
		}
		fmt.Fprintln(w, line.String())
	}
}
