package live

import (
	"math"
	"testing"

	"cushwright/dsp/drift"
)

// After a gap at the device, and after a standstill of the whole process, the sound begins anew: from silence, with a
// fade, not with what was on its way before, and the counters stay sound.
func TestSoundBeginsAnewAfterAGap(t *testing.T) {
	for _, standstill := range []bool{false, true} {
		m, p := testPath(t, false, tenBands...)
		var clock int64
		p.now = func() int64 { clock += 10e6; return clock }
		const n = 480
		in, out := make([]float32, 2*n), make([]float32, 2*n)
		frame := 0
		step := func() {
			for i := range in {
				in[i] = float32(3 * math.Sin(2*math.Pi*200*float64(frame+i/2)/48000))
			}
			frame += n
			p.Capture(in)
			p.Render(out)
		}
		peak := func() (p float64) {
			for _, x := range out {
				p = max(p, math.Abs(float64(x)))
			}
			return p
		}
		for range 100 {
			step()
		}
		full := peak()
		if full < 0.3 {
			t.Fatalf("peak %.2f before the gap", full)
		}
		overs := m.playback.overs.Load()
		if standstill {
			clock += 5e9
		} else {
			p.Gap()
		}
		step()
		worst, last := 0.0, 0.0
		for k := range 10 {
			if k > 0 {
				step()
			}
			for i := 0; i < len(out); i += 2 {
				worst = max(worst, math.Abs(float64(out[i])-last))
				last = float64(out[i])
			}
		}
		if most := full * 2 * math.Pi * 200 / 48000 * 1.5; worst > most {
			t.Errorf("standstill %v: a step of %.4f after the gap, of the programme %.4f at most", standstill, worst, most)
		}
		if math.Abs(peak()-full) > 0.1*full {
			t.Errorf("standstill %v: 100 ms after the gap the peak is %.3f, before it %.3f", standstill, peak(), full)
		}
		if got := m.playback.overs.Load(); got < overs || got > overs+1000 {
			t.Errorf("standstill %v: overs went from %d to %d", standstill, overs, got)
		}
	}
}

// Where the capture stays away, the sound dies away and comes again from nothing, however short that was: no step is
// heard at either end.
func TestSoundComesSoftlyAfterADryRing(t *testing.T) {
	const n, freq = 96, 200.0
	own := 2 * math.Pi * freq / 48000 // what a full sine moves by in a frame
	ran := 0
	for away := 1; away <= 20; away++ { // periods of 2 ms
		m, p := testPath(t, false)
		p.feed.least, p.feed.target, p.feed.period, p.cadence.opened = 0, 0, n, n
		var clock int64
		p.now = func() int64 { clock += 2e6; return clock }
		in, out := make([]float32, 2*n), make([]float32, 2*n)
		worst, last, full := 0.0, 0.0, 0.0
		for k := range 1000 {
			if k < 500 || k >= 500+away {
				for i := range in {
					in[i] = float32(0.5 * math.Sin(2*math.Pi*freq*float64(k*n+i/2)/48000))
				}
				p.Capture(in)
			}
			p.Render(out)
			for i := 0; i < len(out); i += 2 {
				y := float64(out[i])
				if k > 300 {
					worst = max(worst, math.Abs(y-last))
					full = max(full, math.Abs(y))
				}
				last = y
			}
		}
		ran += int(m.playback.underruns.Load())
		if most := 2 * own * full; worst > most || full < 0.4 { // what is left to die away may be 2 ms
			t.Errorf("%d periods away: a step of %.4f, the programme has %.4f; peak %.2f", away, worst, own*full, full)
		}
	}
	if ran < 15 {
		t.Errorf("the ring ran dry %d times", ran)
	}
}

// waiting is a path on an output with a buffer of its own, which asks every 2 ms for what it has taken and gives way
// until it is nearly empty. The capture brings 4 ms at a time, on a clock that is faster by so many ppm.
type waiting struct {
	p       *Path
	ppm     float64
	at      int                           // the time, frames
	next    float64                       // time of the next capture callback, frames
	lastIn  float64                       // and of the last
	source  func(frame int, in []float32) // nil: silence
	frame   int                           // of the source
	buffer  int                           // of the output, frames
	in, out []float32
	heard   []float32 // what the output was given, while listen is set
	listen  bool
}

const (
	waitingTick   = 12 // frames
	waitingPeriod = 192
	waitingBuffer = 768
)

