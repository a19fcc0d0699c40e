//go:build linux

package soundtest

import (
	"runtime"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// A processor that is taken away from everybody, the watchman as well, is a standstill, of its length and at its time;
// busy threads of ordinary priority are none.
func TestStandstillsAreSeen(t *testing.T) {
	s := Watch(t)
	take := func(priority int32, length time.Duration) (from, to time.Time) {
		done := make(chan error)
		go func() {
			runtime.LockOSThread() // not unlocked: the thread ends with the goroutine
			var set unix.CPUSet
			set.Set(allowed()[0])
			if err := unix.SchedSetaffinity(0, &set); err != nil {
				done <- err
				return
			}
			if priority > 0 {
				if err := fifo(priority); err != nil {
					done <- err
					return
				}
			}
			from = time.Now()
			for end := monotonic() + int64(length); monotonic() < end; {
			}
			to = time.Now()
			done <- nil
		}()
		if err := <-done; err != nil {
			t.Fatalf("a thread of priority %d: %v", priority, err)
		}
		time.Sleep(50 * time.Millisecond)
		return from, to
	}
	const length = 12 * time.Millisecond
	for range 3 {
		from, to := take(99, length)
		if got := s.Within(from, to); got < length-2*watchEvery {
			t.Errorf("%v were taken, standstills of %v seen", to.Sub(from), got)
		}
		if got, ago := s.Last(time.Now(), length-2*watchEvery); got < length-2*watchEvery || ago > time.Since(from)+watchEvery {
			t.Errorf("the last standstill was %v long and %v ago; one of %v began %v ago", got, ago, to.Sub(from), time.Since(from))
		}
		if got := s.Within(to.Add(length), to.Add(3*length)); got >= length-2*watchEvery {
			t.Errorf("a standstill of %v after it was over", got)
		}
	}
	seen := 0
	for range 5 { // the machine may stand still by itself
		if from, to := take(0, 100*time.Millisecond); s.Within(from, to) >= 3*time.Millisecond {
			seen++
		}
	}
	if seen > 3 {
		t.Errorf("%d of 5 times an ordinary thread was taken for a standstill", seen)
	}
}
