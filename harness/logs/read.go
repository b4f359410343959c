package logs

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"sync"

	"proveout/harness/reading"
)

const (
	blockSize  = 256 << 10 // bytes read at a time
	longest    = 1 << 20   // bytes a line may have
	keptBad    = 20        // bad rows that a summary describes
	mostWorker = 4
)

// An Input is a log to be read.
type Input struct {
	Name   string // for messages
	Reader io.Reader
	Copy   io.Writer // receives the bytes of the log as they are read; may be nil
}

// A Summary says what a log holds.
type Summary struct {
	Map     Map              // it was read with
	Columns []reading.Column // of the rows, in the order of Batch.Columns
	Runs    []Run
	Count   int64    // rows of all runs
	Bad     int64    // rows set aside
	BadRows []BadRow // the first of them
	Ignored []Ignored
	SHA256  string // of the file, lower-case hex
	Size    int64  // bytes
}

// A Run is one run of a log.
type Run struct {
	Number  int     // from 1
	Count   int64   // rows
	Seconds float64 // first to last time; 0 when the log has no time
	First   int64   // line of its first row
}

// An Ignored is a column of the file that the map does not read.
type Ignored struct {
	Header string
	Why    string
}

// A Batch is some rows of one run, column by column, in base units; NaN where
// the log has no value. It is valid until the function it was given to returns.
type Batch struct {
	Run     int
	Columns [][]float64
	first   int64
	line    []int32
}

// Len returns the number of rows.
func (b *Batch) Len() int { return len(b.line) }

// Line returns the line in the file, from 1, that row i stands on.
func (b *Batch) Line(i int) int64 { return b.first + int64(b.line[i]) }

// Import reads the log in a file to its end and says what it holds. A map
// without a format is sniffed. Errors are of type *Problem where the log is at
// fault.
func Import(path string, m Map) (Summary, error) {
	f, err := os.Open(path)
	if err != nil {
		return Summary{}, fmt.Errorf("reading the log: %w", err)
	}
	defer f.Close()
	return Read(Input{Name: filepath.Base(path), Reader: f}, m, nil)
}

// Read reads a log, gives its rows to each in the order of the file, and says
// what it holds. each may be nil; an error it returns ends the reading and is
// returned. A map without a format is sniffed from the first bytes.
func Read(in Input, m Map, each func(*Batch) error) (Summary, error) {
	if m.Format == "" {
		sample, err := readSample(in.Reader)
		if err != nil {
			return Summary{}, fmt.Errorf("reading %s: %w", in.Name, err)
		}
		if m, err = sniffMap(in.Name, sample); err != nil {
			return Summary{}, err
		}
		in.Reader = io.MultiReader(bytes.NewReader(sample.bytes), in.Reader)
	}
	if m.Encoding == "" {
		m.Encoding = UTF8
	}
	if m.Decimal == "" {
		m.Decimal = "."
	}
	if errs := m.Check(); len(errs) > 0 {
		return Summary{}, &Problem{File: in.Name, What: "log map: " + errs[0].Error(), Fix: errs[0].Fix}
	}
	dec, err := newDecoder(m.Encoding)
	if err != nil {
		return Summary{}, err
	}
	p := &pipeline{
		in: in, m: m, dec: dec, sum: sha256.New(),
		workers: min(max(runtime.GOMAXPROCS(0), 1), mostWorker),
		stop:    make(chan struct{}),
	}
	return p.run(each)
}

// A parser turns whole lines into rows. It may be used by several goroutines at
// once.
type parser interface {
	// parse reads the lines of text, which ends in a line feed, into out.
	parse(text []byte, out *rows)
	// find returns the character, from 1, at which column col begins in a line;
	// 0 when it does not.
	find(line []byte, col int) int
}

// A block is a piece of the file with whole lines in it.
type block struct {
	buf     []byte // holds text
	store   []byte // raw bytes, when they are not the text
	raw     []byte // bytes of the file that came with this block
	text    []byte // whole lines, the last one ended
	out     rows
	err     error
	copyErr error // writing the copy so far
	hashed  chan struct{}
	parsed  chan struct{}
}

type pipeline struct {
	in      Input
	m       Map
	dec     decoder
	sum     hash.Hash
	size    int64
	copyErr error
	workers int
	carry   []byte
	line    int64 // lines before the next block
	eof     bool
	stop    chan struct{}
	parser  parser
	ignored []Ignored
}

var errStopped = errors.New("stopped")

// run starts the reader, the hash and the workers, and puts their rows in order.
func (p *pipeline) run(each func(*Batch) error) (Summary, error) {
	first := newBlock()
	p.fill(first)
	if err := p.begin(first); err != nil {
		return Summary{}, err
	}
	n := 2*p.workers + 1
	free := make(chan *block, n)
	ordered, work, sums := make(chan *block, n), make(chan *block, n), make(chan *block, n)
	for range n - 1 {
		free <- newBlock()
	}
	var wg sync.WaitGroup
	wg.Go(func() {
		defer func() { close(ordered); close(work); close(sums) }()
		for b := first; ; {
			sums <- b
			work <- b
			ordered <- b
			if p.eof || b.err != nil {
				return
			}
			select {
			case b = <-free:
				p.fill(b)
			case <-p.stop:
				return
			}
		}
	})
	wg.Go(func() {
		for b := range sums {
			p.hash(b)
			b.hashed <- struct{}{}
		}
	})
	for range p.workers {
		wg.Go(func() {
			for b := range work {
				p.parser.parse(b.text, &b.out)
				b.parsed <- struct{}{}
			}
		})
	}
	o := newOrder(p, each)
	err := o.blocks(ordered, free)
	close(p.stop)
	wg.Wait()
	if err != nil {
		return Summary{}, err
	}
	return o.finish()
}

