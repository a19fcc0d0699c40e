package engine

import (
	"math"
	"testing"

	"cushwright/dsp/drift"
)

// After a gap at the device, and after a standstill of the whole process, the sound begins anew: from silence, with a fade, not
// with what was on its way before, and the counters stay sound.
func TestSoundBeginsAnewAfterAGap(t *testing.T) {
	for _, standstill := range []bool{false, true} {
		s, l := testLoop(t, MatchPink, tenBands...)
		var clock int64
		l.now = func() int64 { clock += 10e6; return clock }
		const n = 480
		in, out := make([]float32, 2*n), make([]float32, 2*n)
		frame := 0
		step := func() {
			for i := range in {
				in[i] = float32(3 * math.Sin(2*math.Pi*200*float64(frame+i/2)/48000))
			}
			frame += n
			l.capture(in)
			l.render(out)
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
		overs := s.m.overs.Load()
		if standstill {
			clock += 5e9
		} else {
			l.gap.Store(true)
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
			t.Errorf("standstill %v: a step of %.4f after the gap, the programme has %.4f at most", standstill, worst, most)
		}
		if math.Abs(peak()-full) > 0.1*full {
			t.Errorf("standstill %v: 100 ms after the gap the peak is %.3f, before it %.3f", standstill, peak(), full)
		}
		if got := s.m.overs.Load(); got < overs || got > overs+1000 {
			t.Errorf("standstill %v: overs went from %d to %d", standstill, overs, got)
		}
	}
}

// Where the capture stays away for a moment, the sound dies away and comes again from nothing, however short the moment was: no step is
// heard at either end.
func TestSoundComesSoftlyAfterADryRing(t *testing.T) {
	const n, freq = 96, 200.0
	own := 2 * math.Pi * freq / 48000 // what a full sine moves by in a frame
	ran := 0
	for away := 1; away <= 20; away++ { // periods of 2 ms
		s, l := testLoop(t, MatchPink)
		l.keep, l.target, l.period, l.opened = 0, 0, n, n
		var clock int64
		l.now = func() int64 { clock += 2e6; return clock }
		in, out := make([]float32, 2*n), make([]float32, 2*n)
		worst, last, full := 0.0, 0.0, 0.0
		for k := range 1000 {
			if k < 500 || k >= 500+away {
				for i := range in {
					in[i] = float32(0.5 * math.Sin(2*math.Pi*freq*float64(k*n+i/2)/48000))
				}
				l.capture(in)
			}
			l.render(out)
			for i := 0; i < len(out); i += 2 {
				y := float64(out[i])
				if k > 300 {
					worst = max(worst, math.Abs(y-last))
					full = max(full, math.Abs(y))
				}
				last = y
			}
		}
		ran += int(s.m.underruns.Load())
		if most := 2 * own * full; worst > most || full < 0.4 { // what is left to die away may be 2 ms
			t.Errorf("%d periods away: a step of %.4f, the programme has %.4f; peak %.2f", away, worst, own*full, full)
		}
	}
	if ran < 15 {
		t.Errorf("the ring ran dry %d times", ran)
	}
}

// A break leaves the delay as it was: where the ring ran dry it begins again with what it had, plus what it is to hold more from then on.
// How long the capture was away and where in its period it came back is nothing to it.
func TestBreakKeepsTheDelay(t *testing.T) {
	const (
		tick   = 12 // frames: 0.25 ms
		period = 192
		ask    = 96
		buffer = 768
	)
	in, out := make([]float32, 2*period), make([]float32, 2*8192)
	worst, ran := 0.0, 0
	for away := 800; away < 800+4*period; away += 60 { // frames
		for phase := 0; phase < period; phase += 48 {
			for _, flows := range []bool{false, true} { // the server says that it ran dry, too
				s, l := testLoop(t, MatchPink)
				l.keep, l.target, l.period, l.opened, l.grows = -period, -period, period, buffer, true
				l.servo = drift.NewServo(48000, -period+period/2)
				at, owed, lastIn := 0, 0, 0
				l.now = func() int64 { return 1 + int64(float64(at)/48000*1e9) }
				play := func(n int) { l.render(out[:2*n]); owed -= n }
				// runs for so many frames, and says what the delay is in their last second
				run := func(frames int, capturing bool) float64 {
					sum, n := 0.0, 0
					for end := at + frames; at < end; at += tick {
						if capturing && at >= lastIn+period {
							lastIn = at - (at-phase)%period
							l.capture(in)
						}
						if at%ask == 0 {
							owed += ask
						}
						if owed > 0 {
							k := l.ready(owed)
							if k < owed && owed+ask > buffer {
								k = owed
							}
							if k > 0 {
								play(k)
							}
						}
						if end-at <= 48000 {
							sum += float64(l.ring.fill()-owed) + float64(at-lastIn)
							n++
						}
					}
					return sum / float64(n)
				}
				before := run(4*48000, true)
				if flows {
					s.m.underflows.Add(1)
				}
				run(away, false)
				lastIn = at - period
				after := run(4*48000, true)
				ran += int(s.m.underruns.Load())
				want := before
				if !flows {
					want += period / 2
				}
				worst = max(worst, math.Abs(after-want))
				if math.Abs(after-want) > 0.0007*48000 {
					t.Errorf("%d frames away, phase %d, ran dry %v: the delay is %.2f ms more than before, want %.2f", away, phase, flows, (after-before)/48, (want-before)/48)
				}
			}
		}
	}
	t.Logf("off by %.2f ms at most; ran dry %d times", worst/48, ran)
}
