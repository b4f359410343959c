package command

import (
	"context"
	"sync"
)

// An unissued is a document number that was taken and whose document is not yet
// written. When the program is stopped in between, the number is given back; in
// the middle of writing it is not stopped.
type unissued struct {
	mu       sync.Mutex
	giveBack func() // nil when there is none
}

// hold notes how the number is given back; nil when there is nothing to give
// back any more.
func (u *unissued) hold(giveBack func()) {
	if u == nil {
		return
	}
	u.mu.Lock()
	u.giveBack = giveBack
	u.mu.Unlock()
}

// settle begins to write the document, unless the work was stopped; settled
// ends it.
func (u *unissued) settle(ctx context.Context) error {
	if u != nil {
		u.mu.Lock()
	}
	err := ctx.Err()
	if err != nil && u != nil {
		u.mu.Unlock()
	}
	return err
}

func (u *unissued) settled() {
	if u == nil {
		return
	}
	u.giveBack = nil
	u.mu.Unlock()
}

// abandon gives the number back. The lock stays, so that nothing is written
// while the program ends.
func (u *unissued) abandon() {
	if u == nil {
		return
	}
	u.mu.Lock()
	if u.giveBack != nil {
		u.giveBack()
	}
}
