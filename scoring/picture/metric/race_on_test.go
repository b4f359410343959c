//go:build race

package metric

const underRace = true
