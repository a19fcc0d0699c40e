//go:build linux

package main

import (
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"

	"cushwright/dsp"
	"cushwright/dsp/drift"
	"cushwright/platform/soundtest"
)

// acoustics plays the part of headphone, cushion, rig and microphones: it records what the headphones play, from the
// monitor of their null sink, and plays what the microphones would hear to another null sink, whose monitor is the rig's
// input. Everything about it is invented and known.
type acoustics struct {
	t   *testing.T
	rec *soundtest.Recording

	mu     sync.Mutex // guards what the test sets and reads
	set    setup
	sounds int        // how often sound began: sweeps
	chain  *dsp.Chain // the seat now; nil: to be drawn
	starts int        // how often it began anew because the machine was late

	// All below belongs to the player's goroutine.
	at     int // frames taken from rec
	in     []float64
	primed bool
	quiet  int // frames of silence in a row
	since  int // frames since sound began
	out    []float64
	outAt  int
	drift  *drift.Resampler
	ready  []float64  // what the resampler has not taken yet
	rng    *rand.Rand // of the noise
	seed   uint64     // of the seats: each is drawn by its number, whatever noise was drawn before
	hit    int        // the sound that the fault happens in, by the count of sounds; 0: not yet
	bend   [2]bender
}

// setup is what is on the rig and how.
type setup struct {
	cushion   func(rng *rand.Rand) (*dsp.Correction, error) // makes a fresh seat; nil: nothing between headphone and microphone
	noise     float64                                       // RMS at each microphone
	ppm       float64                                       // by how much the output's clock runs faster than the microphones'
	distorted float64                                       // peak level for which y = x + 0.1x² + 0.05x³ holds; 0: linear
	swapped   bool                                          // left and right ear exchanged
	gain      float64                                       // of the microphones, 0 stands for 1; what exceeds full scale is cut off
	dead      bool                                          // the microphones deliver digital silence
	fault     string                                        // what happens half a second into the next sweep that is loud: "burst", "gap" or "stop"
}

const (
	acousticBlock = 480
	acousticAhead = 9600 // frames in hand before it begins: 0.2 s at 48 kHz
	newSound      = 9600 // frames of silence before a sound is a new one
)

func newAcoustics(t *testing.T, s *soundtest.Server, rate int, seed uint64) *acoustics {
	t.Helper()
	a := &acoustics{t: t, seed: seed, rng: rand.New(rand.NewPCG(seed, 7)), drift: drift.New(acousticBlock), quiet: newSound}
	s.AddSink("mic", rate, 2)
	a.rec = s.Record("phones.monitor", rate)
	s.PlayAhead("mic", rate, 0.35, a.frame)
	return a
}

// put changes what is on the rig.
func (a *acoustics) put(f func(s *setup)) {
	a.mu.Lock()
	defer a.mu.Unlock()
	f(&a.set)
	a.chain = nil
}

func (a *acoustics) count() int {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.sounds
}

// late is how often the machine was too late, so that the sound had a gap.
func (a *acoustics) late() int {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.starts
}

func (a *acoustics) frame() (l, r float32, ok bool) {
	if a.outAt >= len(a.out) {
		a.out, a.outAt = a.block(), 0
	}
	l, r = float32(a.out[a.outAt]), float32(a.out[a.outAt+1])
	a.outAt += 2
	return l, r, true
}

