package dsp

import (
	"fmt"
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"
)

// MinimumPhaseFIR returns a minimum-phase impulse response of that many taps (64 to 1<<20) with the level of one ear's
// analog prototypes (Left or Right), without headroom, and its worst error: the largest difference in level from 20 Hz to
// 20 kHz (or half the rate) in dB, at places where the response wanted is within 60 dB of its peak. Errors are
// *RangeError.
//
// The phase follows from the folded real cepstrum: A. V. Oppenheim, R. W. Schafer, "Discrete-Time Signal Processing",
// chapter on homomorphic filtering. The last eighth is faded out, so that a response that still rings where it is cut
// smears rather than ripples.
func (c *Correction) MinimumPhaseFIR(rateHz float64, ear Ear, taps int) (fir []float64, worstDB float64, err error) {
	if err := checkRate(rateHz); err != nil {
		return nil, 0, err
	}
	if ear != Left && ear != Right {
		return nil, 0, &RangeError{Key: "ear", Value: ear.String(), Allowed: "left or right"}
	}
	if taps < 64 || taps > 1<<20 {
		return nil, 0, &RangeError{Key: "taps", Value: fmt.Sprint(taps), Allowed: "64 to 1048576"}
	}
	n := 1 << 17
	for n < 8*taps {
		n *= 2
	}
	const least = -120.0 // a zero of the response has no logarithm
	half := n / 2
	ln := make([]complex128, half+1)
	want := make([]float64, half+1)
	peak := math.Inf(-1)
	for i := range ln {
		want[i] = c.AnalogDB(ear, float64(i)*rateHz/float64(n))
		peak = max(peak, want[i])
		ln[i] = complex(max(want[i], least)*math.Ln10/20, 0)
	}
	fft := fourier.NewFFT(n) // unnormalised both ways: Sequence of Coefficients is n times the signal
	cep := fft.Sequence(nil, ln)
	for i := range cep {
		switch {
		case i == 0 || i == half:
		case i < half:
			cep[i] *= 2
		default:
			cep[i] = 0
		}
	}
	for i := range cep {
		cep[i] /= float64(n)
	}
	spec := fft.Coefficients(ln, cep)
	for i := range spec {
		spec[i] = cmplx.Exp(spec[i])
	}
	h := fft.Sequence(cep, spec)
	fir = make([]float64, taps)
	fade := taps / 8
	for i := range fir {
		fir[i] = h[i] / float64(n)
		if k := i - (taps - fade); k >= 0 {
			fir[i] *= 0.5 + 0.5*math.Cos(math.Pi*(float64(k)+0.5)/float64(fade))
		}
	}
	clear(h)
	copy(h, fir)
	spec = fft.Coefficients(spec, h)
	for i := range spec {
		f := float64(i) * rateHz / float64(n)
		if f >= MinFreqHz && f <= MaxFreqHz && want[i] > peak-60 {
			worstDB = max(worstDB, math.Abs(DB(cmplx.Abs(spec[i]))-want[i]))
		}
	}
	return fir, worstDB, nil
}
