package drift

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"cushwright/dsp/testrun"
)

// simulation of two clocks: a capture device that delivers blocks of 480 frames and a playback device that asks for
// blocks of 1920, each callback late by up to jitterMs. Invented figures.
type simulation struct {
	ppm      float64 // capture clock against playback clock
	jitterMs float64
	plain    bool // the servo sees the plain fill, not the fill with the time since the last capture counted
	trimAt   float64
	again    bool    // the buffer was emptied then, and the servo is told
	stepPPM  float64 // the clock moves by this much
	stepAt   float64
	seed     uint64
}

type outcome struct {
	lockS         float64 // when lock came
	pitchPPM      float64 // largest error of the ratio, once settled
	fillMs        float64 // largest excursion of the fill from its mean, block sizes and jitter apart, once settled
	slewPPM       float64 // largest change of the ratio in a second, in lock
	lowMs, highMs float64 // extremes of the plain fill against the target, once settled
	seekMs        float64 // range of the fill before
	offMs         float64 // mean of what the servo saw against the target, once settled
	unlockedAfter int     // callbacks without lock after the settling time
}

func (c simulation) run(seconds, settleS float64) outcome {
	const rate, block, pull = 48000.0, 480, 1920
	r := rand.New(rand.NewPCG(c.seed, 1))
	target := 480.0
	if !c.plain {
		target += block / 2
	}
	s := NewServo(rate, target)
	o := outcome{lockS: math.Inf(1), lowMs: math.Inf(1), highMs: math.Inf(-1)}
	ppm := c.ppm
	jitter := func() float64 { return c.jitterMs / 1000 * r.Float64() }
	captured, capturedAt := 1.0*(480+pull), 0.0
	ideal := 0.0 // when the next block would come without jitter
	nextCapture := jitter()
	consumed, ratio := 0.0, 1.0
	smooth, sum, seenSum, n := 0.0, 0.0, 0.0, 0.0
	first, last, low, high := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	var history []float64
	for k := 0; ; k++ {
		now := float64(k)*pull/rate + jitter()
		if now > seconds {
			return o
		}
		if c.stepAt > 0 && now > c.stepAt {
			ppm = c.ppm + c.stepPPM
		}
		for nextCapture <= now {
			captured += block
			capturedAt = nextCapture
			ideal += block / (rate * (1 + ppm*1e-6))
			nextCapture = max(nextCapture, ideal+jitter())
		}
		consumed += pull * ratio
		if c.trimAt > 0 && now > c.trimAt {
			captured -= 2400
			c.trimAt = 0
			if c.again {
				s.Again()
			}
		}
		fill := captured - math.Floor(consumed)
		seen := fill
		if !c.plain {
			seen += min((now-capturedAt)*rate, 2*block)
		}
		ratio = s.Update(seen, pull)
		// What the fill is without block sizes and jitter. Only its constant part depends on both.
		smooth += pull * (1 + ppm*1e-6) // what came in during the last period
		level := 1.0*(480+pull) + smooth - consumed
		history = append(history, ratio)
		if s.Locked() {
			o.lockS = min(o.lockS, now)
			if i := len(history) - 26; i >= 0 && now > settleS {
				o.slewPPM = max(o.slewPPM, math.Abs(ratio-history[i])*1e6)
			}
		}
		if now < settleS {
			first = min(first, level)
			last = max(last, level)
			o.seekMs = (last - first) / rate * 1000
			continue
		}
		if !s.Locked() {
			o.unlockedAfter++
		}
		o.pitchPPM = max(o.pitchPPM, math.Abs(ratio-(1+ppm*1e-6))*1e6)
		sum += level
		seenSum += seen
		o.offMs = (seenSum/(n+1) - target) / rate * 1000
		n++
		low, high = min(low, level), max(high, level)
		o.fillMs = max(high-sum/n, sum/n-low) / rate * 1000
		o.lowMs = min(o.lowMs, (fill-480)/rate*1000)
		o.highMs = max(o.highMs, (fill-480)/rate*1000)
	}
}

func (o outcome) String() string {
	return fmt.Sprintf("lock after %.0f s, fill moves %.1f ms before, then stays within %.3f ms, mean %+.3f ms off; pitch within %.3f ppm, %.3f ppm/s; plain fill %+.1f to %+.1f ms",
		o.lockS, o.seekMs, o.fillMs, o.offMs, o.pitchPPM, o.slewPPM, o.lowMs, o.highMs)
}

// longer gives the simulated time: minutes, or an hour under CUSHWRIGHT_LONG=1.
func longer(seconds float64) float64 {
	if testrun.Long() {
		return 3600
	}
	return seconds
}

func TestServoHoldsFillAndPitch(t *testing.T) {
	for _, ppm := range []float64{0, 50, -50, 200, -200, 500, -500} {
		for _, jitter := range []float64{0, 1, 2} {
			o := simulation{ppm: ppm, jitterMs: jitter, seed: 1}.run(longer(1500), 600)
			t.Logf("%+4g ppm, jitter %g ms: %v", ppm, jitter, o)
			if o.lockS > 300 || o.unlockedAfter > 0 {
				t.Errorf("%+g ppm, jitter %g ms: lock after %.0f s, %d callbacks without", ppm, jitter, o.lockS, o.unlockedAfter)
			}
			if o.pitchPPM > 0.5 {
				t.Errorf("%+g ppm, jitter %g ms: pitch off by %.3f ppm", ppm, jitter, o.pitchPPM)
			}
			if o.fillMs+math.Abs(o.offMs) > 0.5 {
				t.Errorf("%+g ppm, jitter %g ms: fill off by %.3f ms", ppm, jitter, o.fillMs)
			}
			if o.slewPPM > 5 {
				t.Errorf("%+g ppm, jitter %g ms: ratio moves by %.3f ppm/s", ppm, jitter, o.slewPPM)
			}
			if o.seekMs > 25 {
				t.Errorf("%+g ppm, jitter %g ms: fill moves by %.1f ms while seeking", ppm, jitter, o.seekMs)
			}
		}
	}
}

