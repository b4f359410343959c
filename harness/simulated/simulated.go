// Package simulated makes whole cards on whole benches, good ones and such with
// a known fault, and takes them through a plan the way a technician does.
//
// A plan, a family and a shop come in; how often a good card is accepted, and
// how often each fault is noticed, come out. Cards are made from the physics and
// the standards; they go through the readers and the scoring that real cards go
// through: answers, logs, dumps, captures and failing lists are files, imported
// by package workflow. Nothing here judges, and nothing that judges may import
// it. Quantities are in base units; the same seed gives the same cards.
package simulated

import (
	"hash/fnv"
	"math/rand/v2"
	"strconv"
)

// dice are the chance of one simulated card.
type dice struct{ *rand.Rand }

// throw makes the dice of the card with a number in a row of the catalogue.
func throw(seed uint32, row string, number int) dice {
	h := fnv.New64a()
	h.Write([]byte(row + " " + strconv.Itoa(number)))
	return dice{rand.New(rand.NewPCG(uint64(seed), h.Sum64()))}
}

func (d dice) chance(p float64) bool             { return d.Float64() < p }
func (d dice) between(low, high float64) float64 { return low + (high-low)*d.Float64() }
func (d dice) normal(sd float64) float64         { return sd * d.NormFloat64() }
