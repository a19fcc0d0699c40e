package engine_test

import (
	"context"
	"fmt"
	"log/slog"
	"math"
	"math/rand/v2"
	"runtime"
	"sync/atomic"
	"testing"
	"time"

	"cushwright/dsp"
	"cushwright/dsp/testrun"
	"cushwright/engine"
	"cushwright/engine/sim"
)

var long = testrun.Long

// watcher listens to the simulated output of a 1 kHz tone as it plays and keeps nothing of it but figures. It belongs
// to the simulated device's goroutine until the run has ended.
type watcher struct {
	rate      float64
	hz        float64 // of the programme, on the capture clock
	step      float64 // the largest the tone makes
	last      float64
	quiet     int // frames below a tenth of the tone in a row
	amplitude float64
	frames    uint64
	breaks    int    // steps, or silences longer than the tone's own; what follows within half a second belongs to the same
	until     uint64 // frame at which another would be another
}

func (w *watcher) broken(frame uint64) {
	if frame >= w.until {
		w.breaks++
	}
	w.until = frame + uint64(w.rate/2)
}

func (w *watcher) take(out []float32) {
	for i := 0; i < len(out); i += 2 {
		x := float64(out[i])
		frame := w.frames + uint64(i/2)
		if math.Abs(x-w.last) > w.step {
			w.broken(frame)
		}
		w.last = x
		if math.Abs(x) > w.amplitude/10 {
			w.quiet = 0
		} else if w.quiet++; w.quiet == int(w.rate/w.hz) {
			w.broken(frame)
		}
	}
	w.frames += uint64(len(out) / 2)
}

// Eight hours of audio (four minutes where there is less time), with another correction, a bypass and a mute every
// now and then, and a lost capture period once in a while: nothing grows, and no break is heard that the counters do
// not show.
//
// The eight hours (CUSHWRIGHT_LONG=1 go test ./engine -run TestSoak -v) give 40 breaks that are provoked, heard and
// counted. The heap is 532, then 496 KiB.
func TestSoak(t *testing.T) {
	seconds := 240
	switch {
	case raced:
		seconds = 60
		testrun.LeftOut(t, "3 of 4 minutes of the soak", "the race detector makes simulated time too slow; step soak runs it whole")
	case long():
		seconds = 8 * 3600
	}
	const rate = 48000
	w := &watcher{rate: rate, hz: 1000, amplitude: 0.25, step: 0.25 * 2 * math.Pi * 1000 / rate * 1.02}
	var played atomic.Uint64
	var breaks atomic.Int64
	d := &sim.Driver{CapturePPM: 80, JitterMS: 0.5, Buffers: engine.Plan{CaptureFrames: 192, KeepFrames: 384, OutputFrames: []int{480}},
		Source: sine(1000, 0.25)}
	d.Sink = func(_ uint64, out []float32) {
		w.take(out)
		breaks.Store(int64(w.breaks))
		played.Store(w.frames)
	}
	a := engine.Selection{Correction: correction(t, 0, dsp.Band{Shape: dsp.LowShelf, FreqHz: 105, GainDB: -5, Q: 0.7}, dsp.Band{Shape: dsp.Bell, FreqHz: 6000, GainDB: -3, Q: 2})}
	b := engine.Selection{Correction: correction(t, 0, dsp.Band{Shape: dsp.HighShelf, FreqHz: 9000, GainDB: -3, Q: 0.7})}
	set := settings()
	set.Match = engine.MatchOff
	s, cancel, done := start(t, d, nil, set, a)
	defer cancel()
	ctx := context.Background()
	until := func(second int) {
		for n := 0; played.Load() < uint64(second)*rate; n++ {
			if n > 120_000 {
				t.Fatalf("the simulated time stands still: %+v", s.Status())
			}
			time.Sleep(time.Millisecond)
		}
	}
	until(3)
	first := breaks.Load() // the start's fade-in from silence
	var heap0 uint64
	var goroutines0 int
	measure := func() (heap uint64, goroutines int) {
		var m runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&m)
		return m.HeapAlloc, runtime.NumGoroutine()
	}
	before, after := s.Status().Counters, engine.Counters{}
	lost := 0
	for k, every := 0, max(10, seconds/200); 3+k*every < seconds; k++ {
		until(3 + k*every)
		var err error
		switch k % 5 {
		case 0:
			err = s.Select(ctx, b)
		case 1:
			_, err = s.Bypass(ctx, nil)
		case 2:
			err = s.Select(ctx, a)
		case 3:
			_, err = s.Bypass(ctx, nil)
		case 4: // enough lost for the ring to run dry: a break that must be counted
			d.Lose(8)
			lost++
		}
		if err != nil {
			t.Fatal(err)
		}
		if k == 4 {
			heap0, goroutines0 = measure()
		}
	}
	until(seconds)
	heap1, goroutines1 := measure()
	after = s.Status().Counters
	heard, counted := breaks.Load()-first, after.Underruns-before.Underruns
	t.Logf("%d s of audio: %d breaks heard, %d counted (%d provoked), %d trims, fill %d frames; heap %d then %d KiB, goroutines %d then %d",
		seconds, heard, counted, lost, after.Trims-before.Trims, after.RingFillFrames, heap0>>10, heap1>>10, goroutines0, goroutines1)
	if counted < uint64(lost) {
		t.Errorf("%d breaks were provoked, %d counted", lost, counted)
	}
	// one break is heard as its silence alone: down and up it is faded; so is a reopening, where the machine stood
	// still
	if reopened := s.Status().Reopened; heard > int64(counted)+int64(reopened) {
		t.Errorf("%d breaks were heard, %d counted, reopened %d times", heard, counted, reopened)
	}
	if after.LateCallbacks > before.LateCallbacks {
		t.Errorf("late callbacks %d", after.LateCallbacks-before.LateCallbacks)
	}
	if heap1 > heap0+heap0/4+1<<20 || goroutines1 > goroutines0 {
		t.Errorf("it grew: heap %d then %d KiB, goroutines %d then %d", heap0>>10, heap1>>10, goroutines0, goroutines1)
	}
	if after.OverrunFrames != before.OverrunFrames || after.BadBlocks != 0 {
		t.Errorf("%+v", after)
	}
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
}

