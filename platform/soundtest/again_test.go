//go:build linux

package soundtest

import (
	"testing"
	"time"
)

// A repetition takes a standstill that is long enough, and there is one a test.
func TestAgain(t *testing.T) {
	const least = 3 * time.Millisecond
	t.Run("stood", func(t *testing.T) {
		for i, c := range []struct {
			longest time.Duration
			ok      bool
		}{{0, false}, {least - 1, false}, {least, true}, {time.Second, false}, {0, false}} {
			if why, ok := mayRepeat(t, c.longest, least); ok != c.ok || why == "" {
				t.Errorf("step %d: %v, %q", i, ok, why)
			}
		}
		t.Run("another test", func(t *testing.T) {
			if _, ok := mayRepeat(t, least, least); !ok {
				t.Error("one test's repetition is taken for another's")
			}
		})
	})
	if Again(t, time.Now(), time.Hour, "nothing") {
		t.Error("repeated without a standstill")
	}
}