// block makes the next frames for the microphones' sink.
func (a *acoustics) block() []float64 {
	fresh := a.rec.From(a.at)
	a.at += len(fresh) / 2
	for _, v := range fresh {
		a.in = append(a.in, float64(v))
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	out := make([]float64, 2*acousticBlock)
	a.drift.SetRatio(1 + a.set.ppm*1e-6)
	need := a.drift.Need(acousticBlock)
	for len(a.ready)/2 < need {
		if len(a.in)/2 < acousticBlock || !a.primed && len(a.in)/2 < acousticAhead {
			if a.primed {
				a.starts++
			}
			a.primed = false
			return out // silence until there is enough again
		}
		a.primed = true
		a.ready = append(a.ready, a.hear(a.in[:2*acousticBlock])...)
		a.in = a.in[2*acousticBlock:]
		if a.quiet > newSound && len(a.in)/2 > 2*acousticAhead { // what clocks and stumbles have piled up goes while nothing sounds
			a.in = a.in[len(a.in)-2*acousticAhead:]
		}
	}
	used := a.drift.Process(out, a.ready)
	a.ready = append(a.ready[:0:0], a.ready[2*used:]...)
	if a.set.dead {
		clear(out)
	}
	return out
}

// hear makes what the microphones hear out of what the headphones play. mu is held.
func (a *acoustics) hear(played []float64) []float64 {
	x := append([]float64(nil), played...)
	loud := false
	for _, v := range x {
		loud = loud || math.Abs(v) > 1e-7
	}
	if loud {
		if a.quiet >= newSound {
			a.sounds++
			a.since, a.chain = 0, nil
		}
		a.quiet = 0
	} else {
		a.quiet += acousticBlock
	}
	if a.set.distorted > 0 {
		for ear := range 2 {
			a.bend[ear].run(x[ear:], a.set.distorted)
		}
	}
	if a.chain == nil && a.set.cushion != nil {
		a.chain = a.seat()
	}
	if a.chain != nil {
		a.chain.Process(x)
	}
	gain := a.set.gain
	if gain == 0 {
		gain = 1
	}
	if a.set.fault == "" {
		a.hit = 0
	} else if a.hit == 0 && slices.ContainsFunc(played, func(v float64) bool { return math.Abs(v) > 0.05 }) {
		a.hit = a.sounds
	}
	hit := a.set.fault != "" && a.sounds == a.hit
	for i := 0; i < len(x); i += 2 {
		if a.set.swapped {
			x[i], x[i+1] = x[i+1], x[i]
		}
		at := a.since + i/2 - 24000
		for k := i; k < i+2; k++ {
			if hit && a.set.fault == "stop" && at > 0 {
				x[k] = 0
			}
			x[k] += a.set.noise * a.rng.NormFloat64()
			switch {
			case hit && a.set.fault == "burst" && at > 0 && at < 2400:
				x[k] += 0.1 * a.rng.NormFloat64()
			case hit && a.set.fault == "gap" && at > 0 && at < 2400:
				x[k] = 0
			}
			x[k] = min(max(gain*x[k], -1), 1)
		}
	}
	a.since += acousticBlock
	return x
}

// seat draws a seat by its number. mu is held.
func (a *acoustics) seat() *dsp.Chain {
	c, err := a.set.cushion(rand.New(rand.NewPCG(a.seed, uint64(a.sounds))))
	if err == nil {
		var chain *dsp.Chain
		if chain, err = c.Compile(48000, dsp.Options{}); err == nil {
			return chain
		}
	}
	a.t.Errorf("seat %d cannot be made: %v", a.sounds, err)
	return nil
}

// bender applies y = x + 0.1x² + 0.05x³ at twice the rate, as an analog device would: harmonics above half the rate are
// taken away before they fold back. The half-band filter is a Kaiser-windowed sinc.
type bender struct {
	low, high [2 * benderHalf]float64 // past input; past bent samples between the input's
	even      [2 * benderHalf]float64 // past bent samples at the input's instants
}

const benderHalf = 32

var benderTaps = func() (w [2 * benderHalf]float64) {
	bessel0 := func(x float64) float64 {
		sum, term := 1.0, 1.0
		for k := 1.0; term > 1e-15*sum; k++ {
			term *= x * x / (4 * k * k)
			sum += term
		}
		return sum
	}
	for i := range w {
		x := float64(i-benderHalf) + 0.5 // distance in frames from the sample between
		u := x / benderHalf
		w[i] = math.Sin(math.Pi*x) / (math.Pi * x) * bessel0(8*math.Sqrt(1-u*u)) / bessel0(8)
	}
	return
}()

// run bends every second value of x, in place; it delays by 63 frames.
func (b *bender) run(x []float64, peak float64) {
	bend := func(v float64) float64 {
		v /= peak
		return (v + 0.1*v*v + 0.05*v*v*v) * peak
	}
	for i := 0; i < len(x); i += 2 {
		copy(b.low[:], b.low[1:])
		b.low[2*benderHalf-1] = x[i]
		between := 0.0
		for k, w := range benderTaps {
			between += w * b.low[k]
		}
		// The newest sample for which what lies behind it is known, and what lies behind it.
		copy(b.even[:], b.even[1:])
		b.even[2*benderHalf-1] = bend(b.low[benderHalf-1])
		copy(b.high[:], b.high[1:])
		b.high[2*benderHalf-1] = bend(between)
		// Back to the lower rate: half of the sample itself, half of its neighbours between.
		sum := 0.0
		for k, w := range benderTaps {
			sum += w * b.high[k]
		}
		x[i] = 0.5*b.even[benderHalf] + 0.5*sum
	}
}
