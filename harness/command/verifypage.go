package command

import (
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"

	"github.com/urfave/cli/v2"

	"proveout/harness/job"
	"proveout/report/checkpage"
)

// verifyPage writes the page with which a buyer checks certificates.
func (c *Console) verifyPage(x *cli.Context) error {
	if x.NArg() > 1 {
		return errors.New("verify page takes no files; drop them into the page")
	}
	out := x.String("out")
	if out == "" {
		return errors.New("name the file to write, as in: proveout verify page -o check.html")
	}
	path := c.path(out)
	if err := writeNew(path, checkpage.HTML()); err != nil {
		return err
	}
	fmt.Fprintf(c.Out, "Wrote %s\n", path)
	return nil
}

// writeNew writes a file that was not there.
func writeNew(path string, data []byte) error {
	err := job.WriteFile(path, data, job.KeepExisting)
	if errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("%s is there already; it was left as it is", path)
	}
	if dir := filepath.Dir(path); errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("there is no folder %s", dir)
	}
	return err
}
