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

// Impulse returns what the correction, headroom included, makes of a full-scale impulse at rateHz, ear by ear (left,
// right): the impulse response of its chain. It is as long as the power of two, from 1024 frames to a second and more,
// after which less than −120 dB of its largest value is left; its last eighth is faded out. The error is a *RangeError.
func (c *Correction) Impulse(rateHz float64) (ir [2][]float64, err error) {
	ch, err := c.Compile(rateHz, Options{})
	if err != nil {
		return ir, err
	}
	const least = 1024
	most := least
	for float64(most) < rateHz {
		most *= 2
	}
	buf := make([]float64, 2*most)
	buf[0], buf[1] = 1, 1
	ch.Process(buf)
	peak := 0.0
	for _, v := range buf {
		peak = max(peak, math.Abs(v))
	}
	last := 0
	for i, v := range buf {
		if math.Abs(v) > 1e-6*peak {
			last = i / 2
		}
	}
	n := least
	for n < most && n*7/8 <= last {
		n *= 2
	}
	for ear := range ir {
		ir[ear] = make([]float64, n)
		for i := range n {
			ir[ear][i] = buf[2*i+ear]
			if k := i - n*7/8; k >= 0 {
				ir[ear][i] *= 0.5 + 0.5*math.Cos(math.Pi*(float64(k)+0.5)/float64(n/8))
			}
		}
	}
	return ir, nil
}
