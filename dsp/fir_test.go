package dsp

import (
	"errors"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"
)

// The error stated is checked by the impulse response's own Fourier sum, off the grid of the transform.
func TestMinimumPhaseFIR(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 1))
	for range 4 {
		c, err := NewCorrection(randomCorrection(r, 10), AutoHeadroom)
		if err != nil {
			t.Fatal(err)
		}
		fir, worst, err := c.MinimumPhaseFIR(48000, Right, 8192)
		if err != nil || len(fir) != 8192 {
			t.Fatal(err, len(fir))
		}
		var from20, from100 float64
		for f := 20.0; f <= 20000; f *= 1.02 {
			e := math.Abs(DB(cmplx.Abs(ResponseOf(fir, f, 48000))) - c.AnalogDB(Right, f))
			from20 = max(from20, e)
			if f >= 100 {
				from100 = max(from100, e)
			}
		}
		if from20 > 0.3 || from100 > 0.03 || from20 > worst+0.001 {
			t.Errorf("%v: %.4f dB from 20 Hz, %.4f dB from 100 Hz, stated %.4f", c.Bands(), from20, from100, worst)
		}
		// Minimum phase: no other response of this level has its energy earlier, so the first tap is exp(mean ln|H|).
		mean := 0.0
		for i := range 4096 {
			mean += c.AnalogDB(Right, (float64(i)+0.5)*24000/4096) / 4096
		}
		if d := DB(fir[0]) - mean; math.Abs(d) > 0.01 {
			t.Errorf("first tap %.4f dB from the mean level", d)
		}
	}
}

func TestMinimumPhaseFIRRefuses(t *testing.T) {
	c, _ := NewCorrection(nil, 0)
	var re *RangeError
	for _, k := range []struct {
		rate float64
		ear  Ear
		taps int
	}{{8000, Left, 8192}, {48000, Both, 8192}, {48000, Left, 3}, {48000, Left, 1 << 21}} {
		if _, _, err := c.MinimumPhaseFIR(k.rate, k.ear, k.taps); !errors.As(err, &re) {
			t.Errorf("%+v: %v", k, err)
		}
	}
	fir, worst, err := c.MinimumPhaseFIR(48000, Left, 64)
	if err != nil || math.Abs(fir[0]-1) > 1e-12 || worst > 1e-9 {
		t.Errorf("no bands: %v, %g dB, first tap %g", err, worst, fir[0])
	}
}
