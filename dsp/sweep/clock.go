package sweep

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"
)

// clockPPM finds the clock difference from the impulse response h with its peak at frame at, within ±span ppm.
//
// If the output's clock runs faster by a, the recording is x(n·(1+a)): frequency f, played at t(f) = L·ln(f/f1), comes
// a·t(f) too early, so the impulse response is a chirp with the phase 2π·a·L·f·ln(f/f1) on top of its own. The path's
// own phase is mostly that of a minimum-phase system, known from its level (A. V. Oppenheim, R. W. Schafer,
// Discrete-Time Signal Processing, the real cepstrum); with that taken off, the a that makes the rest most compact, the
// highest peak over all delays, is the clock difference.
func (c *core) clockPPM(h []float64, at int, span float64) float64 {
	rate, l := c.spec.RateHz, c.spec.GrowthSeconds()
	m := 1 << 12
	for float64(m) < 0.15*rate {
		m *= 2
	}
	w := win{pre: m / 4, flat: m / 4, fade: m / 4}
	seg := make([]float64, m)
	copy(seg, w.cut(h, at))
	fft := fourier.NewFFT(m)
	g := fft.Coefficients(nil, seg)
	lo, hi := max(150, 2*c.spec.StartHz), min(18000, 0.9*c.spec.EndHz)
	if hi < 2*lo {
		return 0
	}
	excess := excessPhase(g, rate/float64(m), lo, hi)

	search := func(pad int) func(ppm float64) float64 {
		wide := fourier.NewFFT(pad * m)
		spec := make([]complex128, pad*m/2+1)
		seq := make([]float64, pad*m)
		return func(ppm float64) float64 {
			clear(spec)
			for k, e := range excess {
				if e == 0 {
					continue
				}
				f := float64(k) * rate / float64(m)
				spec[k] = e * cmplx.Rect(1, -2*math.Pi*ppm*1e-6*l*f*math.Log(f/c.spec.StartHz))
			}
			wide.Sequence(seq, spec)
			best := 0.0
			for _, v := range seq {
				best = max(best, math.Abs(v))
			}
			return best
		}
	}
	// A step at which the phase at the top moves by 2.5 rad, of which all but some 0.3 are a pure delay.
	step := 2.5e6 / (2 * math.Pi * hi * l)
	n := int(math.Ceil(span / step))
	best, x, score := -1.0, 0.0, search(2)
	for i := -n; i <= n; i++ {
		a := float64(i) * step
		if v := score(a); v > best {
			best, x = v, a
		}
	}
	// Golden section within the two neighbours.
	a, b := x-step, x+step
	score = search(4) // between samples the peak is lower
	const q = 0.6180339887498949
	p1, p2 := b-q*(b-a), a+q*(b-a)
	s1, s2 := score(p1), score(p2)
	for b-a > 0.01*step {
		if s1 > s2 {
			b, p2, s2 = p2, p1, s1
			p1 = b - q*(b-a)
			s1 = score(p1)
		} else {
			a, p1, s1 = p1, p2, s2
			p2 = a + q*(b-a)
			s2 = score(p2)
		}
	}
	return (a + b) / 2
}

// excessPhase returns, between lo and hi Hz, unit numbers with the phase of g less that of the minimum-phase system
// with the level of g, weighted by 1/√f: that gives every octave a say without letting the lowest, where phase tells
// little of time, speak loudest. Elsewhere zero.
func excessPhase(g []complex128, hz, lo, hi float64) []complex128 {
	n := 2 * (len(g) - 1)
	// Smoothed over 1/12 octave, so that noise does not become phase, and held beyond lo and hi.
	logs := make([]float64, len(g))
	sum := make([]float64, len(g)+1)
	for k, v := range g {
		sum[k+1] = sum[k] + abs2(v)
	}
	k0, k1 := int(lo/hz), int(hi/hz)
	for k := k0; k <= k1; k++ {
		a, b := max(int(float64(k)*0.971), 1), min(int(float64(k)*1.03)+1, len(g))
		logs[k] = 0.5 * math.Log(max((sum[b]-sum[a])/float64(b-a), 1e-300))
	}
	for k := range logs {
		logs[k] = logs[min(max(k, k0), k1)]
	}
	fft := fourier.NewFFT(n)
	lc := make([]complex128, len(g))
	for k, v := range logs {
		lc[k] = complex(v, 0)
	}
	cep := fft.Sequence(nil, lc)
	for i := range cep {
		cep[i] /= float64(n)
		switch {
		case i > 0 && i < n/2:
			cep[i] *= 2
		case i > n/2:
			cep[i] = 0
		}
	}
	minimum := fft.Coefficients(nil, cep)
	out := make([]complex128, len(g))
	for k := k0; k <= k1; k++ {
		a := cmplx.Abs(g[k])
		if a == 0 {
			continue
		}
		out[k] = g[k] / complex(a, 0) * cmplx.Rect(1/math.Sqrt(float64(k)), -imag(minimum[k]))
	}
	return out
}

// resample returns x read at steps of ratio frames, for ratios within a few hundred ppm of 1: sinc interpolation over
// 96 frames under a Kaiser window, β = 12. There is no low-pass for the rate change: it is 0.03 % at most.
func resample(x []float64, ratio float64) []float64 {
	const half, beta = 48, 12.0
	table := make([]float64, half*64+2)
	for i := range table {
		u := min(float64(i)/(half*64), 1)
		table[i] = bessel0(beta*math.Sqrt(1-u*u)) / bessel0(beta)
	}
	out := make([]float64, int(float64(len(x))/ratio))
	for i := range out {
		p := float64(i) * ratio
		k := int(math.Floor(p))
		frac := p - float64(k)
		if frac < 1e-12 {
			out[i] = x[min(k, len(x)-1)]
			continue
		}
		// sin(π(p−j)) alternates in sign from one j to the next: one sine serves all.
		sin := math.Sin(math.Pi*frac) / math.Pi
		sum := 0.0
		for j := max(k-half+1, 0); j <= min(k+half, len(x)-1); j++ {
			d := p - float64(j)
			a := math.Abs(d) * 64
			ti := int(a)
			t := table[ti] + (a-float64(ti))*(table[ti+1]-table[ti])
			v := x[j] * t / d
			if (k-j)&1 != 0 {
				v = -v
			}
			sum += v
		}
		out[i] = sum * sin
	}
	return out
}

// bessel0 is the modified Bessel function I0 by its power series.
func bessel0(x float64) float64 {
	sum, term := 1.0, 1.0
	for k := 1.0; term > 1e-17*sum; k++ {
		term *= x * x / (4 * k * k)
		sum += term
	}
	return sum
}
