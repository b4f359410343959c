//go:build !linux

package probe

import (
	"context"
	"errors"
)

// Run is there on a bench that runs Linux alone: elsewhere the command's
// children could not be kept in sight.
func (l Load) Run(context.Context) (Ran, error) {
	if len(l.Args) == 0 {
		return Ran{}, errNoCommand
	}
	return Ran{}, errors.New("a load command can be run on a bench that runs Linux; " +
		"here, start it by hand and import its log")
}
