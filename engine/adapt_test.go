package engine

import (
	"log/slog"
	"math"
	"slices"
	"testing"
	"time"
)

// buffered is a driver whose output's buffer can change.
type buffered struct {
	sizes  []int
	inStep bool
}

func (b *buffered) Name() string                 { return "buffered" }
func (b *buffered) Devices() ([]Device, error)   { return nil, nil }
func (b *buffered) Open(Request) (Stream, error) { return b, nil }
func (b *buffered) Close() error                 { return nil }
func (b *buffered) DelayFrames() int             { return b.sizes[len(b.sizes)-1] }
func (b *buffered) Plan(d Delay, _ int) Plan {
	if d == DelayLow {
		return Plan{CaptureFrames: 96, KeepFrames: 192, OutputFrames: []int{240}}
	}
	return Plan{CaptureFrames: 192, KeepFrames: 384, OutputFrames: []int{480, 720, 960}, InStep: b.inStep}
}
func (b *buffered) Resize(n int) (int, error) { b.sizes = append(b.sizes, n); return n, nil }

// Where capture and playback are in step, a larger buffer takes nothing from the ring, and follows at once.
func TestBufferGrowsInStep(t *testing.T) {
	b := &buffered{inStep: true}
	s := New(b, nil, Settings{Output: "out", Capture: "in", RateHz: 48000}, Selection{}, slog.New(slog.DiscardHandler))
	s.route.RateHz = 48000
	req := Request{RateHz: 48000}
	s.planFor(&req)
	b.sizes = []int{req.OutputFrames}
	s.stream = b
	_, l := testLoop(t, MatchPink)
	s.loop.Store(l)
	s.m.underflows.Store(1)
	s.adapt(time.Now())
	if b.DelayFrames() != 720 || l.stretch.Load() != 0 {
		t.Errorf("the buffer is %d, and %d frames more are asked of the ring; want 720 and none", b.DelayFrames(), l.stretch.Load())
	}
}

// A server that runs dry gets a larger buffer, once for each time it is seen to be dry, and a smaller one after ten calm
// minutes; nothing is concluded while a change settles, and "low" stays as it is.
func TestBufferFollowsBreaks(t *testing.T) {
	at := func(s float64) time.Time { return time.Unix(0, 0).Add(time.Duration(s * float64(time.Second))) }
	type step struct {
		atS      float64
		flows    uint64 // so far
		expected int    // the buffer after it
	}
	for _, c := range []struct {
		delay Delay
		steps []step
	}{
		{DelayNormal, []step{
			{0.5, 1, 480}, // the start is still settling
			{2, 1, 480},
			{3, 2, 720},
			{3.5, 3, 720}, // the change is settling
			{5, 4, 960},
			{7, 9, 960}, // there is no more
			{300, 9, 960},
			{606, 9, 960},
			{608, 9, 720},
			{608.5, 10, 720},
			{1208, 10, 720},
			{1211, 10, 480},
			{2000, 10, 480}, // there is no less
			{2001, 11, 720},
		}},
		{DelayLow, []step{{3, 2, 240}, {5, 9, 240}}},
	} {
		b := &buffered{}
		s := New(b, nil, Settings{Output: "out", Capture: "in", Delay: c.delay, RateHz: 48000}, Selection{}, slog.New(slog.DiscardHandler))
		s.route.RateHz = 48000
		var req Request
		req.RateHz = 48000
		s.planFor(&req)
		b.sizes = []int{req.OutputFrames}
		s.stream = b
		_, l := testLoop(t, MatchPink)
		s.loop.Store(l)
		l.grows.Store(s.outputGrows())
		s.calm = at(1)
		for _, step := range c.steps {
			s.m.underflows.Store(step.flows)
			was, more := b.DelayFrames(), l.stretch.Load()
			s.adapt(at(step.atS))
			if grows := step.expected > was; grows && (b.DelayFrames() != was || l.stretch.Load() != int64(step.expected-was)) || !grows && l.stretch.Load() != more {
				t.Errorf("%s: at %.1f s the buffer is %d, the ring is to take %d more: first the ring, then the buffer", c.delay, step.atS, b.DelayFrames(), l.stretch.Load())
			}
			s.adapt(at(step.atS + 0.01)) // the ring is at it
			if step.expected > was && b.DelayFrames() != was {
				t.Errorf("%s: at %.1f s the buffer grew before the ring", c.delay, step.atS)
			}
			s.adapt(at(step.atS + 0.05))
			if got := b.DelayFrames(); got != step.expected {
				t.Fatalf("%s: at %.1f s after %d times dry the buffer is %d (%v), want %d", c.delay, step.atS, step.flows, got, b.sizes, step.expected)
			}
			if largest := s.plan.OutputFrames[len(s.plan.OutputFrames)-1]; l.grows.Load() != (step.expected < largest) {
				t.Errorf("%s: at %.1f s with %d of at most %d frames the ring is told that the buffer grows: %v", c.delay, step.atS, step.expected, largest, l.grows.Load())
			}
		}
		// what is in force outlives a reopening, and new settings begin anew
		if s.planFor(&req); req.OutputFrames != b.DelayFrames() {
			t.Errorf("reopened with %d frames", req.OutputFrames)
		}
		if c.delay == DelayNormal {
			s.set.Delay = DelayLow
			if s.planFor(&req); req.OutputFrames != 240 || req.CaptureFrames != 96 {
				t.Errorf("after the setting changed: %d and %d frames", req.OutputFrames, req.CaptureFrames)
			}
		}
	}
}

