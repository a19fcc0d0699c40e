//go:build linux

package main

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"

	"cushwright/dsp"
)

// splatter is the largest level of the left ear further than an octave from hz, in windows of 4096 frames; loud are the
// windows above -80 dBFS.
func splatter(y []float32, rate int, hz float64) (dBFS float64, loud []int) {
	const n = 4096
	fft := fourier.NewFFT(n)
	dBFS = -300
	x := make([]float64, n)
	for at := 0; at+n <= len(y)/2; at += n / 2 {
		for i := range x { // Blackman-Harris, F. J. Harris, Proc. IEEE 66(1), 1978: side lobes below -92 dB
			p := 2 * math.Pi * float64(i) / n
			w := 0.35875 - 0.48829*math.Cos(p) + 0.14128*math.Cos(2*p) - 0.01168*math.Cos(3*p)
			x[i] = float64(y[2*(at+i)]) * w / (0.35875 * n / 2)
		}
		c := fft.Coefficients(nil, x)
		here := -300.0
		for k := 8; k < n/2; k++ {
			f := float64(k) * float64(rate) / n
			if f > hz/2 && f < hz*2 {
				continue
			}
			here = max(here, dsp.DB(cmplx.Abs(c[k])))
		}
		if here > -80 {
			loud = append(loud, at)
		}
		dBFS = max(dBFS, here)
	}
	return dBFS, loud
}

// brokenSine reports whether a sine of the frequency has a gap, or a jump of half a frame or more, between two frames:
// what lost or repeated frames leave, and no filter, crossfade or change of level does.
func brokenSine(y []float32, rate int, hz float64, from, to int) bool {
	n := rate / 500 // two periods of 1 kHz
	w := 2 * math.Pi * hz / float64(rate)
	var phase, level []float64
	for at := max(0, from); at+n <= min(to, len(y)/2); at += n / 4 {
		var z complex128
		for i := range n {
			z += complex(float64(y[2*(at+i)]), 0) * cmplx.Rect(1, -w*float64(at+i))
		}
		phase = append(phase, cmplx.Phase(z))
		level = append(level, 2*cmplx.Abs(z)/float64(n))
	}
	for i := range phase {
		if level[i] < 0.1 {
			return true
		}
		// four steps: the window is past the jump; a drift of 500 ppm turns the phase by 0.006 in that time
		if i >= 4 && math.Abs(math.Remainder(phase[i]-phase[i-4], 2*math.Pi)) > w/2 {
			return true
		}
	}
	return false
}
