package reading

import "proveout/plans"

// The most that is read of each kind of file, in bytes. Each kind has one limit,
// so that no part of the program refuses what another took; a longer file is
// refused and never cut off.
const (
	MostTyped   = plans.MaxFile // written by a person: results, a log map
	MostDump    = 8 << 20       // dump of configuration space: some hundred devices of 4096 bytes as text
	MostPicture = 256 << 20     // photo, capture, dump of a frame buffer
)
