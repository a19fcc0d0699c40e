package live

import (
	"math"

	"cushwright/dsp/guard"
	"cushwright/dsp/peak"
)

const (
	startS  = 0.2  // fade-in of a session
	resumeS = 0.02 // fade-in after a break, fade-out before a silence
)

// fader is a level that moves between silence and unity along a raised cosine.
//
// Owner: the playback thread.
type fader struct {
	rateHz   float64
	at, step float64 // position 0..1, per frame
}

func newFader(rateHz float64) fader { return fader{rateHz: rateHz, step: 1 / (startS * rateHz)} }

// quicken gives the next move the length of a break's fade, not of a start's.
func (f *fader) quicken() { f.step = 1 / (resumeS * f.rateHz) }

// restart begins from silence. The fade-in of a start stays as slow as it is.
func (f *fader) restart() {
	if f.at >= 1 {
		f.quicken()
	}
	f.at = 0
}

func (f *fader) apply(buf []float64, up bool) {
	if up && f.at >= 1 {
		return
	}
	step := f.step
	if !up {
		step = -step
	}
	for i := 0; i+1 < len(buf); i += 2 {
		f.at = max(0, min(1, f.at+step))
		g := 0.5 - 0.5*math.Cos(math.Pi*f.at)
		buf[i] *= g
		buf[i+1] *= g
	}
}

// output limits, measures and hands over.
//
// Owner: the playback thread.
type output struct {
	guard    *guard.Guard // nil: switched off
	overs    uint64       // of the guard, as counted already
	truePeak *peak.Meter
	peak     float64 // sample peak of this callback
	m        *playbackMeters
}

// restart forgets what is on its way through the guard.
func (o *output) restart() {
	if o.guard != nil {
		o.guard.Reset()
		o.overs = 0
	}
}

func (o *output) put(out []float32, buf []float64) {
	if o.guard != nil {
		o.guard.Process(buf)
		r := o.guard.TakeReduction()
		o.m.guardNow.store(r)
		o.m.guardMax.raise(r)
		n := o.guard.Overs()
		o.m.overs.Add(n - o.overs)
		o.overs = n
	}
	o.truePeak.Process(buf)
	peak := o.peak
	for i, x := range buf {
		if o.guard == nil && math.Abs(x) > 1 {
			o.m.overs.Add(1)
		}
		peak = max(peak, math.Abs(x))
		out[i] = float32(x)
	}
	o.peak = peak
}

// report shows the peaks of this callback.
func (o *output) report() {
	o.m.outPeak.store(o.peak)
	o.m.outTrue.store(max(o.peak, o.truePeak.Recent()))
	o.m.outHold.raise(max(o.peak, o.truePeak.Largest()))
	o.peak = 0
}
