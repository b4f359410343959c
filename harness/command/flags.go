package command

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"proveout/plans"
	"proveout/plans/document"
	"proveout/plans/quantity"
)

// A typed is a flag that says what its text is, so that it is read, and refused
// with the flag's name, before its command begins.
type typed struct {
	*cli.StringFlag
	read func(text string) error
}

// A typedList is such a flag that may be repeated.
type typedList struct {
	*cli.StringSliceFlag
	read func(text string) error
}

func typedFlag(name, usage string, read func(text string) error) *typed {
	return &typed{&cli.StringFlag{Name: name, Usage: usage}, read}
}

func typedListFlag(name, usage string, read func(text string) error) *typedList {
	return &typedList{&cli.StringSliceFlag{Name: name, Usage: usage}, read}
}

// or gives the flag a text that stands where none is typed.
func (f *typed) or(text string) *typed {
	f.Value = text
	return f
}

// textFlag is a flag that takes a text as it stands, usualFlag one with a text
// that stands where none is typed, neededFlag one that must be typed, textsFlag
// one that may be repeated, boolFlag one without a value.
func textFlag(name, usage string) *cli.StringFlag { return &cli.StringFlag{Name: name, Usage: usage} }

func usualFlag(name, usage, usual string) *cli.StringFlag {
	return &cli.StringFlag{Name: name, Usage: usage, Value: usual}
}

func neededFlag(name, usage string) *cli.StringFlag {
	return &cli.StringFlag{Name: name, Usage: usage, Required: true}
}

func textsFlag(name, usage string) *cli.StringSliceFlag {
	return &cli.StringSliceFlag{Name: name, Usage: usage}
}

func boolFlag(name, usage string) *cli.BoolFlag { return &cli.BoolFlag{Name: name, Usage: usage} }

// readFlags reads the typed flags of a command, in the order in which they are
// declared, and tells all that is wrong with them.
func readFlags(x *cli.Context) error {
	var errs []error
	take := func(name string, read func(string) error, texts ...string) {
		for _, text := range texts {
			if err := read(text); err != nil {
				errs = append(errs, fmt.Errorf("--%s: %w", name, err))
			}
		}
	}
	for _, f := range x.Command.Flags {
		switch f := f.(type) {
		case *typed:
			if x.IsSet(f.Name) || f.Value != "" {
				take(f.Name, f.read, x.String(f.Name))
			}
		case *typedList:
			take(f.Name, f.read, x.StringSlice(f.Name)...)
		}
	}
	return errors.Join(errs...)
}

// to and toNew say where the value of a flag goes; toNew leaves nil where the
// flag was not given.
func to[T any](at *T) func(T) { return func(v T) { *at = v } }

func toNew[T any](at **T) func(T) { return func(v T) { *at = &v } }

// amount is a flag that takes a quantity; a bare number is in the unit, where
// one is named.
func amount(name string, dim quantity.Dimension, unit, usage string, take func(quantity.Quantity)) *typed {
	return typedFlag(name, usage, func(text string) error {
		q, err := parseAmount(text, dim, unit)
		switch {
		case err == nil && q.Tolerated:
			return fmt.Errorf("%q has a tolerance, which means nothing here", text)
		case err == nil:
			take(q)
		}
		return err
	})
}

func parseAmount(text string, dim quantity.Dimension, unit string) (quantity.Quantity, error) {
	if unit == "" {
		return quantity.Parse(text, dim)
	}
	u, known := quantity.LookUp(dim, unit)
	if !known {
		panic("no unit " + unit) // a flag is declared wrongly
	}
	return quantity.ParseIn(text, dim, u)
}

// value takes of a quantity its value alone.
func value(take func(float64)) func(quantity.Quantity) {
	return func(q quantity.Quantity) { take(q.Value) }
}

// number is a flag that takes a bare number.
func number(name, usage string, take func(float64)) *typed {
	return typedFlag(name, usage, func(text string) error {
		v, err := quantity.ParseNumber(text)
		if err == nil {
			take(v)
		}
		return err
	})
}

// whole is a flag that takes a whole number from low up.
func whole[T int | int64](name, usage string, low int64, take func(T)) *typed {
	return typedFlag(name, usage, func(text string) error {
		v, err := quantity.ParseWhole(text, low, math.MaxInt32)
		if err == nil {
			take(T(v))
		}
		return err
	})
}

// choice is a flag that takes one of a few words; the usage names them.
func choice(name, usage string, take func(string), words ...string) *typed {
	return typedFlag(name, usage, func(text string) error {
		if !slices.Contains(words, text) {
			return fmt.Errorf("%q is not %s", text, document.Alternatives(words))
		}
		take(text)
		return nil
	})
}

// placeFlag is a flag that takes where a temperature sensor sits.
func placeFlag(usage string, take func(string)) *typed {
	return choice("place", usage, take, plans.WordsAt(plans.FamilyKind, "thermal.sensor")...)
}

const placeUsage = "where the temperature sensor sits: `PLACE` die, heatsink, case or board"

// beforeCommand refuses what was typed wrongly before the command begins.
func beforeCommand(x *cli.Context) error {
	if err := tooMany(x); err != nil {
		return err
	}
	return readFlags(x)
}

// tooMany refuses arguments behind those that the usage of the command names.
func tooMany(x *cli.Context) error {
	usage := x.Command.ArgsUsage
	if most := len(strings.Fields(usage)); x.NArg() > most && !strings.Contains(usage, "…") {
		return fmt.Errorf("%q is one argument too many; see --help", x.Args().Get(most))
	}
	return nil
}
