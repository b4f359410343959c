//go:build race

package command_test

// raceDetector says that the tests run ten times slower and look for races.
const raceDetector = true
