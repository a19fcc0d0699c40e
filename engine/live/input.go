package live

import (
	"math"
	"sync/atomic"

	"cushwright/dsp/peak"
)

// intake is the capture device's end.
//
// Owner: the capture thread. The ring's other end and the reading of last belong to the playback thread.
type intake struct {
	ring *ring
	last atomic.Int64 // when the last capture callback came, ns
	m    *captureMeters
}

func (t *intake) take(in []float32, nowNs int64) {
	t.m.callbacks.Add(1)
	t.last.Store(nowNs)
	if dropped := t.ring.write(in); dropped > 0 {
		t.m.overruns.Add(uint64(dropped))
	}
}

// fullScale is the least that counts as full scale, half a step of 16 bits below it.
const fullScale = 32766.5 / 32768

// input checks and measures what comes out of the ring, and undoes the virtual sink's volume.
//
// Owner: the playback thread.
type input struct {
	gainNow  func() float32
	gain     float64 // in force at the end of the last block
	clipRun  [2]int  // samples at full scale in a row, by ear
	truePeak *peak.Meter
	peak     float64 // sample peak of this callback
	m        *playbackMeters
}

// condition makes bad samples silent, counts what is clipped, and brings src to the programme's own level.
func (n *input) condition(src []float64) {
	to := float64(n.gainNow())
	n.peak = max(n.peak, n.check(src)*to)
	scale(src, n.gain, to)
	n.gain = to
}

// check finds the peak and counts runs of three or more samples at full scale: the programme itself is clipped. Bad
// samples become silence here, so that they reach neither filter nor detector.
func (n *input) check(src []float64) (peak float64) {
	bad := false
	for i, x := range src {
		a := math.Abs(x)
		if !(a <= math.MaxFloat32) {
			src[i], a, bad = 0, 0, true
		}
		peak = max(peak, a)
		e := i & 1
		if a*n.gain >= fullScale {
			if n.clipRun[e]++; n.clipRun[e] == 3 {
				n.m.clipped.Add(1)
			}
		} else {
			n.clipRun[e] = 0
		}
	}
	if bad {
		n.m.bad.Add(1)
	}
	return peak
}

// report shows the peaks of this callback.
func (n *input) report() {
	n.m.inPeak.store(n.peak)
	n.m.inTrue.store(max(n.peak, n.truePeak.Recent()))
	n.m.inHold.raise(max(n.peak, n.truePeak.Largest()))
	n.peak = 0
}
