//go:build race

package picture

// underRace says that the race detector is on and makes everything slow: the
// sweeps then shrink.
const underRace = true
