package live

import (
	"math"
	"slices"
	"testing"
)

// What a larger buffer will take is put into the ring by a crossfade to frames read already: no step is heard.
func TestSpareFramesDoNotClick(t *testing.T) {
	m, p := testPath(t, false)
	in, out := make([]float32, 2*480), make([]float32, 2*480)
	phase := 0.0
	var all []float32
	for k := range 400 {
		for i := 0; i < len(in); i += 2 {
			phase += 2 * math.Pi * 200 / 48000
			in[i], in[i+1] = float32(0.5*math.Sin(phase)), float32(0.5*math.Sin(phase))
		}
		p.Capture(in)
		before := p.feed.ring.fill()
		if k == 300 {
			p.Spare(240)
		}
		p.Render(out)
		if k == 300 {
			if got := p.feed.ring.fill() - (before - 480); got < 238 || got > 242 {
				t.Errorf("the ring holds %d frames more, want 240", got)
			}
		}
		if k > 100 {
			all = append(all, out...)
		}
	}
	if m.playback.underruns.Load() != 0 {
		t.Errorf("%d underruns", m.playback.underruns.Load())
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
	m, p := testPath(t, false)
	in, out := make([]float32, 2*480), make([]float32, 2*480)
	run := func(callbacks int) {
		for range callbacks {
			p.Capture(in)
			p.Render(out)
		}
	}
	run(250)
	for range 2 {
		p.feed.calm = 599 * 48000
		for range 10 {
			p.Render(out) // nothing comes
		}
		if p.feed.calm > 48000 {
			t.Error("a break does not end the calm")
		}
		run(20)
	}
	if got := m.playback.underruns.Load(); got != 2 {
		t.Fatalf("%d underruns", got)
	}
	if p.feed.target != p.feed.least+480 {
		t.Fatalf("%d frames are kept after two breaks, want %d", p.feed.target, p.feed.least+480)
	}
	second := func() { run(100) }
	for _, c := range []struct {
		calmS int // calm for so long already
		more  int
	}{{590, 480}, {599, 240}, {1, 240}, {599, 0}, {599, 0}} {
		p.feed.calm = c.calmS * 48000
		second()
		second()
		if p.feed.target != p.feed.least+c.more {
			t.Errorf("after %d calm seconds and two more the target is %d, want %d", c.calmS, p.feed.target, p.feed.least+c.more)
		}
	}
	if fill := float64(p.feed.ring.fill()); math.Abs(fill-float64(p.feed.least)) > 480 {
		t.Errorf("the fill is %.0f frames, kept are %d", fill, p.feed.least)
	}
}

// What a start piles up beyond a capture period is spliced out once it is known, in blocks however small, and is not
// left to the servo, which would change the pitch for seconds.
func TestStartSurplusIsSplicedOut(t *testing.T) {
	m, p := testPath(t, false)
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
		p.Capture(in)
	}
	var clock int64
	p.now = func() int64 { clock += int64(n * 1e9 / 48000); return clock }
	for k := range 48000 / n * 3 {
		feed()
		p.Render(out)
		for p.feed.primed && k < 60 && p.feed.ring.fill() < 4000 {
			feed()
		}
		if float64(k) > 0.5*48000/n {
			ppm = max(ppm, math.Abs(m.playback.ratioPPM.load()))
		}
		all = append(all, out...)
	}
	if got := m.playback.trims.Load(); got != 1 {
		t.Errorf("%d trims", got)
	}
	if fill := p.feed.ring.fill(); math.Abs(float64(fill-p.feed.target-p.feed.period/2)) > 60 {
		t.Errorf("the ring holds %d frames, wanted are %d", fill, p.feed.target+p.feed.period/2)
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

// A larger output buffer is fed whatever the path is at when it comes: the ring holds what it will ask for before
// SpareHeld says so, whether a splice runs, or the ring is dry, or neither. Then the buffer takes it: nothing breaks,
// and the delay in the ring is as it was, but for what the splice or the break changed.
func TestLargerBufferIsFed(t *testing.T) {
	const more = 288
	for _, c := range []struct {
		name       string
		begin      func(w *waiting)
		by, within float64 // how the delay in the ring changes, frames; the servo works off what a splice changed
	}{
		{"in calm", func(*waiting) {}, 0, 5},
		{"while a splice takes delay out", func(w *waiting) { w.p.feed.splice = splice{to: 24, total: 480} }, -12, 15},
		{"while a splice puts delay in", func(w *waiting) { w.p.feed.lengthen(48) }, 24, 27},
		{"while the ring is dry", func(w *waiting) { w.run(1200, false, nil) }, waitingPeriod / 2, 5},
		{"as two wishes", func(w *waiting) { w.p.Spare(96); w.run(96, true, nil) }, 0, 5},
	} {
		m, w := newWaiting(t, 0, 0)
		w.source = func(frame int, in []float32) {
			for i := range in {
				in[i] = float32(0.5 * math.Sin(2*math.Pi*200/48000*float64(frame+i/2)))
			}
		}
		before := w.run(4*48000, true, nil)
		c.begin(w)
		w.p.Spare(more)
		if got := w.p.SpareHeld(); got >= more {
			t.Fatalf("%s: %d frames are held before anything was rendered", c.name, got)
		}
		waited := 0
		for ; w.p.SpareHeld() < more && waited < 48000; waited += 96 {
			w.run(96, true, nil)
		}
		if w.p.SpareHeld() != more {
			t.Errorf("%s: after a second %d of %d frames are held", c.name, w.p.SpareHeld(), more)
			continue
		}
		held := w.run(19200, true, nil)
		if math.Abs(held-before-c.by-more) > 30 {
			t.Errorf("%s: the ring holds %.0f frames more, want %.0f and %d", c.name, held-before, c.by, more)
		}
		// The buffer grows, and asks at once for what it takes.
		w.listen = true
		w.buffer += more
		w.p.Ask(more)
		w.settle(96)
		w.p.Spare(0)
		dry := m.playback.underruns.Load()
		after := w.run(4*48000, true, nil)
		if got := m.playback.underruns.Load() - dry; got > 0 {
			t.Errorf("%s: the ring ran dry %d times afterwards", c.name, got)
		}
		if math.Abs(after-before-c.by) > c.within {
			t.Errorf("%s: %.0f frames of delay in the ring before, %.0f after, want %+.0f", c.name, before, after, c.by)
		}
		worst := 0.0 // of the second difference: 3.4e-4 for the sine itself
		for i := 4; i+4 < len(w.heard); i += 2 {
			worst = max(worst, math.Abs(float64(w.heard[i+2]-2*w.heard[i]+w.heard[i-2])))
		}
		if worst > 0.002 {
			t.Errorf("%s: a step of %.4f", c.name, worst)
		}
		t.Logf("%s: held after %.1f ms; %.0f frames before, %.0f then, %.0f afterwards", c.name, float64(waited)/48, before, held, after)
	}
}
