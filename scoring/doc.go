// Package scoring judges what the bench observed of a card against what its
// family is expected to show, by the rules of the plan.
//
// A plan, a family, a shop and a job's readings come in; an [outcome.Outcome]
// goes out. It reads no files but through the logs it is handed, has no clock
// and prints nothing. It does not stop at the first failed step, and what it did
// not compute is [conformity.NotRun].
package scoring
