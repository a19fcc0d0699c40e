package testrun

import (
	"fmt"
	"runtime"
	"slices"
	"strings"
	"testing"
)

// recorder is a test that keeps what it is told.
type recorder struct {
	testing.TB
	said   []string
	failed bool
}

func (r *recorder) Helper()                   {}
func (r *recorder) Log(a ...any)              { r.said = append(r.said, fmt.Sprintln(a...)) }
func (r *recorder) Logf(f string, a ...any)   { r.said = append(r.said, fmt.Sprintf(f, a...)) }
func (r *recorder) Fatalf(f string, a ...any) { r.failed = true; r.Logf(f, a...); runtime.Goexit() }
func (r *recorder) wait(f func(testing.TB)) string {
	done := make(chan struct{})
	go func() { defer close(done); f(r) }()
	<-done
	return strings.Join(r.said, "")
}

func TestLong(t *testing.T) {
	for value, want := range map[string]bool{"1": true, "": false, "0": false, "true": false, "yes": false} {
		t.Setenv(longVariable, value)
		if Long() != want || (Pick("short", "long") == "long") != want {
			t.Errorf("%s=%q: long is %v", longVariable, value, Long())
		}
	}
}

func TestNumbers(t *testing.T) {
	t.Setenv(longVariable, "")
	for _, c := range []struct {
		random, rounds string
		wantRandom     uint64
		wantRounds     int
		fails          bool
	}{
		{"7", "3", 7, 3, false},
		{"18446744073709551615", "", 1<<64 - 1, 2, false},
		{"0", "99999999999", 0, 1<<31 - 1, false},
		{"x", "1", 0, 0, true},
		{"1", "0", 0, 0, true},
		{"1", "-3", 0, 0, true},
		{"1", "1.5", 0, 0, true},
	} {
		t.Setenv(randomVariable, c.random)
		t.Setenv(roundsVariable, c.rounds)
		var random uint64
		var rounds int
		r := &recorder{}
		said := r.wait(func(tb testing.TB) { random, rounds = Random(tb), Rounds(tb, 2, 20) })
		if r.failed != c.fails || !c.fails && (random != c.wantRandom || rounds != c.wantRounds) {
			t.Errorf("%+v: %d, %d, failed %v: %s", c, random, rounds, r.failed, said)
		}
		if c.fails && !strings.Contains(said, "allowed: a whole number") {
			t.Errorf("%+v: %s", c, said)
		}
	}
	t.Setenv(randomVariable, "")
	r := &recorder{}
	var n uint64
	said := r.wait(func(tb testing.TB) { n = Random(tb) })
	if !strings.Contains(said, fmt.Sprintf("%s=%d", randomVariable, n)) {
		t.Errorf("a run cannot be repeated by %q", said)
	}
}

// What is told is found again in what package testing prints of it.
func TestTold(t *testing.T) {
	for _, told := range []func(testing.TB){
		func(tb testing.TB) { LeftOut(tb, "kernel avx9", "this processor\nlacks it") },
		func(tb testing.TB) { Repeated(tb, "the machine stood still\tfor 4 ms") },
	} {
		r := &recorder{}
		line := "    a_test.go:12: " + r.wait(told)
		leftOut, repeated := Told(line)
		texts := []string{"kernel avx9: this processor lacks it", "the machine stood still for 4 ms"}
		if !slices.Contains(texts, leftOut+repeated) ||
			leftOut != "" && repeated != "" || strings.Contains(line, "repeated") != (repeated != "") {
			t.Errorf("%q: %q, %q", line, leftOut, repeated)
		}
	}
	for _, line := range []string{"", "left out: x", "    a_test.go: left out: x", "    a_test.go:x: left out: y",
		"    a_test.go:12: it was left out: x", "=== RUN TestX", "    a_test.go:12:"} {
		if leftOut, repeated := Told(line); leftOut+repeated != "" {
			t.Errorf("%q: %q, %q", line, leftOut, repeated)
		}
	}
}
