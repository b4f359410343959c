package logs

import (
	"bytes"
	"fmt"
	"io"
	"runtime"
	"slices"
	"sync"
)

const (
	blockSize   = 256 << 10 // bytes read at a time
	longest     = 1 << 20   // bytes a line may have
	mostWorkers = 4
)

// lines cuts a file into pieces of whole lines.
type lines struct {
	name  string // for messages
	r     io.Reader
	carry []byte // the line that the last piece cut
	over  bool   // nothing more will come
}

// A piece is some whole lines of a file, the last one ended.
type piece struct {
	text []byte // in buf
	buf  []byte
	err  error // then there is no text
}

// fill reads the next whole lines into p.
func (l *lines) fill(p *piece) {
	p.buf = append(p.buf[:0], l.carry...)
	p.text, p.err = nil, nil
	for {
		have := len(p.buf)
		room := max(blockSize-have, blockSize/4)
		p.buf = slices.Grow(p.buf, room+1)[:have+room]
		n, err := io.ReadFull(l.r, p.buf[have:])
		p.buf = p.buf[:have+n]
		if err == io.EOF || err == io.ErrUnexpectedEOF {
			l.over, l.carry = true, nil
			if n := len(p.buf); n > 0 && p.buf[n-1] != '\n' {
				p.buf = append(p.buf, '\n')
			}
			p.text = p.buf
			return
		}
		if err != nil {
			p.err = err
			return
		}
		if i := bytes.LastIndexByte(p.buf, '\n'); i >= 0 {
			p.text, l.carry = p.buf[:i+1], p.buf[i+1:]
			return
		}
		if len(p.buf) > longest {
			p.err = tooLong(l.name)
			return
		}
	}
}

func tooLong(name string) *Problem {
	return &Problem{
		File: name,
		What: fmt.Sprintf("a line is longer than %d bytes", longest),
		Fix:  "a log has one row a line; is this the right file?",
	}
}

// A block is a piece of a file with what a parser made of it.
type block[T any] struct {
	piece
	out    T
	parsed chan struct{}
}

func newBlock[T any]() *block[T] {
	return &block[T]{parsed: make(chan struct{}, 1)}
}

// inBlocks reads a file from its first block on: one goroutine cuts the lines,
// several parse them, and each is given the blocks in the order of the file. It
// returns when all of them have ended.
//
// A fixed number of blocks goes round, so memory does not grow with the file,
// and every channel has room for all of them, so that nobody waits for good
// when the reading ends early.
func inBlocks[T any](l *lines, first *block[T], parse func([]byte, *T), each func(*block[T]) error) error {
	workers := min(max(runtime.GOMAXPROCS(0), 1), mostWorkers)
	blocks := 2*workers + 1
	free, ordered, work := make(chan *block[T], blocks), make(chan *block[T], blocks), make(chan *block[T], blocks)
	for range blocks - 1 {
		free <- newBlock[T]()
	}
	stop := make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() {
		defer func() { close(ordered); close(work) }()
		for b := first; ; {
			ordered <- b
			work <- b
			if l.over || b.err != nil {
				return
			}
			select {
			case b = <-free:
				l.fill(&b.piece)
			case <-stop:
				return
			}
		}
	})
	for range workers {
		wg.Go(func() {
			for b := range work {
				parse(b.text, &b.out)
				b.parsed <- struct{}{}
			}
		})
	}
	err := inOrder(ordered, free, each)
	close(stop)
	wg.Wait()
	return err
}

// inOrder waits for each block to be parsed, hands it on and gives it back.
func inOrder[T any](ordered <-chan *block[T], free chan<- *block[T], each func(*block[T]) error) error {
	for b := range ordered {
		<-b.parsed
		if b.err != nil {
			return b.err
		}
		if err := each(b); err != nil {
			return err
		}
		free <- b
	}
	return nil
}
