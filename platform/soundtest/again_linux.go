package soundtest

import (
	"fmt"
	"sync"
	"testing"
	"time"

	"cushwright/dsp/testrun"
)

// Stillness is the shortest standstill of a processor that is taken for the cause of a break, where nothing shorter
// breaks the sound: a cycle of 256 frames at 48 kHz less the work done in it.
const Stillness = 3 * time.Millisecond

// repeats are the tests that have been repeated, by name.
var repeats = struct {
	mu    sync.Mutex
	tests map[string]bool
}{tests: map[string]bool{}}

// Again reports whether a test may repeat what went wrong since it began: only where a processor of this machine stood
// still meanwhile, for at least so long at a stretch, and only once a test. A repetition is told to the check, which
// counts it (see package testrun). wrong is what went wrong, for the log.
func Again(t testing.TB, began time.Time, least time.Duration, wrong string) bool {
	t.Helper()
	longest := Watch(t).Within(began, time.Now())
	why, ok := mayRepeat(t, longest, least)
	if !ok {
		t.Logf("not repeated, %s", why)
		return false
	}
	testrun.Repeated(t, fmt.Sprintf("%s; %s", why, wrong))
	return true
}

// mayRepeat is Again's judgement; why is its reason.
func mayRepeat(t testing.TB, longest, least time.Duration) (why string, ok bool) {
	repeats.mu.Lock()
	defer repeats.mu.Unlock()
	if longest < least {
		return fmt.Sprintf("the machine stood still for %v at the longest; allowed: from %v on", longest, least), false
	}
	if repeats.tests[t.Name()] {
		return "it was repeated before", false
	}
	repeats.tests[t.Name()] = true
	t.Cleanup(func() { // for -count
		repeats.mu.Lock()
		defer repeats.mu.Unlock()
		delete(repeats.tests, t.Name())
	})
	return fmt.Sprintf("the machine stood still for %v", longest.Round(10*time.Microsecond)), true
}
