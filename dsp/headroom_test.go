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

// Peak of |H| of bilinear sections at 48 kHz (R. Bristow-Johnson, "Audio EQ Cookbook"), computed beside with scipy.
func TestPeak(t *testing.T) {
	q := math.Sqrt2 / 2
	for _, c := range []struct {
		bs   []Band
		peak float64
	}{
		{[]Band{{Shape: Bell, FreqHz: 1000, GainDB: 6, Q: 1}}, 6},
		{[]Band{{Shape: Bell, FreqHz: 1000, GainDB: -6, Q: 1}}, 0},
		{[]Band{{Shape: LowShelf, FreqHz: 105, GainDB: 6, Q: q}}, 6},
		{[]Band{{Shape: HighShelf, FreqHz: 8000, GainDB: -4, Q: q}}, 0},
		{[]Band{{Shape: Notch, FreqHz: 1000, Q: 10}}, 0},
		{[]Band{{Shape: LowShelf, FreqHz: 105, GainDB: 6, Q: q}, {Shape: Bell, FreqHz: 200, GainDB: -3, Q: 1},
			{Shape: Bell, FreqHz: 3000, GainDB: 4, Q: 2}, {Shape: Bell, FreqHz: 6000, GainDB: -5, Q: 3},
			{Shape: HighShelf, FreqHz: 10000, GainDB: 2, Q: q}}, 6},
	} {
		ch := bilinearChain(t, c.bs)
		if p := ch.PeakDB(); math.Abs(p-c.peak) > 1e-4 {
			t.Errorf("%v: peak %.4f dB, want %.4f", c.bs, p, c.peak)
		}
	}
}

func compiled(t *testing.T, rateHz, headroomDB float64, bs ...Band) *Chain {
	t.Helper()
	c, err := NewCorrection(bs, headroomDB)
	if err != nil {
		t.Fatal(err)
	}
	ch, err := c.Compile(rateHz, Options{})
	if err != nil {
		t.Fatal(err)
	}
	return ch
}

// At 44.1 and 48 kHz the programme ends at 20 kHz, and what a correction does above takes no headroom; from 88.2 kHz on
// it does. The truth is the analog prototype, which sections follow to 0.3 dB up to 20 kHz.
func TestHeadroomFollowsTheProgramme(t *testing.T) {
	for _, bs := range [][]Band{
		{{Shape: HighShelf, FreqHz: 20000, GainDB: 12, Q: 0.7}},
		{{Shape: HighShelf, FreqHz: 16000, GainDB: 9, Q: 0.5}, {Shape: Bell, FreqHz: 9000, GainDB: -6, Q: 1}},
		{{Shape: Bell, FreqHz: 20000, GainDB: 10, Q: 2}},
		{{Shape: HighCut, FreqHz: 20000, Q: 5}},
	} {
		c, err := NewCorrection(bs, AutoHeadroom)
		if err != nil {
			t.Fatal(err)
		}
		heard := 0.0
		for f := 10.0; f <= 20000; f *= 1.0005 {
			heard = max(heard, c.AnalogDB(Left, f))
		}
		heard = max(heard, c.AnalogDB(Left, 20000))
		low := compiled(t, 44100, AutoHeadroom, bs...).HeadroomDB()
		for _, rate := range []float64{44100, 48000} {
			h := compiled(t, rate, AutoHeadroom, bs...).HeadroomDB()
			if math.Abs(h+heard) > 0.3 || math.Abs(h-low) > 0.3 {
				t.Errorf("%v at %g Hz: headroom %.3f dB, up to 20 kHz the bands lift by %.3f", bs, rate, h, heard)
			}
		}
		for _, rate := range []float64{88200, 96000, 192000} {
			ch := compiled(t, rate, AutoHeadroom, bs...)
			top := 0.0
			for f := 10.0; f <= rate/2; f *= 1.0005 {
				top = max(top, ch.DB(Left, f))
			}
			if h := ch.HeadroomDB(); h > -top+1e-6 || h < -top-0.01 {
				t.Errorf("%v at %g Hz: headroom %.3f dB, up to half the rate the bands lift by %.3f", bs, rate, h, top)
			}
		}
	}
}

