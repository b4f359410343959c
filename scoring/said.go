package scoring

import (
	"errors"
	"math"
	"strconv"
	"strings"

	"proveout/plans/fact"
	"proveout/report/words"
)

// said is a fact in English words, for outcomes that still hold sentences.
func said(f fact.Fact) string {
	english, err := words.In("en")
	if err != nil {
		panic(err) // the catalogue is part of the program
	}
	return english.Plain().Tell(f)
}

func saidAll(facts []fact.Fact) []string {
	var out []string
	for _, f := range facts {
		out = append(out, said(f))
	}
	return out
}

// saidOfError is what an error has to say, in English words.
func saidOfError(err error) string {
	var told fact.Error
	if errors.As(err, &told) {
		return said(told.Fact)
	}
	return err.Error()
}

// english is a sentence that has no fact yet.
func english(text string) fact.Fact {
	if text == "" {
		return fact.Fact{}
	}
	return fact.New("english", "text", text)
}

func englishAll(texts []string) []fact.Fact {
	var out []fact.Fact
	for _, t := range texts {
		out = append(out, english(t))
	}
	return out
}

// showValue writes value ± U with U to two significant digits and the value to
// the same decimal place.
//
// Source: JCGM 100:2008, 7.2.6.
func showValue(value, expanded float64, unit string) string {
	if math.IsNaN(expanded) || expanded <= 0 || math.IsInf(expanded, 0) {
		return withUnit(trimmed(value), unit)
	}
	decimals := 1 - int(math.Floor(math.Log10(expanded)))
	if decimals < 0 {
		decimals = 0
	}
	if decimals > 9 {
		decimals = 9
	}
	return withUnit(strconv.FormatFloat(value, 'f', decimals, 64)+" ± "+strconv.FormatFloat(expanded, 'f', decimals, 64), unit)
}

func withUnit(number, unit string) string {
	switch unit {
	case "":
		return number
	}
	if strings.Contains(number, " ± ") {
		return "(" + number + ") " + unit
	}
	return number + " " + unit
}

// trimmed writes a number with up to six significant digits and no trailing zeros.
func trimmed(v float64) string { return strconv.FormatFloat(roundSignificant(v, 6), 'f', -1, 64) }

// significant writes a number with n significant digits.
func significant(v float64, n int) string {
	return strconv.FormatFloat(roundSignificant(v, n), 'f', -1, 64)
}

func roundSignificant(v float64, n int) float64 {
	r, err := strconv.ParseFloat(strconv.FormatFloat(v, 'e', n-1, 64), 64)
	if err != nil {
		return v
	}
	return r
}
