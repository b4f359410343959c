package logs

import (
	"testing"
	"time"
)

func TestPace(t *testing.T) {
	var p Pace
	if p.Stalled(19*time.Second) || !p.Stalled(20*time.Second) {
		t.Error("without a pace, 20 s of silence are too long")
	}
	for range 5 {
		p.Grew(time.Minute)
	}
	if p.Stalled(239*time.Second) || !p.Stalled(240*time.Second) {
		t.Error("with a row a minute, four minutes of silence are too long")
	}
}
