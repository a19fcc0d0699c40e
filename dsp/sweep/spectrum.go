package sweep

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"
)

// spectrum of a short stretch: transform plus the direct sum for frequencies where bins are too coarse.
type spectrum struct {
	x    []float64
	hz   float64
	bins []complex128
	rate float64
}

func newSpectrum(x []float64, rate float64) spectrum {
	n := 1 << 12
	for n < len(x) || rate/float64(n) > 2 {
		n *= 2
	}
	pad := make([]float64, n)
	copy(pad, x)
	return spectrum{x: x, hz: rate / float64(n), bins: fourier.NewFFT(n).Coefficients(nil, pad), rate: rate}
}

// at is the transform at one frequency, time zero at frame zero, by Goertzel's recurrence. Its rounding error, some
// 1e-16·frames/angle, is 1e-9 at 20 Hz.
func (s spectrum) at(freqHz float64, zero int) complex128 {
	w := 2 * math.Pi * freqHz / s.rate
	c := 2 * math.Cos(w)
	var s1, s2 float64
	for _, v := range s.x {
		s1, s2 = v+c*s1-s2, s1
	}
	return (complex(s1, 0) - complex(s2, 0)*cmplx.Rect(1, -w)) * cmplx.Rect(1, w*float64(zero-len(s.x)+1))
}

// near is at by linear interpolation between bins where they are dense enough: turned so that time zero lies in the
// response, the spectrum changes little from one to the next.
func (s spectrum) near(freqHz float64, zero int) complex128 {
	if freqHz < 200*s.hz {
		return s.at(freqHz, zero)
	}
	u := freqHz / s.hz
	k := int(u)
	turn := func(k int) complex128 {
		return s.bins[k] * cmplx.Rect(1, 2*math.Pi*math.Mod(float64(k)*s.hz/s.rate*float64(zero), 1))
	}
	t := complex(u-float64(k), 0)
	return turn(k)*(1-t) + turn(k+1)*t
}

// power is the mean of |X|² over one grid band round freqHz, or its value at freqHz where the band is narrower than
// three bins.
func (s spectrum) power(freqHz float64) float64 {
	lo, hi := int(math.Ceil(freqHz/gridEdge/s.hz)), int(math.Floor(freqHz*gridEdge/s.hz))
	if hi-lo < 2 {
		v := s.at(freqHz, 0)
		return real(v)*real(v) + imag(v)*imag(v)
	}
	sum := 0.0
	for k := lo; k <= min(hi, len(s.bins)-1); k++ {
		sum += real(s.bins[k])*real(s.bins[k]) + imag(s.bins[k])*imag(s.bins[k])
	}
	return sum / float64(hi-lo+1)
}

// noise is the power that noise puts into a grid band through window w, from stretches of h that hold none of the
// response, smoothed over a third of an octave because one narrow band of one stretch says little.
func (c *core) noise(h []float64, w win, from []int, freqs []float64) []float64 {
	raw := make([]float64, len(freqs))
	for _, at := range from {
		sp := newSpectrum(w.cut(h, at), c.spec.RateHz)
		for i, f := range freqs {
			if f < c.spec.RateHz/2 {
				raw[i] += sp.power(f) / float64(len(from))
			}
		}
	}
	out := make([]float64, len(freqs))
	smoothThird(out, raw)
	return out
}

// smoothThird writes to dst the means of src over about a third of an octave of grid points.
func smoothThird(dst, src []float64) {
	for i := range dst {
		lo, hi := max(i-8, 0), min(i+8, len(src)-1)
		for _, v := range src[lo : hi+1] {
			dst[i] += v / float64(hi-lo+1)
		}
	}
}

// noiseStretches are positions for a window behind the response. They keep to lags at which the recording still went on
// when the sweep's last frequency came round.
func noiseStretches(w win, at, tail int) []int {
	first := at + w.flat + w.fade + w.pre
	out := []int{first}
	for p := first + w.len()/2; p+w.flat+w.fade <= at+tail && len(out) < 8; p += w.len() / 2 {
		out = append(out, p)
	}
	return out
}

func abs2(v complex128) float64 { return real(v)*real(v) + imag(v)*imag(v) }
