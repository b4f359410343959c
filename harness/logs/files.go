package logs

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"

	"proveout/harness/reading"
)

// Files reads the logs and lists that a job names. Nothing is kept of what is
// found out about a file.
func Files(open reading.Opener) reading.Files { return files(open) }

type files func(reading.Evidence) (io.ReadCloser, error)

func (f files) Open(e reading.Evidence) (io.ReadCloser, error) { return f(e) }

func (files) Recall(reading.Evidence, string) ([]byte, bool) { return nil, false }
func (files) Keep(reading.Evidence, string, []byte)          {}

func (f files) Rows(l *reading.Log) iter.Seq2[reading.Row, error] {
	if l.Failures != nil {
		return nothing
	}
	return streamed(f, l, func(in io.Reader, each func(reading.Row) error) error {
		var m Map
		if err := json.Unmarshal(l.Map, &m); err != nil {
			return fmt.Errorf("the map of the log: %w", err)
		}
		_, err := Read(l.Name, in, m, func(row reading.Row) error {
			switch {
			case row.Run < l.Part:
				return nil
			case row.Run > l.Part:
				return errStopped
			}
			return each(row)
		})
		return err
	})
}

func (f files) Failures(l *reading.Log) iter.Seq2[reading.Failure, error] {
	if l.Failures == nil {
		return nothing
	}
	return streamed(f, l, func(in io.Reader, each func(reading.Failure) error) error {
		_, err := ReadFailures(l.Name, in, *l.Failures, each)
		return err
	})
}

func nothing[T any](func(T, error) bool) {}

// errStopped ends a reading that has brought enough.
var errStopped = errors.New("stopped")

// streamed makes a sequence of what read finds in the file of a log.
func streamed[T any](
	f files, l *reading.Log, read func(in io.Reader, each func(T) error) error,
) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		var none T
		file, err := f(l.Evidence)
		if err != nil {
			yield(none, err)
			return
		}
		defer file.Close()
		err = read(file, func(v T) error {
			if !yield(v, nil) {
				return errStopped
			}
			return nil
		})
		if err != nil && !errors.Is(err, errStopped) {
			yield(none, err)
		}
	}
}
