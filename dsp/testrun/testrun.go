// Package testrun is what the tests of every package know of the run that they are part of: how long it may take, and
// the two lines by which a test tells what it leaves out and what it repeats. The check (cmd/check) sets the variables
// and collects the lines. Only tests import it; it stands below dsp because all of the house may know dsp.
//
//	CUSHWRIGHT_LONG=1     the long forms; every other value, and none, is the short form
//	CUSHWRIGHT_RANDOM=n   the random moments of a test, from 0 to 2^64−1: a run that failed is run again by it
//	CUSHWRIGHT_ROUNDS=n   how many times the fault scripts run, 1 or more
package testrun

import (
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"
)

// The variables. No other place reads them.
const (
	longVariable   = "CUSHWRIGHT_LONG"
	randomVariable = "CUSHWRIGHT_RANDOM"
	roundsVariable = "CUSHWRIGHT_ROUNDS"
)

// Long reports whether the long forms of tests are wanted.
func Long() bool { return os.Getenv(longVariable) == "1" }

// Pick is the second in the long form, the first otherwise.
func Pick[T any](short, long T) T {
	if Long() {
		return long
	}
	return short
}

// Random is what a test's random moments begin from: the one asked for, or the time of day. It is logged.
func Random(t testing.TB) uint64 {
	t.Helper()
	n := uint64(time.Now().UnixNano())
	if asked, ok := number(t, randomVariable, 0); ok {
		n = asked
	}
	t.Logf("random moments from %d (%s=%d repeats them)", n, randomVariable, n)
	return n
}

// Rounds is how many times a test goes through its work: what is asked for, or by the form.
func Rounds(t testing.TB, short, long int) int {
	t.Helper()
	if asked, ok := number(t, roundsVariable, 1); ok {
		return int(min(asked, math.MaxInt32))
	}
	return Pick(short, long)
}

func number(t testing.TB, variable string, least uint64) (n uint64, ok bool) {
	t.Helper()
	text := os.Getenv(variable)
	if text == "" {
		return 0, false
	}
	n, err := strconv.ParseUint(text, 10, 64)
	if err != nil || n < least {
		t.Fatalf("testrun: read %q: %q: allowed: a whole number from %d on", variable, text, least)
	}
	return n, true
}

// The beginnings of the two lines.
const (
	leftOutMark  = "left out: "
	repeatedMark = "repeated: "
)

// LeftOut tells the check that this run does not test something, and why. The test goes on with what it can test.
func LeftOut(t testing.TB, what, why string) {
	t.Helper()
	t.Log(leftOutMark + line(what+": "+why))
}

// Repeated tells the check that a test repeats what it has done, and why. Where a sound server plays, ask
// soundtest.Again instead, which tells by itself.
func Repeated(t testing.TB, why string) {
	t.Helper()
	t.Log(repeatedMark + line(why))
}

func line(s string) string { return strings.Join(strings.Fields(s), " ") }

// Told finds in a line of a test's output what LeftOut and Repeated told.
func Told(output string) (leftOut, repeated string) {
	// testing writes "    file_test.go:12: text".
	_, rest, ok := strings.Cut(output, ".go:")
	if !ok {
		return "", ""
	}
	digits, text, ok := strings.Cut(strings.TrimRight(rest, "\r\n"), ": ")
	if _, err := strconv.ParseUint(digits, 10, 32); err != nil || !ok {
		return "", ""
	}
	if s, ok := strings.CutPrefix(text, leftOutMark); ok {
		return s, ""
	}
	if s, ok := strings.CutPrefix(text, repeatedMark); ok {
		return "", s
	}
	return "", ""
}
