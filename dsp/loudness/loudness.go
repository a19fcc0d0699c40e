// Package loudness measures loudness and true peak as ITU-R BS.1770-5 defines them, on a stereo stream of any rate
// from 44.1 to 384 kHz, without allocation while it runs. Time constants follow EBU Tech 3341: momentary 400 ms,
// short-term 3 s, both renewed every 100 ms; integrated with both gates.
package loudness

import (
	"fmt"
	"math"
	"math/cmplx"

	"cushwright/dsp/internal/truepeak"
)

const (
	offsetDB     = -0.691 // BS.1770-5, equation 2
	absGateLUFS  = -70.0
	relGateLU    = -10.0
	topLUFS      = 30.0
	binsPerLU    = 50
	bins         = int((topLUFS - absGateLUFS) * binsPerLU)
	shortBlocks  = 30 // of 100 ms
	momentBlocks = 4
	chunkFrames  = 32
	largest      = 1e6 // 120 dB above full scale: larger samples are no sound, and are treated like Inf
)

// biquad is one stage of the K-weighting, a0 = 1.
type biquad struct{ b0, b1, b2, a1, a2 float64 }

// kWeighting returns both stages at rateHz. BS.1770-5, Tables 1 and 2, gives coefficients for 48 kHz only; these
// analog prototypes (a high shelf, a second-order high-pass) give the same coefficients at 48 kHz through the bilinear
// transform, and so the same curve at other rates. The prototypes' figures are common practice (libebur128 uses
// them); the tests check the 48 kHz coefficients against the Recommendation.
func kWeighting(rateHz float64) [2]biquad {
	const (
		f1, gainDB, q1 = 1681.974450955533, 3.999843853973347, 0.7071752369554196
		f2, q2         = 38.13547087602444, 0.5003270373238773
	)
	k := math.Tan(math.Pi * f1 / rateHz)
	vh := math.Pow(10, gainDB/20)
	vb := math.Pow(vh, 0.4996667741545416)
	a0 := 1 + k/q1 + k*k
	shelf := biquad{(vh + vb*k/q1 + k*k) / a0, 2 * (k*k - vh) / a0, (vh - vb*k/q1 + k*k) / a0,
		2 * (k*k - 1) / a0, (1 - k/q1 + k*k) / a0}
	// The Recommendation leaves this numerator unscaled at 48 kHz; the same gain is kept at other rates.
	k48 := math.Tan(math.Pi * f2 / 48000)
	k = math.Tan(math.Pi * f2 / rateHz)
	a0 = 1 + k/q2 + k*k
	b := (1 + k48/q2 + k48*k48) / a0
	return [2]biquad{shelf, {b, -2 * b, b, 2 * (k*k - 1) / a0, (1 - k/q2 + k*k) / a0}}
}

func (s biquad) response(freqHz, rateHz float64) complex128 {
	z := cmplx.Exp(complex(0, -2*math.Pi*freqHz/rateHz))
	return (complex(s.b0, 0) + z*(complex(s.b1, 0)+z*complex(s.b2, 0))) / (1 + z*(complex(s.a1, 0)+z*complex(s.a2, 0)))
}

// KGainDB is the gain of the K-weighting of BS.1770-5 (its 48 kHz filters) at freqHz, below 24 kHz, in dB.
func KGainDB(freqHz float64) float64 {
	k := kWeighting(48000)
	return 20 * math.Log10(cmplx.Abs(k[0].response(freqHz, 48000)*k[1].response(freqHz, 48000)))
}

// pinkPart is a part of pink noise: a frequency in Hz, and its K-weighted power.
type pinkPart struct{ freqHz, power float64 }

// pinkParts are the parts of pink noise from 20 Hz to 20 kHz, midpoints of equal logarithmic widths: pink noise has equal
// power in each.
var pinkParts = func() []pinkPart {
	const perOctave = 192
	parts := make([]pinkPart, int(math.Ceil(math.Log2(1000)*perOctave)))
	for i := range parts {
		f := 20 * math.Pow(1000, (float64(i)+0.5)/float64(len(parts)))
		parts[i] = pinkPart{f, math.Pow(10, KGainDB(f)/10)}
	}
	return parts
}()

