package logs

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"io"
	"runtime"
	"sync"

	"proveout/harness/reading"
)

// FailureOptions say of a list of failing addresses what its text does not.
type FailureOptions = reading.FailureOptions

// A FailureSummary says what a list of failing addresses holds.
type FailureSummary struct {
	Rows    int64    // read
	Bad     int64    // set aside
	BadRows []BadRow // the first of them
	Header  bool     // a line names the columns; without one the order is address, written, read
	Lines   int64    // of the file
	Bits    int      // width of the values, unless a row has more digits
	Columns []reading.Column
	Ignored []string // headers of columns that were not read
	SHA256  string   // of the file, lower-case hex, when it was copied; else empty
	Size    int64    // bytes, when it was copied
}

// maxBadShare is the share of rows that may be unreadable before the list is
// refused as a whole: a closing remark is set aside, another kind of file is
// not taken for a list. Common practice, no source.
const maxBadShare = 0.01

// A failureBlock is a piece of the file and the rows parsed from it.
type failureBlock struct {
	block
	rows    []reading.Failure
	bad     rows // only its bad rows are used
	skipped int  // lines before the rows
	done    chan struct{}
}

// ReadFailures reads a list of failing addresses, gives its rows to each in the
// order of the file, and says what it holds. A list may be separated by commas,
// semicolons, tabs, bars or blanks; its columns are found by their headers, and
// without a header they are address, written, read. Numbers are hexadecimal in
// the usual spellings. each may be nil; the rows it is given are valid until it
// returns, and an error it returns ends the reading. Errors are of type
// *Problem where the list is at fault.
//
// The memory it takes does not depend on the length of the list: blocks are
// parsed on as many processors as there are, while each takes in the rows
// before.
func ReadFailures(in Input, o FailureOptions, each func([]reading.Failure) error) (FailureSummary, error) {
	if err := checkWidth(o.Bits); err != nil {
		return FailureSummary{}, err
	}
	s, err := readSample(in.Reader)
	if err != nil {
		return FailureSummary{}, fmt.Errorf("reading %s: %w", in.Name, err)
	}
	layout, problem := sniffFailures(in.Name, s, o)
	if problem != nil {
		return FailureSummary{}, problem
	}
	dec, err := newDecoder(layout.encoding)
	if err != nil {
		return FailureSummary{}, err
	}
	in.Reader = io.MultiReader(bytes.NewReader(s.bytes), in.Reader)
	f := &failureReader{layout: layout, before: layout.first, sum: layout.summary()}
	f.pipe = pipeline{in: in, dec: dec, sum: sha256.New(), stop: make(chan struct{})}
	if err := f.run(each); err != nil {
		return FailureSummary{}, err
	}
	return f.finish()
}

func checkWidth(bits int) error {
	switch bits {
	case 0, 8, 16, 32, 64:
		return nil
	}
	return fmt.Errorf("values of %d bits: the width is 8, 16, 32 or 64", bits)
}

type failureReader struct {
	pipe   pipeline
	layout failureLayout
	before int // lines before the rows that are still to be read
	sum    FailureSummary
}

// run starts the reader and the parsers and puts their rows in order.
func (f *failureReader) run(each func([]reading.Failure) error) error {
	workers := min(max(runtime.GOMAXPROCS(0), 1), mostWorker)
	n := 2*workers + 1
	free, ordered, work := make(chan *failureBlock, n), make(chan *failureBlock, n), make(chan *failureBlock, n)
	for range n {
		free <- &failureBlock{block: block{buf: make([]byte, 0, blockSize+1)}, done: make(chan struct{}, 1)}
	}
	var wg sync.WaitGroup
	wg.Go(func() {
		defer func() { close(ordered); close(work) }()
		for {
			select {
			case b := <-free:
				f.pipe.fill(&b.block)
				if f.pipe.in.Copy != nil {
					f.pipe.hash(&b.block)
				}
				f.skip(b)
				last := f.pipe.eof || b.err != nil
				ordered <- b
				work <- b
				if last {
					return
				}
			case <-f.pipe.stop:
				return
			}
		}
	})
	for range workers {
		wg.Go(func() {
			p := newFailureParser(&f.layout)
			for b := range work {
				p.parse(b)
				b.done <- struct{}{}
			}
		})
	}
	err := f.inOrder(ordered, free, each)
	close(f.pipe.stop)
	for b := range ordered {
		<-b.done
	}
	wg.Wait()
	return err
}

// skip takes the lines before the rows off a block.
func (f *failureReader) skip(b *failureBlock) {
	for b.skipped = 0; f.before > 0 && len(b.text) > 0; f.before-- {
		b.text = b.text[lineEnd(b.text, 0):]
		b.skipped++
	}
}

// inOrder hands on the rows of the blocks as they stand in the file.
func (f *failureReader) inOrder(ordered, free chan *failureBlock, each func([]reading.Failure) error) error {
	for b := range ordered {
		<-b.done
		if b.err != nil {
			return b.err
		}
		f.note(b)
		if each != nil && len(b.rows) > 0 {
			if err := each(b.rows); err != nil {
				return err
			}
		}
		free <- b
	}
	return nil
}

func (f *failureReader) note(b *failureBlock) {
	f.sum.Lines += int64(b.skipped)
	for _, bad := range b.bad.bad {
		if len(f.sum.BadRows) < keptBad {
			bad.Line += f.sum.Lines + 1
			f.sum.BadRows = append(f.sum.BadRows, bad)
		}
	}
	f.sum.Bad += b.bad.badCount
	f.sum.Rows += int64(len(b.rows))
	f.sum.Lines += int64(b.bad.lines)
}

func (f *failureReader) finish() (FailureSummary, error) {
	if f.pipe.copyErr != nil {
		return FailureSummary{}, f.pipe.copyErr
	}
	if f.pipe.in.Copy != nil {
		f.sum.SHA256, f.sum.Size = f.pipe.digest(), f.pipe.size
	}
	// One unreadable line may be a closing remark; a list of nothing else is none.
	if f.sum.Bad > 0 && (f.sum.Rows == 0 || f.sum.Bad > 1 && float64(f.sum.Bad) > maxBadShare*float64(f.sum.Rows+f.sum.Bad)) {
		p := f.sum.BadRows[0].problem(f.pipe.in.Name)
		if f.sum.Bad > 1 {
			p.What += fmt.Sprintf("; and %d more rows cannot be read", f.sum.Bad-1)
		}
		return FailureSummary{}, p
	}
	return f.sum, nil
}
