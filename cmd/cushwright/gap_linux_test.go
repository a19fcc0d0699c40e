package main

import (
	"fmt"
	"math"
	"strings"
	"syscall"
	"testing"
	"time"

	"cushwright/platform"
	"cushwright/platform/soundtest"
)

// A gap cannot be prevented where the engine is stopped for longer than the server's buffer lasts; what comes after it
// begins from silence. A server whose output ran dry drops what comes too late, and that must not be the fade-in.
func TestLiveGapEndsSoftly(t *testing.T) {
	onBoth(t, func(t *testing.T, kind string) {
		for _, delay := range []string{"low", "normal"} {
			t.Run(delay, func(t *testing.T) {
				judge(t, stillness, func() string {
					hard := gapsEnd(t, kind, delay)
					if len(hard) > 1 {
						return strings.Join(hard, "; ")
					}
					// A stop in the middle of a callback lets a piece of sound that was made before it be heard after
					// it. A server that is late itself by more than a fraction of its buffer drops more than it has
					// asked for. A defect is at every gap.
					if len(hard) > 0 {
						t.Logf("once in all stops: %s", hard[0])
					}
					return ""
				})
			})
		}
	})
}

// gapsEnd stops the engine for several lengths and tells of the gaps that did not end with a fade-in.
func gapsEnd(t *testing.T, kind, delay string) (hard []string) {
	t.Helper()
	const rate, peak = 48000, 0.5
	r := newRig(t, kind, rate)
	r.write("corrections/wipe-clean.toml", tenFlat())
	r.write("settings.toml", fmt.Sprintf("[sound]\ndelay = %q\n", delay))
	r.start()
	rec := r.Record("phones.monitor", rate)
	p := r.PlayFunc(platform.VirtualSink, rate, soundtest.Sine(1000, rate, peak))
	time.Sleep(1500 * time.Millisecond)
	first, began := rec.Frames(), time.Now()
	stops := []int{25, 32, 40, 55, 80, 120, 150}
	for _, ms := range stops {
		r.run.Process.Signal(syscall.SIGSTOP)
		time.Sleep(time.Duration(ms) * time.Millisecond)
		r.run.Process.Signal(syscall.SIGCONT)
		time.Sleep(400 * time.Millisecond)
	}
	x := rec.Stop()
	p.Stop()
	st := r.status()
	r.stop()
	// A stretch of silence is longer than the sine is ever near zero.
	const still, least, soon = 2e-3 * peak, rate / 1000, rate / 1000
	gaps, quiet, worst := 0, 0, 0.0
	for i := first; i < len(x)/2; i++ {
		if math.Abs(float64(x[2*i])) < still {
			quiet++
			continue
		}
		if quiet >= least {
			gaps++
			loud := 0.0
			for k := i; k < min(i+soon, len(x)/2); k++ {
				loud = max(loud, math.Abs(float64(x[2*k]))/peak)
			}
			worst = max(worst, loud)
			// a fade-in of 20 ms, of which the server may have dropped the first 4
			if most := math.Pow(math.Sin(math.Pi/2*5/20), 2); loud > most && !r.stood(rec.At(i)) {
				hard = append(hard, fmt.Sprintf("after a gap of %.1f ms at %v the sound is at %.2f of its level within 1 ms, allowed: %.2f",
					float64(quiet)/rate*1e3, rec.At(i).Sub(began).Round(time.Millisecond), loud, most))
			}
		}
		quiet = 0
	}
	t.Logf("delay = %q on %s: %d stops, %d gaps, at most %.3f of the level within 1 ms; ran dry: server %d, ring %d",
		delay, st.Driver, len(stops), gaps, worst, st.Counters.Underflows, st.Counters.Underruns)
	if gaps < 3 {
		t.Errorf("delay = %q: %d gaps of %d stops were heard", delay, gaps, len(stops))
	}
	return hard
}
