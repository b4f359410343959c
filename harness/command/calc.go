package command

import (
	"github.com/urfave/cli/v2"

	"proveout/harness/workflow"
)

func (c *Console) calcCommands() *cli.Command {
	return &cli.Command{
		Name:  "calc",
		Usage: "use one computation alone",
		Subcommands: []*cli.Command{
			c.calcConform(), c.calcRange(), c.calcThermal(), c.calcFrames(), c.calcSoakLength(),
			c.calcPCI(), c.calcEDID(), c.calcTiming(), c.calcClock(), c.calcMemorySize(), c.calcMemoryFaults(),
		},
	}
}

var mapFlag = textFlag("map", "log map `FILE`")

// logFile is a log to be read with the map of --map, or as its header says.
func (c *Console) logFile(x *cli.Context, name string) (*workflow.LogFile, error) {
	shop, _ := c.shopDir(x) // a map by path needs no shop
	m, err := c.namedMap(x, shop)
	if err != nil {
		return nil, err
	}
	f := &workflow.LogFile{Path: c.path(name), Name: name}
	if m != nil {
		f.Map = *m
	}
	return f, nil
}