// A headroom of nothing is 0, never the negative zero that prints as "-0", nor a rest of rounding that prints as
// "-0.000".
func TestNoHeadroomIsZero(t *testing.T) {
	for _, bs := range [][]Band{
		nil, {{Shape: Bell, FreqHz: 1000, GainDB: -6, Q: 1}}, {{Shape: Notch, FreqHz: 50, Q: 10}}, {{Shape: LowShelf,
			FreqHz: 100, GainDB: -3, Q: 0.7}},
		{{Shape: LowCut, FreqHz: 30, Q: 0.7}}, {{Shape: HighShelf, FreqHz: 9000, GainDB: -3, Q: 0.7}, {Shape: Bell,
			FreqHz: 300, GainDB: -2, Q: 4}},
	} {
		for _, headroom := range []float64{AutoHeadroom, 0, math.Copysign(0, -1)} {
			for _, rate := range []float64{44100, 48000, 192000} {
				if h := compiled(t, rate, headroom, bs...).HeadroomDB(); h != 0 || math.Signbit(h) {
					t.Errorf("%v at %g Hz, headroom given as %g: %g dB", bs, rate, headroom, h)
				}
			}
		}
	}
	c, err := NewCorrection(nil, math.Copysign(0, -1))
	if err != nil {
		t.Fatal(err)
	}
	if math.Signbit(c.FixedHeadroomDB()) {
		t.Error("the headroom as given is a negative zero")
	}
}

// A notch has no level at its zero: it counts as -300 dB, whatever else adds to it, so that it can be written and
// drawn.
func TestLevelOfAZeroIsANumber(t *testing.T) {
	for _, f := range []float64{20, 632.4555320336758, 1000, 12000, 20000} {
		bs := []Band{{Shape: Notch, FreqHz: f, Q: 10}, {Shape: Notch, FreqHz: f, Q: 2}}
		c, err := NewCorrection(bs, AutoHeadroom)
		if err != nil {
			t.Fatal(err)
		}
		for _, rate := range []float64{44100, 48000, 96000} {
			ch := compiled(t, rate, AutoHeadroom, bs...)
			if db := ch.DB(Left, f); !(db >= -300 && db < -100) {
				t.Errorf("notch at %g Hz, rate %g: %g dB", f, rate, db)
			}
		}
		if db := c.AnalogDB(Right, f); db != -300 {
			t.Errorf("analog notch at %g Hz: %g dB", f, db)
		}
	}
	// A low-cut lets nothing through at 0 Hz.
	if db := compiled(t, 48000, AutoHeadroom, Band{Shape: LowCut, FreqHz: 30, Q: 0.7}).DB(Left, 0); db != -300 {
		t.Errorf("low-cut at 0 Hz: %g dB", db)
	}
}

// The peak found by refinement is no lower than any point of a grid far finer, and auto headroom takes it off.
func TestPeakIsTheTop(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 1))
	for range scale(4) {
		bs := randomCorrection(r, 10)
		bs = append(bs, Band{Shape: Bell, FreqHz: 20 * math.Pow(1000, r.Float64()), GainDB: 12, Q: 20})
		ch := compiled(t, 48000, AutoHeadroom, bs...)
		top := 0.0
		for f := 2.0; f <= 20000; f *= 1.0005 {
			top = max(top, ch.DB(Left, f), ch.DB(Right, f))
		}
		if p := ch.PeakDB(); top > p+1e-9 || p > top+0.01 {
			t.Errorf("%v: peak %.6f dB, grid %.6f", bs, p, top)
		}
		if h := ch.HeadroomDB(); math.Abs(h+max(0, ch.PeakDB())) > 1e-12 {
			t.Errorf("headroom %g dB", h)
		}
	}
}