// PinkGainDB is how much louder, in LU, pink noise from 20 Hz to 20 kHz becomes through a response, given as the square
// of its magnitude over frequency in Hz. It is the ratio of the K-weighted powers.
func PinkGainDB(power func(freqHz float64) float64) float64 {
	flat, shaped := 0.0, 0.0
	for _, p := range pinkParts {
		flat += p.power
		shaped += p.power * power(p.freqHz)
	}
	return 10 * math.Log10(shaped/flat)
}

// Meter measures one stereo stream. It has one owner at a time and is not safe for concurrent use.
type Meter struct {
	weigh       weighting
	clean       weighting // as made
	blockFrames int       // 100 ms
	inBlock     int

	recent [shortBlocks]float64 // mean squares of the last blocks, a ring
	blocks int                  // blocks so far

	// Gated integration: blocks of 400 ms above the absolute gate, by level. Each bin keeps the exact sum of its
	// energies, so that only the place of the relative gate is rounded: it passes or stops the blocks of its bin (1/50 LU)
	// together, by their mean.
	count [bins]uint32
	sum   [bins]float64

	interp *truepeak.Interpolator // nil: no true peak
	hist   [2][]float32
	histPk float32
	peaks  [chunkFrames]float32
	peak   float32
	sample float64
	spare  [2 * chunkFrames]float64 // a chunk without its bad frames
	bad    uint64
}

// Option changes what a Meter measures.
type Option func(*Meter)

// WithoutTruePeak makes a meter that leaves the true peak out, and costs a fraction: TruePeakDB is NaN.
func WithoutTruePeak() Option { return func(m *Meter) { m.interp = nil } }

// New makes a meter for a rate of 44.1 to 384 kHz.
func New(rateHz float64, options ...Option) (*Meter, error) {
	if !(rateHz >= 44100 && rateHz <= 384000) {
		return nil, fmt.Errorf("loudness: set rate_hz %q: allowed: 44100 to 384000 Hz", fmt.Sprint(rateHz))
	}
	m := &Meter{clean: newWeighting(rateHz), blockFrames: int(math.Round(rateHz / 10)), interp: truepeak.New(rateHz)}
	m.weigh = m.clean
	for _, o := range options {
		o(m)
	}
	if m.interp != nil {
		for e := range m.hist {
			m.hist[e] = make([]float32, truepeak.Taps-1+chunkFrames)
		}
	}
	return m, nil
}

// Reset forgets everything measured.
func (m *Meter) Reset() {
	*m = Meter{weigh: m.clean, clean: m.clean, blockFrames: m.blockFrames, interp: m.interp, hist: m.hist}
	for e := range m.hist {
		clear(m.hist[e])
	}
}

// Process measures the interleaved stereo frames of buf and leaves them as they are. A frame with NaN or Inf counts
// as silence.
func (m *Meter) Process(buf []float64) {
	for len(buf) >= 2 {
		n := min(len(buf)/2, m.blockFrames-m.inBlock)
		if m.interp != nil {
			n = min(n, chunkFrames)
		}
		m.run(buf[:2*n])
		buf = buf[2*n:]
	}
}

// run measures frames within one block.
func (m *Meter) run(buf []float64) {
	before := m.weigh
	m.weigh.peak = pair{}
	weigh(buf, &m.weigh)
	if m.weigh.peak[0] <= largest && m.weigh.peak[1] <= largest && m.weigh.finite() {
		m.finish(buf)
		return
	}
	// Once more, with the bad frames taken out.
	m.weigh = before
	for len(buf) > 0 {
		part := m.spare[:min(len(buf), len(m.spare))]
		copy(part, buf)
		for i := 0; i < len(part); i += 2 {
			if !(math.Abs(part[i]) <= largest && math.Abs(part[i+1]) <= largest) {
				part[i], part[i+1] = 0, 0
				m.bad++
			}
		}
		m.weigh.peak = pair{}
		weigh(part, &m.weigh)
		m.finish(part)
		buf = buf[len(part):]
	}
}

// finish takes note of frames that have been weighed.
func (m *Meter) finish(buf []float64) {
	peak := max(m.weigh.peak[0], m.weigh.peak[1])
	m.sample = max(m.sample, peak)
	if m.interp != nil {
		m.findPeaks(buf, peak)
	}
	if m.inBlock += len(buf) / 2; m.inBlock == m.blockFrames {
		m.endBlock()
	}
}

