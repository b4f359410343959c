//go:build !race

package metric

const underRace = false
