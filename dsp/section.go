package dsp

import (
	"fmt"
	"math"
	"math/cmplx"
)

// Section is one biquad at one sample rate, a0 = 1:
//
//	H(z) = (B0 + B1·z⁻¹ + B2·z⁻²) / (1 + A1·z⁻¹ + A2·z⁻²)
type Section struct {
	B0, B1, B2, A1, A2 float64
}

// Response returns the section's complex response at freqHz when run at rateHz.
func (s Section) Response(freqHz, rateHz float64) complex128 {
	z := cmplx.Exp(complex(0, -2*math.Pi*freqHz/rateHz))
	return (complex(s.B0, 0) + z*(complex(s.B1, 0)+z*complex(s.B2, 0))) /
		(1 + z*(complex(s.A1, 0)+z*complex(s.A2, 0)))
}

// DB returns the level of the section's response at freqHz, run at rateHz, in dB.
func (s Section) DB(freqHz, rateHz float64) float64 {
	return DB(cmplx.Abs(s.Response(freqHz, rateHz)))
}

// power returns the square of the magnitude of the section's response, where phi = sin²(π·freqHz/rateHz). It takes no
// sine and no root, and loses nothing at low frequencies. Source: R. Bristow-Johnson's form of |H|², from the identity
// cos w = 1 − 2·phi.
func (s Section) power(phi float64) float64 {
	b, a := s.B0+s.B1+s.B2, 1+s.A1+s.A2
	return (b*b + 4*phi*(4*phi*s.B0*s.B2-(s.B0*s.B1+4*s.B0*s.B2+s.B1*s.B2))) /
		(a*a + 4*phi*(4*phi*s.A2-(s.A1+4*s.A2+s.A1*s.A2)))
}

// Bilinear returns the band's section by the bilinear transform, a0 = 1. It is the reference form; the
// live design is Matched. Source: R. Bristow-Johnson, "Audio EQ Cookbook", W3C Note, 8 June 2021.
// The error is a *RangeError, also for a frequency at or above half the rate.
func Bilinear(b Band, rateHz float64) (Section, error) {
	if err := b.Check(); err != nil {
		return Section{}, err
	}
	if err := checkRate(rateHz); err != nil {
		return Section{}, err
	}
	w := 2 * math.Pi * b.FreqHz / rateHz
	sin, cos := math.Sincos(w)
	al := sin / (2 * b.Q)
	a := math.Pow(10, b.GainDB/40)
	var b0, b1, b2, a0, a1, a2 float64
	switch b.Shape {
	case Bell:
		b0, b1, b2 = 1+al*a, -2*cos, 1-al*a
		a0, a1, a2 = 1+al/a, -2*cos, 1-al/a
	case LowShelf, HighShelf:
		k := 2 * math.Sqrt(a) * al
		c := cos
		if b.Shape == HighShelf {
			c = -cos
		}
		b0, b1, b2 = a*((a+1)-(a-1)*c+k), 2*a*((a-1)-(a+1)*c), a*((a+1)-(a-1)*c-k)
		a0, a1, a2 = (a+1)+(a-1)*c+k, -2*((a-1)+(a+1)*c), (a+1)+(a-1)*c-k
		if b.Shape == HighShelf {
			b1, a1 = -b1, -a1
		}
	case LowCut:
		b0, b1, b2 = (1+cos)/2, -(1 + cos), (1+cos)/2
		a0, a1, a2 = 1+al, -2*cos, 1-al
	case HighCut:
		b0, b1, b2 = (1-cos)/2, 1-cos, (1-cos)/2
		a0, a1, a2 = 1+al, -2*cos, 1-al
	case Notch:
		b0, b1, b2 = 1, -2*cos, 1
		a0, a1, a2 = 1+al, -2*cos, 1-al
	}
	return Section{b0 / a0, b1 / a0, b2 / a0, a1 / a0, a2 / a0}, nil
}

func checkRate(rateHz float64) error {
	if rateHz >= MinRateHz && rateHz <= MaxRateHz {
		return nil
	}
	return &RangeError{Key: "rate_hz", Value: fmt.Sprintf("%g", rateHz), Allowed: fmt.Sprintf("%g to %g Hz", MinRateHz, MaxRateHz)}
}