// findPeaks follows the true peak over at most chunkFrames frames with a sample peak.
func (m *Meter) findPeaks(buf []float64, peak float64) {
	const old = truepeak.Taps - 1
	n := len(buf) / 2
	left, right := m.hist[0][old:old+n], m.hist[1][old:old+n]
	for i := range left {
		left[i], right[i] = float32(buf[2*i]), float32(buf[2*i+1])
	}
	pk := float32(peak) * (1 + 0x1p-22)
	// A chunk whose samples cannot make a new highest peak needs no interpolation.
	if float64(max(pk, m.histPk))*m.interp.L1() > float64(m.peak) && max(pk, m.histPk) > 0 {
		for e := range m.hist {
			m.interp.Peaks(m.peaks[:], m.hist[e], n)
			for _, p := range m.peaks[:n] {
				m.peak = max(m.peak, p)
			}
		}
		m.peak = max(m.peak, float32(peak))
	}
	for e := range m.hist {
		copy(m.hist[e][:old], m.hist[e][n:n+old])
	}
	if n >= old {
		m.histPk = pk
	} else {
		m.histPk = max(m.histPk, pk) // never too low
		if m.inBlock == 0 {
			m.histPk = pk
			for e := range m.hist {
				for _, v := range m.hist[e][:old] {
					m.histPk = max(m.histPk, v, -v)
				}
			}
		}
	}
}

func (m *Meter) endBlock() {
	energy := (m.weigh.energy[0] + m.weigh.energy[1]) * m.weigh.scale
	m.weigh.energy, m.inBlock = pair{}, 0
	m.recent[m.blocks%shortBlocks] = energy / float64(m.blockFrames)
	m.blocks++
	m.weigh.rest()
	if m.blocks < momentBlocks {
		return
	}
	p := m.mean(momentBlocks)
	if lufs := toLUFS(p); lufs > absGateLUFS {
		b := min(int((lufs-absGateLUFS)*binsPerLU), bins-1)
		m.count[b]++
		m.sum[b] += p
	}
}

// mean is the mean square of the last n blocks, 0 when there were fewer.
func (m *Meter) mean(n int) float64 {
	if m.blocks < n {
		return 0
	}
	s := 0.0
	for i := m.blocks - n; i < m.blocks; i++ {
		s += m.recent[i%shortBlocks]
	}
	return s / float64(n)
}

func toLUFS(p float64) float64 { return offsetDB + 10*math.Log10(p) }

// MomentaryLUFS is the loudness of the last 400 ms, −Inf before there were as many, or in silence.
func (m *Meter) MomentaryLUFS() float64 { return toLUFS(m.mean(momentBlocks)) }

// ShortTermLUFS is the loudness of the last 3 s, −Inf before there were as many, or in silence.
func (m *Meter) ShortTermLUFS() float64 { return toLUFS(m.mean(shortBlocks)) }

// IntegratedLUFS is the gated loudness since Reset, −Inf while nothing passed the gates.
func (m *Meter) IntegratedLUFS() float64 {
	p, n := m.above(0)
	if n == 0 {
		return math.Inf(-1)
	}
	gate := p / n * math.Pow(10, relGateLU/10)
	at := min(max(int((toLUFS(gate)-absGateLUFS)*binsPerLU), 0), bins-1)
	if m.count[at] > 0 && m.sum[at] <= gate*float64(m.count[at]) {
		at++
	}
	p, n = m.above(at)
	if n == 0 {
		return math.Inf(-1)
	}
	return toLUFS(p / n)
}

// above sums the energies and counts of the bins from first up.
func (m *Meter) above(first int) (sum, count float64) {
	for i := max(first, 0); i < bins; i++ {
		sum += m.sum[i]
		count += float64(m.count[i])
	}
	return sum, count
}

// TruePeakDB is the largest true peak of both ears since Reset, in dB relative to full scale; −Inf in silence. NaN of a
// meter made without it.
func (m *Meter) TruePeakDB() float64 {
	if m.interp == nil {
		return math.NaN()
	}
	return 20 * math.Log10(max(float64(m.peak), m.sample))
}

// BadFrames counts the frames that held NaN, Inf or a value beyond 10⁶ and were taken as silence.
func (m *Meter) BadFrames() uint64 { return m.bad }
