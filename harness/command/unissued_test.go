package command

import (
	"context"
	"testing"
	"time"
)

// A number is given back when the program ends before its document is begun,
// and kept once the document is written.
func TestUnissued(t *testing.T) {
	returned := 0
	giveBack := func() { returned++ }
	u := new(unissued)
	u.hold(giveBack)
	if err := u.settle(context.Background()); err != nil {
		t.Fatal(err)
	}
	ended := make(chan bool)
	go func() { u.abandon(); close(ended) }()
	select {
	case <-ended:
		t.Error("ended in the middle of writing")
	case <-time.After(20 * time.Millisecond):
	}
	u.settled()
	<-ended
	if returned != 0 {
		t.Error("the number of a written document was given back")
	}

	u = new(unissued)
	u.hold(giveBack)
	u.abandon()
	if returned != 1 {
		t.Error("the number was not given back")
	}

	u = new(unissued)
	stopped, stop := context.WithCancel(context.Background())
	stop()
	if err := u.settle(stopped); err == nil {
		t.Error("went on after it was stopped")
	}
	u.hold(nil) // not locked
	u.abandon()
	var none *unissued
	none.hold(giveBack)
	if err := none.settle(context.Background()); err != nil {
		t.Error(err)
	}
	none.settled()
	none.abandon()
}
