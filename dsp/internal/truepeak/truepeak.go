// Package truepeak finds peaks between samples, for the guard and the loudness meter. It follows ITU-R BS.1770-5,
// Annex 2: interpolate, take the absolute value, keep the largest. The interpolator is finer than the Annex's
// example (8-fold of 24 taps instead of 4-fold of 12), so that the largest under-read at half the sample rate,
// 20·log10(cos(π/2n)), is 0.169 dB instead of 0.688 dB.
package truepeak

import "math"

//go:generate go run peaks_gen.go -out peaks_amd64.s -stubs peaks_stub_amd64.go -pkg truepeak

const (
	// Taps is the number of samples that one interpolated value is made of.
	Taps = 24
	// Ahead is how many samples after the first of an interval's two samples its interpolation needs.
	Ahead = Taps / 2
	// Group is what Peaks rounds the number of frames up to.
	Group = 16

	// kaiserBeta keeps the interpolator within 0.1 dB of unity up to 20 kHz at 48 kHz, 0.7 dB at 44.1 kHz.
	kaiserBeta = 4.5
)

// An Interpolator makes Factor−1 values between two samples. It is immutable.
type Interpolator struct {
	factor int
	l1     float64
	rows   [8][Taps]float64
	// Phases j and 8−j are mirror images, so their sum and difference need half the multiplications: with
	// E = Σ e·(x[k]+x[23−k]) and O = Σ o·(x[k]−x[23−k]) they are E+O and E−O, and the larger magnitude of both is
	// |E|+|O|. coef holds e1 o1 e2 o2 e3 o3 e4 0 for k = 0…11; phases that a lower factor does without are zero.
	coef [Taps / 2][8]float32
}

// New returns the interpolator for a sample rate in Hz: eightfold below 88 kHz, fourfold below 176 kHz, twofold above.
func New(rateHz float64) *Interpolator {
	p := &Interpolator{factor: 8, l1: 1}
	switch {
	case rateHz >= 176e3:
		p.factor = 2
	case rateHz >= 88e3:
		p.factor = 4
	}
	for j := 8 / p.factor; j < 8; j += 8 / p.factor {
		row, sum, l1 := p.rows[j][:], 0.0, 0.0
		for k := range row {
			t := float64(k-(Taps/2-1)) - float64(j)/8
			r := t / (Taps / 2)
			row[k] = math.Sin(math.Pi*t) / (math.Pi * t) * bessel0(kaiserBeta*math.Sqrt(1-r*r))
			sum += row[k]
		}
		for k := range row {
			row[k] /= sum
			l1 += math.Abs(row[k])
		}
		p.l1 = math.Max(p.l1, l1)
	}
	for k := range p.coef {
		for j := 1; j <= 4; j++ {
			a, b := p.rows[j][k], p.rows[j][Taps-1-k]
			p.coef[k][2*j-2] = float32((a + b) / 2)
			p.coef[k][2*j-1] = float32((a - b) / 2)
		}
		p.coef[k][7] = 0 // phase 4 is its own mirror image
	}
	p.l1 *= 1 + 1e-6 // float32
	return p
}

// Factor is the oversampling factor.
func (p *Interpolator) Factor() int { return p.factor }

// L1 bounds what interpolation can make of a signal: if no sample that an interpolated value is made of exceeds 1,
// the value does not exceed L1, the largest sum of absolute coefficients of a phase.
func (p *Interpolator) L1() float64 { return p.l1 }

// Peaks sets dst[i], i < frames, to the largest absolute value between x[i+Taps/2−1] and x[i+Taps/2], both samples
// left out. frames is rounded up to a multiple of Group: dst must have room for so many and x for Taps−1 more.
func (p *Interpolator) Peaks(dst, x []float32, frames int) {
	groups := (frames + Group - 1) / Group
	if groups == 0 {
		return
	}
	dst, x = dst[:groups*Group], x[:groups*Group+Taps-1]
	peaks(p, dst, x)
}

func peaksGo(p *Interpolator, dst, x []float32) {
	for i := range dst {
		w := x[i : i+Taps : i+Taps]
		var e1, o1, e2, o2, e3, o3, e4 float32
		for k := range p.coef {
			c := &p.coef[k]
			a, b := w[k], w[Taps-1-k]
			s, d := a+b, a-b
			e1 += c[0] * s
			o1 += c[1] * d
			e2 += c[2] * s
			o2 += c[3] * d
			e3 += c[4] * s
			o3 += c[5] * d
			e4 += c[6] * s
		}
		dst[i] = max(abs(e1)+abs(o1), abs(e2)+abs(o2), abs(e3)+abs(o3), abs(e4))
	}
}

func abs(x float32) float32 { return math.Float32frombits(math.Float32bits(x) &^ (1 << 31)) }

// bessel0 is the modified Bessel function I0 of the Kaiser window, by its power series.
func bessel0(x float64) float64 {
	sum, term := 1.0, 1.0
	for k := 1.0; term > 1e-18*sum; k++ {
		term *= x / (2 * k) * (x / (2 * k))
		sum += term
	}
	return sum
}
