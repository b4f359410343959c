package scoring_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"proveout/harness/reading"
	"proveout/scoring/conformity"
)

const scanPlan = `
id = "p"
title = "P"
[[step]]
id = "scan"
kind = "memory-scan"
title = "Memory test"
march = "March C-"
`

// listed adds a list of failing addresses to the last attempt of a step.
func (b *bench) listed(step, name string, rows []reading.Failure, problem error) *reading.Log {
	list := b.Job.Attempts[step]
	a := &list[len(list)-1]
	file := b.file(name, memoryFile{failures: rows, problem: problem})
	a.Logs = append(a.Logs, reading.Log{Evidence: file, Count: int64(len(rows)), Failures: &reading.FailureOptions{}})
	return &a.Logs[len(a.Logs)-1]
}

// failure is a row of a list, of 16 bits, without a time and a temperature.
func failure(address int64, written, read uint64) reading.Failure {
	nothing := math.NaN()
	return reading.Failure{
		Address: address, Written: written, Read: read, Bits: 16, Seconds: nothing, Celsius: nothing,
	}
}

// stuckLine lists rows of the board of these tests, 48-bit beats of three chips of
// 16 bits, whose chip U2 holds its line D3 at 1: lane 19 of the bus, bit 3 of
// byte 2 of every beat.
func stuckLine(n int) []reading.Failure {
	var rows []reading.Failure
	for i := range n {
		word := int64(i*40503) % (1 << 20)
		written := uint64(i*2654435761) & 0xfff7
		rows = append(rows, failure(word*6+2, written, written|8))
	}
	return rows
}

func TestMemoryScanNamesTheChip(t *testing.T) {
	b := newBenchOf(t, scanPlan, familyText, shopText)
	b.attempt("scan")
	b.listed("scan", "cold.csv", stuckLine(400), nil)
	s := b.step("scan")
	if s.Verdict != conformity.Fail || !strings.Contains(said(s.Reason), "D3 of U2") {
		t.Fatalf("%v %s", s.Verdict, said(s.Reason))
	}
	if len(s.Causes) == 0 {
		t.Fatal("no cause is named")
	}
	first := s.Causes[0]
	if !strings.Contains(said(first.Text), "line stuck 1: data line D3 of U2") || first.Look.IsZero() {
		t.Errorf("%+v", first)
	}
	if !strings.Contains(told(s.Findings), "March C- (10n) finds all") || len(s.Conditions) != 1 {
		t.Errorf("the march test is not stated: %v", told(s.Findings))
	}
	if c := checkNamed(t, s, "list"); *c.Value != 400 || len(c.Evidence) != 1 {
		t.Errorf("%+v", c)
	}
	// The same fault of a second list is one cause.
	b.listed("scan", "warm.csv", stuckLine(300), nil)
	if again := b.step("scan"); len(again.Causes) != len(s.Causes) || !hasCheck(again, "list-2") {
		t.Errorf("%+v", again.Causes)
	}
}

func TestMemoryScanVerdicts(t *testing.T) {
	outside := []reading.Failure{failure(1<<30, 1, 0)}
	agreeing := []reading.Failure{failure(16, 1, 1)}
	halved, beyond := stuckLine(200), stuckLine(200)
	for i := range halved {
		halved[i].Address /= 2
		beyond[i].Address += 9 << 20 // of 12 MiB
	}
	for _, tt := range []struct {
		name    string
		typed   []string
		lists   [][]reading.Failure
		bad     int64
		problem error
		pool    string
		want    conformity.Verdict
		reason  string
	}{
		{name: "empty list", lists: [][]reading.Failure{nil}, want: conformity.Pass, reason: "no failing address is listed"},
		{name: "agreeing rows", lists: [][]reading.Failure{agreeing}, want: conformity.Pass, reason: "1 row reads back"},
		{name: "outside", lists: [][]reading.Failure{outside}, want: conformity.Inconclusive, reason: "outside the memory"},
		{name: "unreadable row alone", lists: [][]reading.Failure{nil}, bad: 1, want: conformity.Inconclusive, reason: "cannot be read"},
		{name: "evidence gone", lists: [][]reading.Failure{nil}, problem: errors.New("no such file"), want: conformity.Inconclusive, reason: "cannot be read again"},
		{name: "another memory", lists: [][]reading.Failure{nil}, pool: "texture", want: conformity.Inconclusive, reason: `no “texture” memory`},
		{name: "nothing", want: conformity.NotRun, reason: "not even an empty one"},
		{name: "typed none", typed: []string{"failing=0"}, want: conformity.Pass, reason: "no address failed"},
		{name: "typed some", typed: []string{"failing=12"}, want: conformity.Fail, reason: "12 addresses failed"},
		{name: "typed some, list empty", typed: []string{"failing=12"}, lists: [][]reading.Failure{nil}, want: conformity.Inconclusive, reason: "another run"},
		{name: "part of the memory", typed: []string{"tested=6 MiB"}, lists: [][]reading.Failure{nil}, want: conformity.Inconclusive, reason: "6 MiB of 12 MiB"},
		{name: "all of the memory", typed: []string{"tested=12 MiB"}, lists: [][]reading.Failure{nil}, want: conformity.Pass, reason: "covered all"},
		{name: "addresses that count words", lists: [][]reading.Failure{halved}, want: conformity.Inconclusive, reason: "not what they were taken for"},
		{name: "a base that is wrong", lists: [][]reading.Failure{beyond}, want: conformity.Inconclusive, reason: "not what they were taken for"},
	} {
		b := newBenchOf(t, scanPlan, familyText, shopText)
		b.attempt("scan", tt.typed...)
		for _, rows := range tt.lists {
			l := b.listed("scan", "list.csv", rows, tt.problem)
			l.Bad, l.Failures.Pool = tt.bad, tt.pool
		}
		if s := b.step("scan"); s.Verdict != tt.want || !strings.Contains(said(s.Reason), tt.reason) {
			t.Errorf("%s: %v, %s", tt.name, s.Verdict, said(s.Reason))
		}
	}
}
