// Package rig holds what goes into the recorder of a rig and what comes out of it: the devices, what to play, what was
// recorded, and what the clock says of frames that never came.
package rig

import (
	"fmt"
	"math"
	"time"
)

// Device is one device of a rig, as it was when it was looked up.
type Device struct {
	ID, Name string
	RateHz   int
	Channels int
	Monitor  bool    // of an input: it captures what an output plays, so it is no microphone
	Muted    bool    // by the sound system
	VolumeDB float64 // set in the sound system, the lowest of the channels; 0 = full, −Inf = nothing
}

// Take says what to play and how long to record.
type Take struct {
	// Stereo frames to play at the output's own rate, interleaved, full scale ±1. They should end in silence.
	Stereo []float32
	// RecordSeconds is how long to record from the moment that the playing begins; it should leave room for the path's
	// delay behind the end of Stereo.
	RecordSeconds float64
	// Progress, if not nil, is told the recorded share, 0 to 1, a few times a second on the caller's goroutine.
	Progress func(share float64)
}

// Taken is what a Take recorded.
type Taken struct {
	Frames   []float32 // interleaved, full scale ±1, at the input's own rate
	Channels int       // 1 for a single microphone, else 2: left, right
	RateHz   int
	Began    time.Time // when the first frame was recorded, by this machine's clock
	Gaps     []Gap     // frames known to be lost; empty for a clean take
}

// Gap is a loss that the sound system reports or the clock betrays.
type Gap struct {
	Playing bool          // in what was played, otherwise in what was recorded
	At      time.Duration // from the beginning of the signal, where that is known
	Frames  int           // about how many; 0 where unknown
}

func (g Gap) String() string {
	if g.Playing {
		return fmt.Sprintf("the output ran dry %.2f s after the start", g.At.Seconds())
	}
	return fmt.Sprintf("about %d frames of the recording are missing", g.Frames)
}

// Channel is one channel of what was recorded, 0 or 1; a single microphone is both.
func (t Taken) Channel(n int) []float64 {
	n = min(n, t.Channels-1)
	out := make([]float64, len(t.Frames)/t.Channels)
	for i := range out {
		out[i] = float64(t.Frames[i*t.Channels+n])
	}
	return out
}

const (
	// Buffer is how much sound lies ready in the server: enough for a busy machine, and the time until a fade-out is
	// heard.
	Buffer = 350 * time.Millisecond
	// Fade is how long the fade-out of an interrupted take is.
	Fade = 60 * time.Millisecond
)

// FadeOut multiplies stereo frames by a falling half cosine that began before frames ago and takes all frames in total.
func FadeOut(stereo []float32, before, all int) {
	for i := range stereo {
		x := min(float64(before+i/2)/float64(all), 1)
		stereo[i] *= float32(0.5 + 0.5*math.Cos(math.Pi*x))
	}
}

// Arrivals finds frames that never came. Every packet tells how late it is against the frames counted so far. The least
// late packet of a second is late by its way here alone.
type Arrivals struct {
	Rate  float64
	start time.Time
	Last  time.Time       // when the latest packet came
	least []time.Duration // by second
}

func (p *Arrivals) Packet(now time.Time, framesSoFar int) {
	p.Last = now
	if p.start.IsZero() {
		p.start = now.Add(-time.Duration(float64(framesSoFar) / p.Rate * float64(time.Second)))
	}
	at := time.Duration(float64(framesSoFar) / p.Rate * float64(time.Second))
	late := now.Sub(p.start) - at
	if k := int(at / time.Second); k == len(p.least) {
		p.least = append(p.least, late)
	} else if k < len(p.least) {
		p.least[k] = min(p.least[k], late)
	}
}

// The clock of a device may be off by 0.1 %, and what comes late on a busy machine is not lost.
const (
	lateEnough = 60 * time.Millisecond
	clockOff   = 1e-3
)

// lost is about how many frames are missing, 0 for none. Small losses are the deconvolution's to find.
func (p *Arrivals) Lost() int {
	if len(p.least) < 2 {
		return 0
	}
	first, last := p.least[0], p.least[len(p.least)-1]
	if len(p.least) > 2 {
		last = min(last, p.least[len(p.least)-2]+lateEnough/2) // the last second may be a short one
	}
	grown := last - first
	if grown < lateEnough+time.Duration(clockOff*float64(len(p.least))*float64(time.Second)) {
		return 0
	}
	return int(grown.Seconds() * p.Rate)
}
