// Package peak shows the true peak of a stereo stream as ITU-R BS.1770-5, Annex 2, defines it: the recent one and the
// largest so far. It is made for the live path: it does not allocate while it runs, and interpolates only where that
// can matter.
package peak

import (
	"fmt"
	"math"

	"cushwright/dsp/internal/truepeak"
)

const (
	chunkFrames = 32
	windowS     = 0.25
	// Only where a sample comes this near to the largest of the window can the signal between samples exceed it: peaks
	// that stand more than 6 dB above the samples around them do not occur in programme (EBU Tech 3341's worst stand 3
	// dB).
	near    = 0.5
	largest = 1e6 // 120 dB above full scale: larger samples are no sound
)

// Meter has one owner at a time and is not safe for concurrent use.
type Meter struct {
	interp *truepeak.Interpolator
	hist   [2][]float32 // per ear: Taps−1 old samples, then the chunk
	peaks  [chunkFrames]float32
	n      int     // frames of the chunk that are there
	chunk  float32 // largest sample of it
	last   float32 // and of the chunk before

	window   int // frames
	at       int // frames of the present window
	now, old float32
	most     float32
}

// New makes a meter for a rate of 44.1 to 384 kHz.
func New(rateHz float64) (*Meter, error) {
	if !(rateHz >= 44100 && rateHz <= 384000) {
		return nil, fmt.Errorf("peak: set rate_hz %q: allowed: 44100 to 384000 Hz", fmt.Sprint(rateHz))
	}
	m := &Meter{interp: truepeak.New(rateHz), window: int(windowS * rateHz)}
	for e := range m.hist {
		m.hist[e] = make([]float32, truepeak.Taps-1+chunkFrames)
	}
	return m, nil
}

// Reset forgets everything.
func (m *Meter) Reset() {
	*m = Meter{interp: m.interp, hist: m.hist, window: m.window}
	for e := range m.hist {
		clear(m.hist[e])
	}
}

// Process measures the interleaved stereo frames of buf and leaves them as they are. NaN, Inf and values beyond 10⁶
// count as silence. The last frames, fewer than 32, are measured with the next.
func (m *Meter) Process(buf []float64) {
	const old = truepeak.Taps - 1
	for len(buf) >= 2 {
		n := min(len(buf)/2, chunkFrames-m.n)
		left, right, big := m.hist[0][old+m.n:][:n], m.hist[1][old+m.n:][:n], float64(m.chunk)
		for i := range left {
			a, b := buf[2*i], buf[2*i+1]
			p, q := math.Abs(a), math.Abs(b)
			if !(p <= largest && q <= largest) {
				a, b, p, q = 0, 0, 0, 0
			}
			if p > big {
				big = p
			}
			if q > big {
				big = q
			}
			left[i], right[i] = float32(a), float32(b)
		}
		m.chunk = float32(big)
		buf = buf[2*n:]
		if m.n += n; m.n == chunkFrames {
			m.end()
		}
	}
}

// end measures a whole chunk.
func (m *Meter) end() {
	const old = truepeak.Taps - 1
	big := max(m.chunk, m.last)
	top := max(m.now, m.chunk)
	if big > near*m.now && big > 0 {
		for e := range m.hist {
			m.interp.Peaks(m.peaks[:], m.hist[e], chunkFrames)
			for _, p := range m.peaks {
				if p > top {
					top = p
				}
			}
		}
	}
	m.now = top
	m.most = max(m.most, top)
	for e := range m.hist {
		copy(m.hist[e][:old], m.hist[e][chunkFrames:])
	}
	m.last, m.chunk, m.n = m.chunk, 0, 0
	if m.at += chunkFrames; m.at >= m.window {
		m.old, m.now, m.at = m.now, 0, 0
	}
}

// Recent is the largest true peak of both ears in the last 0.25 to 0.5 s, as a ratio to full scale.
func (m *Meter) Recent() float64 { return float64(max(m.now, m.old)) }

// Largest is the largest true peak of both ears since New or Reset, as a ratio to full scale.
func (m *Meter) Largest() float64 { return float64(m.most) }
