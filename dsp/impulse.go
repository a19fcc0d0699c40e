package dsp

import (
	"math"
	"math/cmplx"
)

// ResponseOf returns the complex response at freqHz that an impulse response, sampled at rateHz, has: its Fourier sum,
// not scaled. It takes len(ir) steps per call.
func ResponseOf(ir []float64, freqHz, rateHz float64) complex128 {
	const restart = 1024 // how long the rotating phasor is trusted before it is set anew
	w := -2 * math.Pi * freqHz / rateHz
	step := cmplx.Exp(complex(0, w))
	var sum, z complex128
	for i, x := range ir {
		if i%restart == 0 {
			z = cmplx.Exp(complex(0, math.Remainder(w*float64(i), 2*math.Pi)))
		}
		sum += complex(x, 0) * z
		z *= step
	}
	return sum
}
