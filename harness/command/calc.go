package command

import (
	"os"

	"github.com/urfave/cli/v2"

	"proveout/harness/logs"
	"proveout/harness/reading"
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

var mapFlag = &cli.StringFlag{Name: "map", Usage: "log map `FILE`"}

// mapFor returns the map of --map, or the one that the log itself suggests.
func (c *Console) mapFor(x *cli.Context, name string) (logs.Map, error) {
	if x.String("map") != "" {
		shop, _ := c.shopDir(x)
		return c.logMap(shop, x.String("map"))
	}
	f, err := os.Open(c.path(name))
	if err != nil {
		return logs.Map{}, err
	}
	defer f.Close()
	return logs.Sniff(name, f)
}

func (c *Console) streamLog(name string, m logs.Map, each func(reading.Row) error) (logs.Summary, error) {
	f, err := os.Open(c.path(name))
	if err != nil {
		return logs.Summary{}, err
	}
	defer f.Close()
	return logs.Read(name, f, m, each)
}
