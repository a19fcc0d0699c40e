//go:build linux

package main

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"cushwright/dsp/testrun"
	"cushwright/platform"
	"cushwright/platform/soundtest"
)

// passage is the counter signal's way from one monitor to another, as followed for a while.
type passage struct {
	delayMS      []float64 // for each window of 20 ms
	breaks       int       // windows that do not fit
	jumps        int       // moves of more than half a frame
	breaksBefore int       // of either kind in what was fed in: then there is nothing to judge by
	stood        int       // all these, not counted above, while the machine stood still
	places       []string  // of the breaks: when, and how long after which standstill
	cpu, server  float64   // processor time of the process and of the server, % of one core
}

func (p passage) String() string {
	return fmt.Sprintf("added delay median %.1f ms, largest %.1f, at start %.1f, at end %.1f; breaks %d, jumps %d, "+
		"and %d where the machine stood still; cost %.2f %% of one core, the server's %.2f %%",
		median(p.delayMS), slices.Max(p.delayMS), median(p.delayMS[:50]), median(p.delayMS[len(p.delayMS)-50:]),
		p.breaks, p.jumps, p.stood, p.cpu, p.server)
}

// stood tells whether a processor stood still at about the time. A recording comes in pieces.
func (r *rigged) stood(at time.Time) bool { return r.stoodSince(at, aftermath) }

// stoodSince is stood with another length of the aftermath.
func (r *rigged) stoodSince(at time.Time, later time.Duration) bool {
	return soundtest.Watch(r.t).Within(at.Add(-later), at.Add(50*time.Millisecond)) >= r.still
}

// pass plays the counter signal to a sink and follows it from there to another; pid is whose processor time is told.
func (r *rigged) pass(from, to string, pid int, seconds, rate int) passage {
	r.t.Helper()
	before := r.Record(from+".monitor", rate)
	after := r.Record(to+".monitor", rate)
	time.Sleep(500 * time.Millisecond) // a server may change its buffers for a stream that joins
	i := 0
	p := r.PlayFunc(from, rate, func() (float32, float32, bool) {
		v := float32(noiseAt(i))
		i++
		return v, v, true
	})
	cpu, server := processorTime(r.t, pid), r.serverTime()
	start := time.Now()
	time.Sleep(time.Duration(seconds) * time.Second)
	took := time.Since(start).Seconds()
	res := passage{
		cpu:    100 * (processorTime(r.t, pid) - cpu).Seconds() / took,
		server: 100 * (r.serverTime() - server).Seconds() / took,
	}
	a, b := before.Stop(), after.Stop()
	p.Stop()
	oa, ba := follow(a, rate)
	ob, bb := follow(b, rate)
	if len(oa) < 100 || len(ob) < 100 {
		r.t.Fatalf("the counter signal was not found (%d, %d windows)", len(oa), len(ob))
	}
	// the first half second is the start's fade-in and the search
	oa, ob = oa[10:len(oa)-10], ob[25:len(ob)-10]
	fed := median(offsets(oa))
	for _, o := range ob {
		// the two sinks' clocks differ by some ppm, so the recordings' beginnings move against each other
		skew := after.Zero(o.at).Sub(before.Zero(o.at)).Seconds()
		res.delayMS = append(res.delayMS, 1e3*((fed-o.offset)/float64(rate)+skew))
	}
	// count gives how many of the places lie where the machine did not stand still, and how many where it did.
	count := func(rec *soundtest.Recording, places []int) (own, stood int) {
		for _, at := range places {
			if r.stoodSince(rec.At(at), comeback) {
				stood++
			} else {
				own++
			}
		}
		return own, stood
	}
	var stood [3]int
	res.breaks, stood[0] = count(after, bb)
	for _, at := range bb {
		if when := after.At(at); !r.stoodSince(when, comeback) && len(res.places) < 8 {
			place := fmt.Sprintf("at %.2f s", when.Sub(start).Seconds())
			if length, ago := soundtest.Watch(r.t).Last(when, r.still); length > 0 {
				place += fmt.Sprintf(" (%.0f ms after a standstill of %.1f ms)", ago.Seconds()*1e3, length.Seconds()*1e3)
			}
			res.places = append(res.places, place)
		}
	}
	res.jumps, stood[1] = count(after, jumps(ob))
	res.breaksBefore, stood[2] = count(before, append(ba, jumps(oa)...))
	res.stood = stood[0] + stood[1] + stood[2]
	return res
}

