package session

import (
	"bufio"
	"errors"
	"io"
	"strings"
)

// ErrEnded says that the input ended, ErrStopped that the technician stopped.
// Either way everything confirmed is kept and the job goes on later.
var (
	ErrEnded   = errors.New("the input ended; run the job again to go on where it stands")
	ErrStopped = errors.New("stopped; run the job again to go on where it stands")
)

// maxLine bounds one answer.
const maxLine = 64 << 10

// An input reads answers in the background, so that a clock can run beside it.
type input struct {
	lines chan string
	ended error // why lines was closed
}

func newInput(r io.Reader) *input {
	in := &input{lines: make(chan string), ended: ErrEnded}
	go func() {
		scan := bufio.NewScanner(r)
		scan.Buffer(make([]byte, 0, 4096), maxLine)
		for scan.Scan() {
			in.lines <- strings.TrimSpace(visible(scan.Text())) // a terminal may have put control characters in
		}
		if err := scan.Err(); err != nil {
			in.ended = err
		}
		close(in.lines)
	}()
	return in
}
