package main

import (
	"fmt"
	"math"
	"syscall"
	"testing"
	"time"

	"cushwright/platform"
	"cushwright/platform/soundtest"
)

// A gap cannot be prevented where the engine is stopped for longer than the server's buffer lasts; what comes after it begins from silence. A server
// whose output ran dry drops what comes too late, and that must not be the fade-in.
func TestLiveGapEndsSoftly(t *testing.T) {
	onBoth(t, func(t *testing.T, kind string) {
		const rate, peak = 48000, 0.5
		r := newRig(t, kind, rate)
		soundtest.Watch(t)
		r.write("corrections/wipe-clean.toml", tenFlat())
		for _, delay := range []string{"low", "normal"} {
			r.write("settings.toml", fmt.Sprintf("[sound]\ndelay = %q\n", delay))
			r.start()
			rec := r.Record("phones.monitor", rate)
			p := r.PlayFunc(platform.VirtualSink, rate, soundtest.Sine(1000, rate, peak))
			time.Sleep(1500 * time.Millisecond)
			first := rec.Frames()
			var stops []time.Time
			for _, ms := range []int{25, 32, 40, 55, 80, 120, 150} {
				stops = append(stops, time.Now())
				r.run.Process.Signal(syscall.SIGSTOP)
				time.Sleep(time.Duration(ms) * time.Millisecond)
				r.run.Process.Signal(syscall.SIGCONT)
				time.Sleep(500 * time.Millisecond)
			}
			x := rec.Stop()
			p.Stop()
			st := r.status()
			r.stop()
			// A stretch of silence is longer than the sine is ever near zero.
			const still, least, soon = 2e-3 * peak, rate / 1000, rate / 1000
			gaps, quiet := 0, 0
			worst := 0.0
			for i := first; i < len(x)/2; i++ {
				if math.Abs(float64(x[2*i])) < still {
					quiet++
					continue
				}
				if quiet >= least && !r.other(rec.At(i), stops) {
					gaps++
					loud := 0.0
					for k := i; k < min(i+soon, len(x)/2); k++ {
						loud = max(loud, math.Abs(float64(x[2*k])))
					}
					worst = max(worst, loud/peak)
					// a fade-in of 20 ms, of which the server may have dropped the first 4
					if most := math.Pow(math.Sin(math.Pi/2*5/20), 2); loud/peak > most {
						t.Errorf("delay = %q: after a gap of %.1f ms at %v the sound is at %.2f of its level within 1 ms, allowed: %.2f",
							delay, float64(quiet)/rate*1e3, rec.At(i).Sub(stops[0]).Round(time.Millisecond), loud/peak, most)
					}
				}
				quiet = 0
			}
			t.Logf("delay = %q on %s: %d stops, %d gaps, at most %.3f of the level within 1 ms; ran dry: server %d, ring %d",
				delay, st.Driver, len(stops), gaps, worst, st.Counters.Underflows, st.Counters.Underruns)
			if gaps < 3 {
				t.Errorf("delay = %q: %d gaps of %d stops were heard", delay, gaps, len(stops))
			}
		}
	})
}

// other tells whether the machine stood still at a moment that is not near one of the stops.
func (r *rigged) other(at time.Time, stops []time.Time) bool {
	for _, s := range stops {
		if d := at.Sub(s); d > -50*time.Millisecond && d < 400*time.Millisecond {
			return false
		}
	}
	return r.stood(at)
}
