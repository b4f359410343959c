package command

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/harness/job"
	"proveout/harness/logs"
	"proveout/harness/reading"
	"proveout/plans"
	"proveout/scoring/bus"
)

// failureFlags say of a list of failing addresses what its text does not.
var failureFlags = []cli.Flag{
	&cli.StringFlag{
		Name:  "pool",
		Usage: "which `MEMORY` of the card a list of failing addresses is about: frame or texture",
	},
	&cli.StringFlag{
		Name: "base",
		Usage: "`ADDRESS` of the memory's first byte, taken off every address of the list, as in 0xE0000000; " +
			"of a capture, where its first pixel lies in the memory, as in \"2 MiB\"",
	},
	&cli.IntFlag{Name: "width", Usage: "width of the listed values in `BITS`; else as their digits say"},
}

// failureOptions reads the flags of a list of failing addresses.
func failureOptions(x *cli.Context, family *plans.Family) (logs.FailureOptions, error) {
	o := logs.FailureOptions{Bits: x.Int("width"), Pool: x.String("pool")}
	switch o.Bits {
	case 0, 8, 16, 32, 64:
	default:
		return o, fmt.Errorf("--width: %d is no width of a value; it is 8, 16, 32 or 64", o.Bits)
	}
	if text := x.String("base"); text != "" {
		base, ok := logs.ParseHex(text)
		if !ok {
			return o, fmt.Errorf("--base: %q is not a hexadecimal address; write it as in 0xE0000000", text)
		}
		o.Base = base
	}
	if family != nil {
		if _, err := choosePool(family, o.Pool); err != nil {
			return o, err
		}
	}
	return o, nil
}

// choosePool returns the memory of a family by name, or its only one.
func choosePool(family *plans.Family, name string) (*plans.MemoryPool, error) {
	var names []string
	for i := range family.Memory {
		p := &family.Memory[i]
		if p.Name == name || len(family.Memory) == 1 && name == "" {
			if len(p.Banks) == 0 || p.ChipBits == 0 {
				return nil, fmt.Errorf("family %q does not say which chips its memory is made of; "+
					"add chip, bus and banks to it", family.ID)
			}
			return p, nil
		}
		names = append(names, p.Name)
	}
	switch {
	case len(family.Memory) == 0:
		return nil, fmt.Errorf("family %q states no memory", family.ID)
	case name == "":
		return nil, fmt.Errorf("family %q has several memories: say which with --pool %s",
			family.ID, strings.Join(names, " or --pool "))
	}
	return nil, fmt.Errorf("family %q has no memory %q", family.ID, name)
}

// refuseFailures refuses a list before anything is recorded: for what its flags
// say, and with whole for what it holds.
func (c *Console) refuseFailures(x *cli.Context, k *openCase, path string, whole bool) error {
	o, err := failureOptions(x, k.input.Family)
	if err != nil || !whole {
		return err
	}
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	in := logs.Input{Name: filepath.Base(path), Reader: f}
	_, err = logs.ReadFailures(in, o, func([]reading.Failure) error { return x.Context.Err() })
	return err
}

// importFailures takes a list of failing addresses as evidence.
func (c *Console) importFailures(x *cli.Context, k *openCase, f *job.Folder, in job.Import) (imported, error) {
	options, err := failureOptions(x, k.input.Family)
	if err != nil {
		return imported{}, err
	}
	each := func([]reading.Failure) error { return x.Context.Err() }
	sum, err := f.ImportFailures(job.FailureImport{Import: in, Options: options, Each: each})
	if err != nil {
		return imported{}, err
	}
	one := imported{
		File: filepath.Base(in.Path), SHA256: sum.SHA256, Kind: "failing-addresses",
		Rows: sum.Rows, Bad: sum.Bad, Runs: 1, Columns: columnsOf(sum.Columns),
	}
	k.begun(in.Step, in.Attempt)
	return one, nil
}

// importDump takes a dump of configuration space as evidence. One that holds no
// device is refused.
func (c *Console) importDump(k *openCase, f *job.Folder, start job.Entry, path string, fresh bool) (imported, error) {
	devices, err := c.readDump(path)
	if err != nil {
		return imported{}, err
	}
	e, err := f.Keep(path, "dump", "")
	if err != nil {
		return imported{}, err
	}
	entries := []job.Entry{{Kind: job.Dumped, Step: start.Step, Attempt: start.Attempt, By: start.By, File: &e}}
	if fresh {
		entries = append([]job.Entry{start}, entries...)
	}
	if err := f.Append(entries...); err != nil {
		return imported{}, err
	}
	k.begun(start.Step, start.Attempt)
	return imported{File: e.Name, SHA256: e.SHA256, Kind: "dump", Devices: len(devices)}, nil
}

// begun notes that an attempt has its first file, so that the next one joins it.
func (k *openCase) begun(step string, attempt int) {
	k.input.Job.Attempts[step] = append(k.input.Job.Attempts[step], reading.Attempt{Number: attempt})
}

// readDump decodes the devices of a dump. Its errors name the file and the line.
func (c *Console) readDump(path string) ([]bus.Device, error) {
	data, err := c.readInput(path, reading.MostDump)
	if err != nil {
		return nil, err
	}
	return c.decodeDump(filepath.Base(path), data)
}

// readInput reads a whole file of at most so many bytes; "-" is the standard
// input.
func (c *Console) readInput(name string, most int64) ([]byte, error) {
	in := c.In
	if name != "-" {
		f, err := os.Open(c.path(name))
		if err != nil {
			return nil, err
		}
		defer f.Close()
		if info, err := f.Stat(); err == nil && info.IsDir() {
			return nil, fmt.Errorf("%s is a folder, not a file", name)
		}
		in = f
	}
	data, err := io.ReadAll(io.LimitReader(in, most+1))
	if err != nil {
		return nil, fmt.Errorf("reading %s: %w", name, err)
	}
	if int64(len(data)) > most {
		return nil, fmt.Errorf("%s is larger than %d KiB: is this the right file?", name, most>>10)
	}
	return data, nil
}

func (c *Console) decodeDump(name string, data []byte) ([]bus.Device, error) {
	spaces, problems := bus.ParseConfig(data)
	var errs []error
	for _, p := range problems {
		fix := "give rows of 16 bytes behind their offset, or the raw bytes: 64, 256 or 4096"
		if p.Line > 0 {
			fix = "give rows of 16 bytes behind their offset, as in \"00: f5 e1 66 01 …\""
		}
		errs = append(errs, &logs.Problem{File: name, Line: int64(p.Line), What: c.words().Tell(p.What), Fix: fix})
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	var devices []bus.Device
	for _, s := range spaces {
		if d, ok := bus.Decode(s); ok {
			devices = append(devices, d)
		}
	}
	return devices, nil
}