// The two devices' clocks differ by an error that is injected. From lock on, for an hour (two minutes where there is
// less time), there is no break, the fill stays within ±0.5 ms, and a tone keeps its purity and comes at the pitch of
// the true ratio. These limits are the project's own; no source.
//
// The hours (CUSHWRIGHT_LONG=1 go test ./engine -run TestClockError -v) give, with callbacks up to 0.3 ms late: fill
// within ±0.03 ms (capture periods of 2 ms) and ±0.07 ms (10 ms), pitch within 0.13 and 0.43 ppm of the true ratio from
// 90 s on, THD+N of 1 kHz −112 dB or better. With an output that has a buffer of its own, callbacks up to 1 ms late and
// +500 ppm they give ±0.06 ms, 0.32 ppm and −124 dB.
func TestClockError(t *testing.T) {
	left := 24
	for _, c := range []struct {
		engine.Plan
		jitterMS float64
		buffered bool // less is kept in the ring than a callback may be late: the output's buffer covers it
	}{
		{engine.Plan{CaptureFrames: 96, KeepFrames: 192, OutputFrames: []int{240}}, 0.3, false},
		{engine.Plan{CaptureFrames: 480, KeepFrames: 960, OutputFrames: []int{1920}}, 0.3, false},
		{engine.Plan{CaptureFrames: 96, KeepFrames: 24, OutputFrames: []int{336}}, 1, true},
		{engine.Plan{CaptureFrames: 96, KeepFrames: -96, OutputFrames: []int{480}}, 1, true},
	} {
		buffers := c.Plan
		errors := []float64{-500, -200, -50, 50, 200, 500}
		if raced && buffers.CaptureFrames == 96 {
			errors = nil
		} else if raced {
			errors = errors[5:]
		}
		left -= len(errors)
		for _, ppm := range errors {
			t.Run(fmt.Sprintf("%d-%d-%d-frames/%+.0f-ppm", buffers.CaptureFrames, buffers.KeepFrames, buffers.OutputFrames[0], ppm), func(t *testing.T) {
				for again := false; !clockError(t, &sim.Driver{CapturePPM: ppm, JitterMS: c.jitterMS, Buffers: buffers, Buffered: c.buffered}); again = true {
					if again {
						t.Fatal("twice the machine was too busy for it")
					}
					testrun.Repeated(t, "the machine stood still for half a second of its own time, and the streams were opened anew")
				}
			})
		}
	}
	if left > 0 {
		testrun.LeftOut(t, fmt.Sprintf("%d of 24 clock cases", left), "the race detector makes simulated time too slow; step soak runs them all")
	}
}