func newBlock() *block {
	return &block{
		buf:    make([]byte, 0, blockSize+1),
		hashed: make(chan struct{}, 1), parsed: make(chan struct{}, 1),
	}
}

// hash adds the block to the SHA-256 and to the copy.
func (p *pipeline) hash(b *block) {
	p.sum.Write(b.raw)
	p.size += int64(len(b.raw))
	if p.in.Copy != nil && p.copyErr == nil {
		_, p.copyErr = p.in.Copy.Write(b.raw)
	}
	b.copyErr = p.copyErr
}

// fill reads the next whole lines into b.
func (p *pipeline) fill(b *block) {
	b.buf = append(b.buf[:0], p.carry...)
	b.store = b.store[:0]
	b.err, b.text = nil, nil
	had := len(p.carry)
	for {
		p.more(b)
		if p.dec == nil {
			b.raw = b.buf[had:]
		} else {
			b.raw = b.store
		}
		if p.eof || b.err != nil {
			if n := len(b.buf); n > 0 && b.buf[n-1] != '\n' {
				b.buf = append(b.buf, '\n') // may move buf; raw keeps the old bytes
			}
			b.text, p.carry = b.buf, nil
			return
		}
		if i := bytes.LastIndexByte(b.buf, '\n'); i >= 0 {
			b.text, p.carry = b.buf[:i+1], b.buf[i+1:]
			return
		}
		if len(b.buf) > longest {
			b.err = &Problem{File: p.in.Name, What: fmt.Sprintf("a line is longer than %d bytes", longest),
				Fix: "a log has one row a line; is this the right file?"}
		}
	}
}

// more reads one more piece of the file behind b.buf.
func (p *pipeline) more(b *block) {
	at := b.buf
	room := max(blockSize-len(at), blockSize/4)
	if p.dec != nil {
		at, room = b.store, blockSize/3
	}
	at = growBytes(at, room)
	n, err := io.ReadFull(p.in.Reader, at[len(at):len(at)+room])
	fresh := at[len(at) : len(at)+n]
	switch err {
	case nil:
	case io.EOF, io.ErrUnexpectedEOF:
		p.eof = true
	default:
		b.err = fmt.Errorf("reading %s: %w", p.in.Name, err)
	}
	if p.dec == nil {
		b.buf = at[:len(at)+n]
		return
	}
	b.store = at[:len(at)+n]
	b.buf = p.dec.decode(b.buf, fresh, p.eof)
}

func growBytes(b []byte, room int) []byte {
	if cap(b)-len(b) >= room {
		return b
	}
	grown := make([]byte, len(b), len(b)+room)
	copy(grown, b)
	return grown
}

// begin reads what stands before the rows and makes the parser.
func (p *pipeline) begin(b *block) error {
	if b.err != nil {
		return b.err
	}
	if m := p.m.Encoding; m != UTF16LE && m != UTF16BE && (bytes.HasPrefix(b.raw, []byte{0xff, 0xfe}) || bytes.HasPrefix(b.raw, []byte{0xfe, 0xff})) {
		return &Problem{File: p.in.Name, Line: 1, Column: 1, What: fmt.Sprintf("the file is in UTF-16, the log map says %s", m), Fix: `write encoding = "utf-16le" or "utf-16be" in the log map`}
	}
	b.text = bytes.TrimPrefix(b.text, []byte("\xef\xbb\xbf"))
	if len(bytes.TrimSpace(b.text)) == 0 && p.eof {
		return &Problem{File: p.in.Name, Line: 1, Column: 1, What: "the log is empty",
			Fix: "copy the file again, or check that the program wrote it"}
	}
	var clk *clock
	tc := -1
	for i, c := range p.m.Columns {
		if c.Quantity == "time" {
			tc = i
			if c.Time != "" {
				clk, _ = newClock(c.Time)
			}
		}
	}
	var err error
	switch p.m.Format {
	case Delimited:
		var header []byte
		for range p.m.Header {
			i := bytes.IndexByte(b.text, '\n')
			if i < 0 {
				return &Problem{File: p.in.Name, Line: p.line + 1, What: fmt.Sprintf("the log ends before its header on line %d", p.m.Header), Fix: "check the key header of the log map"}
			}
			header, b.text = b.text[:i], b.text[i+1:]
			p.line++
		}
		for range p.m.Skip {
			i := bytes.IndexByte(b.text, '\n')
			b.text = b.text[i+1:]
			if i >= 0 {
				p.line++
			}
		}
		p.parser, p.ignored, err = newDelimited(p.in.Name, &p.m, header, clk)
	case JSONLines:
		p.parser = newObjects(&p.m, clk)
	case Text:
		p.parser, err = newFreeText(&p.m, clk)
	}
	if err != nil {
		return err
	}
	if clk != nil && !clk.daily && !clk.minute {
		p.setBase(b.text, clk, tc)
	}
	return nil
}

// setBase makes the first time of the log the base of its clock.
func (p *pipeline) setBase(text []byte, clk *clock, tc int) {
	if len(text) > 16<<10 {
		text = text[:16<<10]
		text = text[:bytes.LastIndexByte(text, '\n')+1]
	}
	var out rows
	p.parser.parse(text, &out)
	for i := range out.n {
		if v := out.cols[tc][i]; v == v {
			clk.base = int64(v)
			return
		}
	}
}

func (p *pipeline) digest() string { return hex.EncodeToString(p.sum.Sum(nil)) }
