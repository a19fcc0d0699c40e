package dsp

import (
	"errors"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"
)

// The impulse response has the chain's level, checked by its own Fourier sum, and stands for the whole chain: headroom,
// ears apart, every rate.
func TestImpulse(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 2))
	for i, rate := range []float64{44100, 48000, 96000, 192000} {
		bands := randomCorrection(r, 10)
		for k := range bands {
			bands[k].Ear = Ear(k % 3)
		}
		c, err := NewCorrection(bands, []float64{AutoHeadroom, -7}[i%2])
		if err != nil {
			t.Fatal(err)
		}
		ch, err := c.Compile(rate, Options{})
		if err != nil {
			t.Fatal(err)
		}
		ir, err := c.Impulse(rate)
		if err != nil || len(ir[0]) != len(ir[1]) || len(ir[0])&(len(ir[0])-1) != 0 {
			t.Fatal(err, len(ir[0]), len(ir[1]))
		}
		for k, ear := range []Ear{Left, Right} {
			worst := 0.0
			for f := 20.0; f <= 20000; f *= 1.05 {
				worst = max(worst, math.Abs(DB(cmplx.Abs(ResponseOf(ir[k], f, rate)))-ch.DB(ear, f)-ch.HeadroomDB()))
			}
			if worst > 0.001 {
				t.Errorf("%g Hz, %s: %g dB from the chain in %d frames", rate, ear, worst, len(ir[k]))
			}
		}
	}
	flat, err := NewCorrection(nil, -6)
	if err != nil {
		t.Fatal(err)
	}
	ir, err := flat.Impulse(48000)
	if err != nil || len(ir[0]) != 1024 || math.Abs(ir[0][0]-Ratio(-6)) > 1e-15 || ir[0][1] != 0 {
		t.Errorf("no bands: %v, %v", err, ir[0][:2])
	}
	var re *RangeError
	if _, err := flat.Impulse(8000); !errors.As(err, &re) {
		t.Errorf("8 kHz: %v", err)
	}
}
