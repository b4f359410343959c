//go:build race

package logs

// raced tells whether the tests run under the race detector.
const raced = true
