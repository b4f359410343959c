// Package plans reads what a shop writes down before a card reaches the bench:
// acceptance plans, board families and the shop itself, in TOML.
//
// Files come in; checked [Plan], [Family] and [Shop] values go out, or every
// problem of the file with its line and column. The package computes no
// verdict.
//
// Every key of a file is declared once, in a list that is bound to the fields it
// fills: reading, checking, suggestions, summaries and the reference text (see
// [Reference]) follow from it. A kind of step is one file: its values, its
// keys, its checks and the readings it asks for.
//
// Quantities are texts with unit and tolerance: "137 MHz ±1 %", "20 MiB",
// "1 h 30 min", "3.3 V +0.2 V -0.1 V", "2 K/h". The signs ± ° Ω µ may be
// written +- deg ohm u. MB means 2^20 bytes. Where a limit may be left to the
// family, "from family" says so.
package plans
