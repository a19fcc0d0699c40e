package dsp

import (
	"math"
	"math/rand/v2"
	"testing"
)

func bilinearChain(t *testing.T, bs []Band) *Chain {
	t.Helper()
	ch := &Chain{rateHz: 48000}
	for _, b := range bs {
		ch.sections[0] = append(ch.sections[0], mustBilinear(t, b, 48000))
	}
	return ch
}

// Peak of |H| and sum of |h| of bilinear sections at 48 kHz (R. Bristow-Johnson, "Audio EQ Cookbook"), computed beside
// with scipy.
func TestPeakAndL1(t *testing.T) {
	q := math.Sqrt2 / 2
	for _, c := range []struct {
		bs       []Band
		peak, l1 float64
	}{
		{[]Band{{Shape: Bell, FreqHz: 1000, GainDB: 6, Q: 1}}, 6, 7.1655},
		{[]Band{{Shape: Bell, FreqHz: 1000, GainDB: -6, Q: 1}}, 0, 4.0188},
		{[]Band{{Shape: LowShelf, FreqHz: 105, GainDB: 6, Q: q}}, 6, 6.5049},
		{[]Band{{Shape: HighShelf, FreqHz: 8000, GainDB: -4, Q: q}}, 0, 0.5302},
		{[]Band{{Shape: Notch, FreqHz: 1000, Q: 10}}, 0, 7.0844},
		{[]Band{{Shape: LowShelf, FreqHz: 105, GainDB: 6, Q: q}, {Shape: Bell, FreqHz: 200, GainDB: -3, Q: 1},
			{Shape: Bell, FreqHz: 3000, GainDB: 4, Q: 2}, {Shape: Bell, FreqHz: 6000, GainDB: -5, Q: 3},
			{Shape: HighShelf, FreqHz: 10000, GainDB: 2, Q: q}}, 6, 10.0346},
	} {
		ch := bilinearChain(t, c.bs)
		if p, l := ch.PeakDB(), ch.L1DB(); math.Abs(p-c.peak) > 1e-4 || math.Abs(l-c.l1) > 1e-4 {
			t.Errorf("%v: peak %.4f, L1 %.4f dB, want %.4f, %.4f", c.bs, p, l, c.peak, c.l1)
		}
	}
}

// The peak found by refinement is no lower than any point of a grid far finer, and auto headroom takes it off.
func TestPeakIsTheTop(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 1))
	for range scale(4) {
		bs := randomCorrection(r, 10)
		bs = append(bs, Band{Shape: Bell, FreqHz: 20 * math.Pow(1000, r.Float64()), GainDB: 12, Q: 20})
		c, err := NewCorrection(bs, AutoHeadroom)
		if err != nil {
			t.Fatal(err)
		}
		ch, err := c.Compile(48000, Options{})
		if err != nil {
			t.Fatal(err)
		}
		top := 0.0
		for f := 2.0; f < 24000; f *= 1.0005 {
			top = max(top, ch.DB(Left, f), ch.DB(Right, f))
		}
		if p := ch.PeakDB(); top > p+1e-9 || p > top+0.01 {
			t.Errorf("%v: peak %.6f dB, grid %.6f", bs, p, top)
		}
		if h := ch.HeadroomDB(); math.Abs(h+max(0, ch.PeakDB())) > 1e-12 {
			t.Errorf("headroom %g dB", h)
		}
		if ch.L1DB() < ch.PeakDB() {
			t.Errorf("L1 norm below the peak of the response")
		}
	}
}
