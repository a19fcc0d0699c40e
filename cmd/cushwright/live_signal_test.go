//go:build linux

package main

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"
)

// white is sample n of a white noise that any process can compute (the mixing is that of splitmix64).
func white(n int) float64 {
	x := uint64(n)*0x9E3779B97F4A7C15 + 0x1234567
	x ^= x >> 30
	x *= 0xBF58476D1CE4E5B9
	x ^= x >> 27
	x *= 0x94D049BB133111EB
	x ^= x >> 31
	return float64(x>>11)/(1<<52) - 1
}

// noiseAt is sample n of the counter signal: noise that tells its place, that survives a change of level, and that is
// low-passed (binomial weights) so that a correlation finds it to a fraction of a frame, however it was resampled.
func noiseAt(n int) float64 {
	x := 0.0
	for k, w := range [...]float64{1, 8, 28, 56, 70, 56, 28, 8, 1} {
		x += w * white(n-k)
	}
	return x / 256 * 0.8
}

// locate finds window in the counter signal near guess by correlation and returns the position and how well it fits (1:
// whole).
func locate(window []float64, guess, reach int) (pos float64, fit float64) {
	n := len(window)
	size := 1
	for size < 2*(n+2*reach) {
		size *= 2
	}
	ref := make([]float64, size)
	for i := range n + 2*reach {
		if k := guess - reach + i; k >= 0 {
			ref[i] = noiseAt(k)
		}
	}
	win := make([]float64, size)
	copy(win, window)
	fft := fourier.NewFFT(size)
	a, b := fft.Coefficients(nil, ref), fft.Coefficients(nil, win)
	for i := range a {
		a[i] *= cmplx.Conj(b[i])
	}
	c := fft.Sequence(nil, a)
	best := 0
	for i := range 2 * reach {
		if c[i] > c[best] {
			best = i
		}
	}
	frac := 0.0
	if best > 0 && best+1 < 2*reach {
		l, m, r := c[best-1], c[best], c[best+1]
		frac = (l - r) / (2 * (l - 2*m + r))
	}
	var ew, er float64
	for i, x := range window {
		ew += x * x
		er += ref[best+i] * ref[best+i]
	}
	if ew == 0 || er == 0 {
		return 0, 0 // silence fits nothing
	}
	return float64(guess-reach+best) + frac, c[best] / float64(size) / math.Sqrt(ew*er)
}

// placed is a window of 20 ms of a recording: where it begins, and where it stands in the signal relative to that, both
// frames.
type placed struct {
	at     int
	offset float64
}

// follow goes through a recording of the counter signal, window by window, and returns those that fit and the
// beginnings of those that do not.
func follow(rec []float32, rate int) (fits []placed, breaks []int) {
	n := rate / 50
	guess, reach := 0, 1
	found := false
	for at := 0; at+n <= len(rec)/2; at += n {
		win := make([]float64, n)
		sum := 0.0
		for i := range win {
			win[i] = float64(rec[2*(at+i)])
			sum += win[i] * win[i]
		}
		if !found && sum < 1e-3*float64(n) { // silence, or the fade-in
			continue
		}
		if !found {
			guess, reach = at, rate
		}
		p, like := locate(win, guess, reach)
		if !(like >= 0.9) {
			if found {
				breaks = append(breaks, at)
				reach = rate / 4
				guess += n
			}
			continue
		}
		found = true
		fits = append(fits, placed{at, p - float64(at)})
		guess, reach = int(p)+n, 64
	}
	return fits, breaks
}

// jumps are the beginnings of windows that moved by more than half a frame against the one before: frames were lost or
// repeated there.
func jumps(fits []placed) (at []int) {
	for k := 1; k < len(fits); k++ {
		if math.Abs(fits[k].offset-fits[k-1].offset) > 0.5 {
			at = append(at, fits[k].at)
		}
	}
	return at
}

func offsets(fits []placed) []float64 {
	x := make([]float64, len(fits))
	for i, f := range fits {
		x[i] = f.offset
	}
	return x
}