// wrong says what is wrong with what was heard, apart from its delay. Where the machine stood still is told apart and
// excused; where what was fed to the engine broke by itself, there is nothing to judge by.
func (p passage) wrong() string {
	switch {
	case p.breaksBefore > 0:
		return fmt.Sprintf("what was fed to the engine had %d breaks itself: there is nothing to judge by", p.breaksBefore)
	case p.breaks > 0:
		return fmt.Sprintf("%d breaks (windows of 20 ms that are not what was played): %s", p.breaks, strings.Join(p.places, ", "))
	}
	return ""
}

// A break is a break whatever else happened; only those at which the machine stood still are no longer among them.
func TestPassageWrong(t *testing.T) {
	for _, c := range []struct {
		p    passage
		want bool
	}{{passage{}, false}, {passage{breaks: 1}, true}, {passage{stood: 9, jumps: 3}, false}, {passage{stood: 9, breaks: 1}, true},
		{passage{breaksBefore: 1}, true}, {passage{breaks: 1, breaksBefore: 1}, true}} {
		if got := c.p.wrong(); (got != "") != c.want {
			t.Errorf("%+v: %q", c.p, got)
		}
	}
}

func TestLiveContinuity(t *testing.T) {
	onBoth(t, func(t *testing.T, kind string) {
		const rate = 48000
		seconds := testrun.Pick(15, 60)
		for round := range testrun.Pick(1, 3) {
			t.Run(fmt.Sprintf("round-%d", round+1), func(t *testing.T) {
				judge(t, stillness, func() (wrong string) {
					r := newRig(t, kind, rate)
					r.write("corrections/wipe-clean.toml", tenFlat())
					r.start()
					p := r.pass(platform.VirtualSink, "phones", r.run.Process.Pid, seconds, rate)
					counted := r.status().Counters
					t.Logf("10 bands per ear: %d s, %v; %d KiB resident; %+v", seconds, p, residentKiB(t, r.run.Process.Pid), counted)
					r.stop()
					moved := math.Abs(median(p.delayMS[:50]) - median(p.delayMS[len(p.delayMS)-50:]))
					switch {
					case p.wrong() != "":
						return p.wrong()
					case p.jumps > 0:
						return fmt.Sprintf("%d jumps of more than half a frame: frames were dropped or repeated", p.jumps)
					case p.stood > seconds*50/20:
						return fmt.Sprintf("the machine stood still at %d of %d windows: it cannot run this test", p.stood, seconds*50)
					case moved > 2 && p.stood == 0 && counted.Underflows+counted.Underruns == 0:
						// The clocks by which the delay is told move with a break.
						return fmt.Sprintf("the latency moved by %.2f ms, allowed: 2", moved)
					}
					return ""
				})
			})
		}
	})
}

// processorTime is what a process has used (proc(5): utime and stime, in ticks of 10 ms).
func processorTime(t *testing.T, pid int) time.Duration {
	t.Helper()
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		t.Fatal(err)
	}
	f := strings.Fields(string(b[bytes.LastIndexByte(b, ')')+2:]))
	u, _ := strconv.Atoi(f[11])
	s, _ := strconv.Atoi(f[12])
	return time.Duration(u+s) * 10 * time.Millisecond
}

// serverTime is what the processes of the test's sound server have used.
func (r *rigged) serverTime() (sum time.Duration) {
	r.t.Helper()
	dirs, err := filepath.Glob("/proc/[0-9]*")
	if err != nil {
		r.t.Fatal(err)
	}
	for _, d := range dirs {
		comm, err := os.ReadFile(filepath.Join(d, "comm"))
		env, err2 := os.ReadFile(filepath.Join(d, "environ"))
		pid, err3 := strconv.Atoi(filepath.Base(d))
		if err != nil || err2 != nil || err3 != nil || !bytes.Contains(env, []byte("XDG_RUNTIME_DIR="+r.Dir+"\x00")) {
			continue
		}
		if slices.Contains([]string{"pulseaudio", "pipewire", "pipewire-pulse", "wireplumber"}, strings.TrimSpace(string(comm))) {
			sum += processorTime(r.t, pid)
		}
	}
	return sum
}

// tenFlat is a correction of ten bands per ear that cancel each other in pairs: it costs what ten bands cost, and the
// counter signal comes out as it went in.
func tenFlat() string {
	text := "headroom_db = 0.0\n"
	for i := range 5 {
		for _, g := range []float64{3, -3} {
			text += fmt.Sprintf("\n[[band]]\nshape = \"bell\"\nfreq_hz = %d\ngain_db = %g\nq = 1.0\n", 100<<i, g)
		}
	}
	return text
}

func residentKiB(t *testing.T, pid int) int {
	t.Helper()
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range strings.Split(string(b), "\n") {
		if v, ok := strings.CutPrefix(l, "VmRSS:"); ok {
			n, _ := strconv.Atoi(strings.Fields(v)[0])
			return n
		}
	}
	return 0
}
