package reading

import (
	"errors"
	"fmt"
	"io"
	"iter"
)

// Files reads the files that a job names, by their SHA-256. It stands beside
// the record, which is only values: the same job is read from its folder, from
// the files inside a certificate, or from a folder of a buyer.
type Files interface {
	// Open opens a file. The error wraps [ErrNoFile] when it is not at hand.
	Open(Evidence) (io.ReadCloser, error)

	// Rows streams the rows of a log, so that one of any length needs little
	// memory; a list of failing addresses has none.
	Rows(*Log) iter.Seq2[Row, error]

	// Failures streams the rows of a list of failing addresses.
	Failures(*Log) iter.Seq2[Failure, error]

	// Recall returns what was found out about a file before and kept under the
	// key. Keep keeps it; it need not.
	Recall(of Evidence, key string) (found []byte, ok bool)
	Keep(of Evidence, key string, found []byte)
}

// An Opener opens a file that a job names, each time it is read. The error wraps
// [ErrNoFile] when it is not at hand.
type Opener = func(Evidence) (io.ReadCloser, error)

// ErrNoFile is the error of a file that is not at hand.
var ErrNoFile = errors.New("the file is not at hand")

// ReadAll reads a file of at most so many bytes whole. A longer one is an
// error: nothing is cut off.
func ReadAll(files Files, e Evidence, most int64) ([]byte, error) {
	r, err := files.Open(e)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	data, err := io.ReadAll(io.LimitReader(r, most+1))
	if err == nil && int64(len(data)) > most {
		err = fmt.Errorf("%s has more than %d bytes", e.Name, most)
	}
	return data, err
}

// A Failure is one row of a list of failing addresses.
type Failure struct {
	Address     int64   // byte address within the memory, from 0; below 0 when the list's lies before its base
	Written     uint64  // value written; byte 0 (the low byte) at Address
	Read        uint64  // value read back
	Bits        int     // width of the value: 8, 16, 32 or 64
	Seconds     float64 // time since any fixed instant; NaN when not listed
	Celsius     float64 // temperature at that time; NaN when not listed
	PatternName string  // name of the test's data pattern; empty when not listed
}

// A Row is one line of a log in base units, NaN where the log has no value. It
// is valid until the next row is asked for.
type Row struct {
	Run    int   // of the file, from 1
	Line   int64 // line in the file, from 1
	Values []float64
}
