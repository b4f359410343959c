package logs

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"

	"proveout/harness/reading"
)

// Files reads the logs and lists that a job names. open opens a file, each time
// it is read; nothing is kept of what is found out about one.
func Files(open func(reading.Evidence) (io.ReadCloser, error)) reading.Files { return files(open) }

// InMemory are the files that are in memory, by their SHA-256.
func InMemory(bySHA256 map[string][]byte) reading.Files {
	return files(func(e reading.Evidence) (io.ReadCloser, error) {
		data, ok := bySHA256[e.SHA256]
		if !ok {
			return nil, reading.ErrNoFile
		}
		return io.NopCloser(bytes.NewReader(data)), nil
	})
}

type files func(reading.Evidence) (io.ReadCloser, error)

func (f files) Open(e reading.Evidence) (io.ReadCloser, error) { return f(e) }

func (files) Recall(reading.Evidence, string) ([]byte, bool) { return nil, false }
func (files) Keep(reading.Evidence, string, []byte)          {}

func (f files) Rows(l *reading.Log) iter.Seq2[reading.Row, error] {
	return func(yield func(reading.Row, error) bool) {
		if l.Failures != nil {
			return
		}
		err := f.rows(l, func(r reading.Row) bool { return yield(r, nil) })
		if err != nil && !errors.Is(err, errStopped) {
			yield(reading.Row{}, err)
		}
	}
}

// rows gives the rows of the log's run to each until that wants no more.
func (f files) rows(l *reading.Log, each func(reading.Row) bool) error {
	var m Map
	if err := json.Unmarshal(l.Map, &m); err != nil {
		return fmt.Errorf("the map of the log: %w", err)
	}
	file, err := f(l.Evidence)
	if err != nil {
		return err
	}
	defer file.Close()
	values := make([]float64, len(m.Columns))
	_, err = Read(Input{Name: l.Name, Reader: file}, m, func(b *Batch) error {
		switch {
		case b.Run < l.Part:
			return nil
		case b.Run > l.Part:
			return errStopped
		}
		for i := range b.Len() {
			for c := range values {
				values[c] = b.Columns[c][i]
			}
			if !each(reading.Row{Line: b.Line(i), Values: values}) {
				return errStopped
			}
		}
		return nil
	})
	return err
}

func (f files) Failures(l *reading.Log) iter.Seq2[[]reading.Failure, error] {
	return func(yield func([]reading.Failure, error) bool) {
		err := f.failures(l, func(rows []reading.Failure) error {
			if !yield(rows, nil) {
				return errStopped
			}
			return nil
		})
		if err != nil && !errors.Is(err, errStopped) {
			yield(nil, err)
		}
	}
}

func (f files) failures(l *reading.Log, each func([]reading.Failure) error) error {
	if l.Failures == nil {
		return nil
	}
	file, err := f(l.Evidence)
	if err != nil {
		return err
	}
	defer file.Close()
	_, err = ReadFailures(Input{Name: l.Name, Reader: file}, *l.Failures, each)
	return err
}
