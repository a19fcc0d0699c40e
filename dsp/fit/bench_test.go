package fit

import (
	"testing"

	"cushwright/dsp/fit/invented"
)

// BenchmarkDerive10 fits ten bands for the engine, as derive does.
func BenchmarkDerive10(b *testing.B) { benchmarkDerive(b, Options{Bands: 10}) }

// BenchmarkDerive10Everything fits ten bands to every detail: the hardest target.
func BenchmarkDerive10Everything(b *testing.B) { benchmarkDerive(b, everything(10)) }

// BenchmarkDerive10Steps adds the rounding to half decibels and tenths of Q.
func BenchmarkDerive10Steps(b *testing.B) {
	o := everything(10)
	o.GainStepDB, o.QStep, o.FreqStepHz = 0.5, 0.1, 1
	benchmarkDerive(b, o)
}

func benchmarkDerive(b *testing.B, o Options) {
	var ts []Target
	for seed := range uint64(4) {
		ts = append(ts, pairTarget(b, invented.NewPair(seed), 5))
	}
	i := 0
	for b.Loop() {
		if _, err := Derive(ts[i%len(ts)], o); err != nil {
			b.Fatal(err)
		}
		i++
	}
}

// BenchmarkSliders10 sets ten octave sliders on half decibels.
func BenchmarkSliders10(b *testing.B) { benchmarkSliders(b, TenSliders) }

// BenchmarkSliders31 sets thirty-one third-octave sliders on half decibels.
func BenchmarkSliders31(b *testing.B) { benchmarkSliders(b, ThirtyOneSliders) }

func benchmarkSliders(b *testing.B, hz []float64) {
	t := pairTarget(b, invented.NewPair(1), 5)
	for b.Loop() {
		if _, err := Sliders(t, SliderSpec{FreqHz: hz, StepDB: 0.5}); err != nil {
			b.Fatal(err)
		}
	}
}