func newWaiting(t *testing.T, phase int, ppm float64) (*Meters, *waiting) {
	m, p := testPath(t, false)
	p.feed.least, p.feed.target, p.feed.period = -waitingPeriod, -waitingPeriod, waitingPeriod
	p.cadence.opened = waitingBuffer
	p.Wish(Wishes{Grows: true})
	p.feed.steering.servo = drift.NewServo(48000, -waitingPeriod+waitingPeriod/2)
	w := &waiting{p: p, ppm: ppm, next: float64(phase), buffer: waitingBuffer,
		in: make([]float32, 2*waitingPeriod), out: make([]float32, 2*8192)}
	p.now = func() int64 { return 1 + int64(float64(w.at)/48000*1e9) }
	return m, w
}

// run goes on for so many frames. It returns the delay that does not lie in the output's buffer, a mean of the last
// second, frames.
func (w *waiting) run(frames int, capturing bool, each func()) float64 {
	const ask = 96
	sum, n := 0.0, 0
	for end := w.at + frames; w.at < end; w.at += waitingTick {
		if float64(w.at) >= w.next {
			w.lastIn = w.next
			w.next += waitingPeriod / (1 + w.ppm*1e-6)
			if w.source != nil {
				w.source(w.frame, w.in)
			}
			w.frame += waitingPeriod
			if capturing {
				w.p.Capture(w.in)
			}
		}
		if w.at%ask == 0 {
			w.p.Ask(ask)
		}
		w.settle(ask)
		if each != nil {
			each()
		}
		if end-w.at <= 48000 {
			sum += float64(w.p.feed.ring.fill()-w.p.Owed()) + float64(w.at) - w.lastIn
			n++
		}
	}
	return sum / float64(n)
}

// settle gives what is owed as far as it is there, and all of it where the buffer is nearly empty.
func (w *waiting) settle(ask int) {
	owed := w.p.Owed()
	if owed == 0 {
		return
	}
	n := w.p.Due()
	if owed+ask > w.buffer {
		n = owed
	}
	if n == 0 {
		return
	}
	w.p.Render(w.out[:2*n])
	if w.listen {
		w.heard = append(w.heard, w.out[:2*n]...)
	}
}

// A break leaves the delay as it was: where the ring ran dry it begins again with what it had, plus what it is to
// hold more from then on. How long the capture was away and where in its period it came back is nothing to it.
func TestBreakKeepsTheDelay(t *testing.T) {
	worst, ran := 0.0, 0
	for away := 800; away < 800+4*waitingPeriod; away += 60 { // frames
		for phase := 0; phase < waitingPeriod; phase += 48 {
			for _, serverDry := range []bool{false, true} { // the server says that it ran dry, too
				m, w := newWaiting(t, phase, 0)
				before := w.run(4*48000, true, nil)
				if serverDry {
					m.Underflow()
				}
				w.run(away, false, nil)
				after := w.run(4*48000, true, nil)
				ran += int(m.playback.underruns.Load())
				want := before
				if !serverDry {
					want += waitingPeriod / 2
				}
				worst = max(worst, math.Abs(after-want))
				if math.Abs(after-want) > 0.0005*48000 {
					t.Errorf("%d frames away, phase %d, ran dry %v: the delay is %.2f ms more than before, want %.2f",
						away, phase, serverDry, (after-before)/48, (want-before)/48)
				}
			}
		}
	}
	if t.Logf("off by %.2f ms at most; the ring ran dry %d times", worst/48, ran); ran == 0 {
		t.Error("the ring never ran dry")
	}
}

// Nor does a break change the pitch: what is known of the two clocks stays.
func TestBreakKeepsThePitch(t *testing.T) {
	for _, ppm := range []float64{-400, 200} {
		m, w := newWaiting(t, 0, ppm)
		w.run(60*48000, true, nil)
		w.run(1500, false, nil)
		if m.playback.underruns.Load() == 0 {
			t.Fatal("the ring did not run dry")
		}
		worst := 0.0
		w.run(30*48000, true, func() { worst = max(worst, math.Abs(m.playback.ratioPPM.load()-ppm)) })
		t.Logf("%+.0f ppm: off by %.0f ppm at most after the break", ppm, worst)
		if worst > 40 { // a delay that is nearly as it was is worked off, by up to sameS in 8 s
			t.Errorf("%+.0f ppm: off by %.0f ppm after the break", ppm, worst)
		}
	}
}