// clockError reports false where it could not judge.
func clockError(t *testing.T, d *sim.Driver) bool {
	const rate, hz, amplitude = 48000, 1000.0, 0.5
	settle, judged := 90, 40
	switch {
	case raced:
		judged = 10
	case long():
		judged = 3600
	}
	var captured uint64
	inc := 2 * math.Pi * hz / rate
	d.Source = func(frame uint64, in []float32) {
		for i := 0; i < len(in); i += 2 {
			v := float32(amplitude * math.Sin(inc*float64((frame+uint64(i/2))%rate))) // a whole number of periods a second
			in[i], in[i+1] = v, v
		}
		captured = frame + uint64(len(in)/2)
	}
	flat := engine.Selection{Correction: correction(t, 0)}
	set := settings()
	set.Guard, set.Match = false, engine.MatchOff
	var s *engine.Session
	ready := make(chan struct{})
	total := uint64(settle+judged) * rate
	finished := make(chan struct{})

	// All below belongs to the simulated device's goroutine until finished is closed.
	ratio := 1 + d.CapturePPM*1e-6
	w := 2 * math.Pi * hz * ratio / rate // what comes out in lock, on the playback clock
	var fills []float64
	var period int       // frames of a call
	var phases []float64 // of the output against the true ratio, one a second, radians
	var re, im float64
	var inSecond int
	var block []float64 // a second, for its purity
	worstTHDN := -300.0
	var before engine.Counters
	d.Sink = func(frame uint64, out []float32) {
		if frame == 0 {
			<-ready
		}
		if frame < uint64(settle)*rate || frame >= total {
			if frame >= total {
				select {
				case <-finished:
				default:
					close(finished)
				}
			}
			return
		}
		c := s.Status().Counters
		if period = len(out) / 2; len(fills) == 0 {
			before = c
		}
		// Frames on their way: what the ring holds and what the device has captured but not handed over, at this
		// period's nominal moment; the callback itself comes a little later by jitter.
		now := float64(d.Now()) * 1e-9
		fills = append(fills, float64(c.RingFillFrames)+now*rate*ratio-float64(captured))
		for i := 0; i < len(out); i += 2 {
			x := float64(out[i])
			sin, cos := math.Sincos(math.Mod(w*float64(frame+uint64(i/2)), 2*math.Pi))
			h := 1 - math.Cos(2*math.Pi*(float64(inSecond)+0.5)/rate) // a window: the tone's own image must not leak
			re += h * x * cos
			im += h * x * sin
			block = append(block, x)
			if inSecond++; inSecond == rate {
				phases = append(phases, math.Atan2(re, im))
				if len(phases)%10 == 0 {
					worstTHDN = max(worstTHDN, thdn(block[:rate/5], hz*ratio, rate))
				}
				re, im, inSecond, block = 0, 0, 0, block[:0]
			}
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	s = engine.New(d, nil, set, flat, slog.New(slog.DiscardHandler))
	close(ready)
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	select {
	case <-finished:
	case err := <-done:
		t.Fatal("it ended: ", err)
	case <-time.After(20 * time.Minute):
		t.Fatal("the simulated time stands still")
	}
	after, reopened := s.Status().Counters, s.Status().Reopened
	cancel()
	<-done
	if reopened > 0 {
		return false
	}

	// the fill without the saw-tooth that jitter and periods make: means of a second
	per := rate / period
	lo, hi := math.Inf(1), math.Inf(-1)
	for at := 0; at+per <= len(fills); at += per {
		sum := 0.0
		for _, f := range fills[at : at+per] {
			sum += f
		}
		lo, hi = min(lo, sum/float64(per)), max(hi, sum/float64(per))
	}
	middle := (lo + hi) / 2
	worst, slew, lastPPM := 0.0, 0.0, math.NaN()
	for i := 1; i < len(phases); i++ {
		off := math.Remainder(phases[i]-phases[i-1], 2*math.Pi) / (2 * math.Pi * hz) * 1e6 // ppm over a second
		worst = max(worst, math.Abs(off))
		if i > 1 {
			slew = max(slew, math.Abs(off-lastPPM))
		}
		lastPPM = off
	}
	t.Logf("%d s after %d s: fill within ±%.3f ms of %.2f ms, pitch within %.3f ppm of the true ratio, changing by %.3f ppm/s at most, THD+N %.1f dB, breaks %d, trims %d",
		judged, settle, (hi-lo)/2/rate*1e3, middle/rate*1e3, worst, slew, worstTHDN, after.Underruns-before.Underruns, after.Trims-before.Trims)
	if after.Underruns != before.Underruns || after.OverrunFrames != before.OverrunFrames || after.Trims != before.Trims {
		t.Errorf("breaks: %+v, before %+v", after, before)
	}
	if (hi-lo)/2/rate*1e3 > 0.5 {
		t.Errorf("the fill moved by ±%.3f ms, allowed: 0.5", (hi-lo)/2/rate*1e3)
	}
	if worst > 0.5 {
		t.Errorf("the pitch was off by %.3f ppm, allowed: 0.5", worst)
	}
	if slew > 5 {
		t.Errorf("the pitch changed by %.2f ppm/s, allowed: 5", slew)
	}
	if worstTHDN > -100 {
		t.Errorf("THD+N %.1f dB, allowed: -100", worstTHDN)
	}
	return true
}

// thdn is all that is not the tone, re the tone, in dB: what a sine, fitted by least squares, leaves. Its frequency
// is searched about hz: a pitch that is off by a part of a ppm is no noise. In 0.2 s, what lies within a few hertz of
// the tone counts as the tone, as it does for a meter with a notch filter (common practice, no source).
func thdn(x []float64, hz, rate float64) float64 {
	rest := func(hz float64) float64 {
		var ss, sc, cc, sx, cx, xx float64
		w := 2 * math.Pi * hz / rate
		for i, v := range x {
			s, c := math.Sincos(w * float64(i))
			ss, sc, cc = ss+s*s, sc+s*c, cc+c*c
			sx, cx, xx = sx+s*v, cx+c*v, xx+v*v
		}
		det := ss*cc - sc*sc
		a, b := (sx*cc-cx*sc)/det, (cx*ss-sx*sc)/det
		return (xx - a*sx - b*cx) / (a*sx + b*cx)
	}
	// the error is a parabola near its least: three points give it
	d := hz * 0.5e-6
	for range 3 {
		l, m, r := rest(hz-d), rest(hz), rest(hz+d)
		if bend := l - 2*m + r; bend > 0 {
			hz += max(-2*d, min(2*d, d*(l-r)/2/bend))
		}
	}
	return 10 * math.Log10(max(rest(hz), 1e-30))
}

// The figure for purity is right to 0.2 dB on a tone whose third harmonic and whose noise are known.
func TestTHDN(t *testing.T) {
	rnd := rand.New(rand.NewPCG(4, 4))
	for _, c := range []struct{ harmonicDB, noiseDB float64 }{{-100, -300}, {-300, -100}, {-90, -95}, {-120, -118}} {
		x := make([]float64, 9600)
		for i := range x {
			w := 2 * math.Pi * 1000.0004 / 48000 * float64(i)
			x[i] = 0.5*math.Sin(w+1) + 0.5*dsp.Ratio(c.harmonicDB)*math.Sin(3*w) + 0.5/math.Sqrt2*dsp.Ratio(c.noiseDB)*rnd.NormFloat64()
		}
		want := 10 * math.Log10(math.Pow(10, c.harmonicDB/10)+math.Pow(10, c.noiseDB/10))
		if got := thdn(x, 1000, 48000); math.Abs(got-want) > 0.2 {
			t.Errorf("harmonic %.0f dB, noise %.0f dB: %.2f dB, want %.2f", c.harmonicDB, c.noiseDB, got, want)
		}
	}
}
