package fit

import (
	"math"
	"testing"

	"cushwright/dsp"
	"cushwright/dsp/fit/invented"
)

// Steps of a part of an octave are kept, from the lowest frequency on.
func TestFrequencyStepsInOctaves(t *testing.T) {
	e := &Equaliser{Bands: 5, FreqMinHz: 25, FreqMaxHz: 16000, FreqStepOctaves: 1. / 6, GainMinDB: -12, GainMaxDB: 12, GainStepDB: 0.5,
		QMin: 0.5, QMax: 8, QStep: 0.1}
	r, err := Derive(pairTarget(t, invented.NewPair(4), 5), Options{For: e})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Bands) == 0 || r.After.RMSDB >= r.Before.RMSDB {
		t.Fatalf("%+v, %g dB before, %g after", r.Bands, r.Before.RMSDB, r.After.RMSDB)
	}
	for _, b := range r.Bands {
		k := 6 * math.Log2(b.FreqHz/25)
		if math.Abs(k-math.Round(k)) > 1e-6 || b.FreqHz > 16000 {
			t.Errorf("%g Hz is %g steps above 25 Hz", b.FreqHz, k)
		}
	}
	e.FreqStepHz = 1
	if _, err := Derive(pairTarget(t, invented.NewPair(4), 5), Options{For: e}); err == nil {
		t.Error("two kinds of step at once were taken")
	}
}

// A bell of that Q has half its gain at the ends of its width.
func TestWidthQ(t *testing.T) {
	for _, bw := range []float64{0.1, 1. / 3, 1, 2.5} {
		b := dsp.Band{Shape: dsp.Bell, FreqHz: 1000, GainDB: 8, Q: WidthQ(bw)}
		for _, f := range []float64{1000 * math.Exp2(bw/2), 1000 / math.Exp2(bw/2)} {
			if g := b.AnalogDB(f); math.Abs(g-4) > 1e-9 {
				t.Errorf("%g octaves: %g dB at %g Hz", bw, g, f)
			}
		}
	}
}