// What a larger buffer will take is put into the ring by a crossfade to frames read already: no step is heard.
func TestStretchDoesNotClick(t *testing.T) {
	s, l := testLoop(t, MatchPink)
	in, out := make([]float32, 2*480), make([]float32, 2*480)
	phase := 0.0
	var all []float32
	for k := range 400 {
		for i := 0; i < len(in); i += 2 {
			phase += 2 * math.Pi * 200 / 48000
			in[i], in[i+1] = float32(0.5*math.Sin(phase)), float32(0.5*math.Sin(phase))
		}
		l.capture(in)
		before := l.ring.fill()
		if k == 300 {
			l.stretch.Store(240)
		}
		l.render(out)
		if k == 300 {
			if got := l.ring.fill() - (before - 480); got < 238 || got > 242 {
				t.Errorf("the ring holds %d frames more, want 240", got)
			}
		}
		if k > 100 {
			all = append(all, out...)
		}
	}
	if s.m.underruns.Load() != 0 {
		t.Errorf("%d underruns", s.m.underruns.Load())
	}
	worst := 0.0
	for i := 4; i+4 < len(all); i += 2 { // second difference of a 200 Hz sine at 0.5 is 3.4e-4
		worst = max(worst, math.Abs(float64(all[i+2]-2*all[i]+all[i-2])))
	}
	if worst > 0.002 {
		t.Errorf("a step of %.4f", worst)
	}
	if top := slices.Max(all); math.Abs(float64(top)-0.5) > 0.01 {
		t.Errorf("peak %.3f", top)
	}
}

// What the ring keeps more after breaks it gives back, half a period every ten calm minutes.
func TestKeptMoreAfterBreaksAndLessAfterACalm(t *testing.T) {
	s, l := testLoop(t, MatchPink)
	in, out := make([]float32, 2*480), make([]float32, 2*480)
	run := func(callbacks int) {
		for range callbacks {
			l.capture(in)
			l.render(out)
		}
	}
	run(250)
	for range 2 {
		l.calm = 599 * 48000
		for range 10 {
			l.render(out) // nothing comes
		}
		if l.calm > 48000 {
			t.Error("a break does not end the calm")
		}
		run(20)
	}
	if got := s.m.underruns.Load(); got != 2 {
		t.Fatalf("%d underruns", got)
	}
	if l.target != l.keep+480 {
		t.Fatalf("%d frames are kept after two breaks, want %d", l.target, l.keep+480)
	}
	second := func() { run(100) }
	for _, c := range []struct {
		calmS int // calm for so long already
		more  int
	}{{590, 480}, {599, 240}, {1, 240}, {599, 0}, {599, 0}} {
		l.calm = c.calmS * 48000
		second()
		second()
		if l.target != l.keep+c.more {
			t.Errorf("after %d calm seconds and two more %d frames are kept, want %d", c.calmS, l.target, l.keep+c.more)
		}
	}
	if fill := float64(l.ring.fill()); math.Abs(fill-float64(l.keep)) > 480 {
		t.Errorf("the fill is %.0f frames, kept are %d", fill, l.keep)
	}
}

// What a start piles up beyond a capture period is spliced out once it is known, in blocks however small, and is not left to
// the servo, which would change the pitch for seconds.
func TestStartSurplusIsSplicedOut(t *testing.T) {
	s, l := testLoop(t, MatchPink)
	const n = 60 // frames a callback: the splice spans several
	in, out := make([]float32, 2*n), make([]float32, 2*n)
	phase := 0.0
	var all []float32
	ppm := 0.0
	feed := func() {
		for i := 0; i < len(in); i += 2 {
			phase += 2 * math.Pi * 200 / 48000
			in[i], in[i+1] = float32(0.5*math.Sin(phase)), float32(0.5*math.Sin(phase))
		}
		l.capture(in)
	}
	var clock int64
	l.now = func() int64 { clock += int64(n * 1e9 / 48000); return clock }
	for k := range 48000 / n * 3 {
		feed()
		l.render(out)
		for l.primed && k < 60 && l.ring.fill() < 4000 {
			feed()
		}
		if float64(k) > 0.5*48000/n {
			ppm = max(ppm, math.Abs(s.m.ratioPPM.load()))
		}
		all = append(all, out...)
	}
	if got := s.m.trims.Load(); got != 1 {
		t.Errorf("%d trims", got)
	}
	if fill := l.ring.fill(); math.Abs(float64(fill-l.target-l.period/2)) > 60 {
		t.Errorf("the ring holds %d frames, wanted are %d", fill, l.target+l.period/2)
	}
	if ppm > 60 {
		t.Errorf("the pitch is changed by %.0f ppm", ppm)
	}
	worst := 0.0
	for i := 2 * 24000 / 2; i+4 < len(all); i += 2 { // second difference of a 200 Hz sine at 0.5 is 3.4e-4
		worst = max(worst, math.Abs(float64(all[i+2]-2*all[i]+all[i-2])))
	}
	if worst > 0.002 {
		t.Errorf("a step of %.4f", worst)
	}
}