// With the plain fill, the beat of the block sizes remains: a clock error of 50 ppm hides for 200 s behind blocks of
// 10 ms. It must stay far below what is heard (80 ppm are 0.14 cent) and slow, and the fill within about a block.
func TestServoOnPlainFill(t *testing.T) {
	for _, ppm := range []float64{0, 5, -50, 200, -500} {
		o := simulation{ppm: ppm, jitterMs: 1, plain: true, seed: 2}.run(longer(1500), 600)
		t.Logf("%+4g ppm: %v", ppm, o)
		if o.pitchPPM > 80 || o.slewPPM > 5 {
			t.Errorf("%+g ppm: pitch off by %.3f ppm, %.3f ppm/s", ppm, o.pitchPPM, o.slewPPM)
		}
		if o.lowMs < -15 || o.highMs > 15 {
			t.Errorf("%+g ppm: fill %+.1f to %+.1f ms", ppm, o.lowMs, o.highMs)
		}
	}
}

// A buffer that was trimmed or ran dry must not cost what is known of the clocks.
func TestServoAfterTrim(t *testing.T) {
	for _, again := range []bool{false, true} {
		o := simulation{ppm: 200, jitterMs: 1, trimAt: 700, again: again, seed: 3}.run(longer(1600), 1100)
		t.Logf("%v", o)
		if o.pitchPPM > 0.5 || o.fillMs > 0.5 || o.unlockedAfter > 0 {
			t.Errorf("told %v: %v", again, o)
		}
		if o = (simulation{ppm: 200, jitterMs: 1, trimAt: 700, again: again, seed: 3}.run(760, 701)); o.pitchPPM > 320 { // 300 work a fill off, 20 is the doubt about the clocks
			t.Errorf("told %v: straight after it %v", again, o)
		}
	}
}

// A clock that warms up: 2 ppm more, and the servo follows at its slow pace, without losing lock for good.
func TestServoFollowsClock(t *testing.T) {
	o := simulation{ppm: -100, jitterMs: 1, stepPPM: 2, stepAt: 700, seed: 4}.run(longer(2000), 1500)
	t.Logf("%v", o)
	if o.pitchPPM > 0.5 || o.fillMs > 0.5 || o.slewPPM > 5 {
		t.Errorf("%v", o)
	}
}

func TestServoIgnoresNonsense(t *testing.T) {
	s := NewServo(48000, 480)
	s.Update(480, 1920)
	for _, f := range []float64{math.NaN(), math.Inf(1)} {
		if r := s.Update(f, 1920); r-r != 0 {
			t.Fatalf("ratio %g", r)
		}
	}
	for range 1000 {
		if r := s.Update(1e9, 1920); !(r >= 1-MaxDeviation && r <= 1+MaxDeviation) {
			t.Fatalf("ratio %g", r)
		}
	}
	fresh := *NewServo(48000, 480)
	s.Reset()
	if *s != fresh {
		t.Error("Reset does not make it new")
	}
	if n := testing.AllocsPerRun(100, func() { s.Update(500, 1920) }); n != 0 {
		t.Errorf("%g allocations", n)
	}
}

func BenchmarkServo(b *testing.B) {
	s := NewServo(48000, 480)
	i := 0
	for b.Loop() {
		s.Update(480+float64(i%7), 480)
		i++
	}
}

// Held, the ratio stays where the clocks are, whatever the fill does; let go, the fill comes back.
func TestServoHolds(t *testing.T) {
	const rate, ppm, period = 48000.0, 80.0, 480
	s := NewServo(rate, 1000)
	fill, ratio := 1000.0, 1.0
	run := func(seconds float64, each func()) {
		for range int(seconds * rate / period) {
			fill += period * (1 + ppm*1e-6 - ratio)
			ratio = s.Update(fill, period)
			each()
		}
	}
	run(60, func() {})
	fill += 300 // a surplus, which the servo would work off by another ratio
	run(2, func() {})
	s.Hold(true)
	run(2, func() {}) // on its way
	at := ratio
	run(20, func() {
		s.Hold(true)
		if ratio != at {
			t.Fatalf("held at %.2f ppm, now %.2f", (at-1)*1e6, (ratio-1)*1e6)
		}
	})
	if d := (at-1)*1e6 - ppm; math.Abs(d) > 20 {
		t.Errorf("held %.2f ppm beside the clocks", d)
	}
	strayed := fill
	s.Hold(false)
	run(120, func() {})
	if math.Abs(fill-1000) > math.Abs(strayed-1000)/2 {
		t.Errorf("the fill was %.0f frames off and is %.0f", strayed-1000, fill-1000)
	}
	// Of clocks that are not known it keeps one.
	s.Reset()
	s.Hold(true)
	fill, ratio = 1000, 1
	run(5, func() {
		if ratio != 1 {
			t.Fatalf("nothing known, yet %.2f ppm", (ratio-1)*1e6)
		}
	})
}
