package fit

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"cushwright/dsp"
	"cushwright/dsp/curve"
	"cushwright/dsp/fit/invented"
)

// boostOf is the largest level of bands from 20 Hz to 20 kHz by their analog prototypes, on points far closer than the
// fit's.
func boostOf(bands []dsp.Band) float64 {
	top := math.Inf(-1)
	at := func(hz float64) {
		sum := 0.0
		for _, b := range bands {
			sum += b.AnalogDB(hz)
		}
		top = max(top, sum)
	}
	for hz := 20.0; hz < 20000; hz *= 1.0007 {
		at(hz)
	}
	for _, b := range bands {
		at(b.FreqHz)
	}
	return top
}

// TestBoostLimitAlwaysHolds: however far the units are above the limit, and whether or not the fit may move them, the
// hold ends below it; also where cuts alone are over it, as the overshoot of a narrow shelf is.
func TestBoostLimitAlwaysHolds(t *testing.T) {
	flat := Target{WantDB: make([]float64, curve.Points)}
	rng := rand.New(rand.NewPCG(8, 3))
	between := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	type row struct {
		name  string
		units []dsp.Band
	}
	rows := []row{
		{"one bell of 24 dB", []dsp.Band{{Shape: dsp.Bell, FreqHz: 1000, GainDB: 24, Q: 1}}},
		{"ten bells of 24 dB", nil},
		{"cut shelf that overshoots", []dsp.Band{{Shape: dsp.LowShelf, FreqHz: 300, GainDB: -20, Q: 8}}},
		{"two of them", []dsp.Band{{Shape: dsp.LowShelf, FreqHz: 300, GainDB: -20, Q: 8},
			{Shape: dsp.HighShelf, FreqHz: 500, GainDB: -15, Q: 5}}},
		{"a shelf at each end", []dsp.Band{{Shape: dsp.LowShelf, FreqHz: 20, GainDB: 12, Q: 0.7},
			{Shape: dsp.HighShelf, FreqHz: 20000, GainDB: 12, Q: 0.7}}},
		{"a narrow bell between two points", []dsp.Band{{Shape: dsp.Bell, FreqHz: 1007.2, GainDB: 9, Q: 30}}},
	}
	for i := range 10 {
		rows[1].units = append(rows[1].units, dsp.Band{Shape: dsp.Bell, FreqHz: 900 + 20*float64(i), GainDB: 24, Q: 2})
	}
	for i := range int(count(2, 4, 12)) {
		r := row{name: fmt.Sprint("random ", i)}
		for range 1 + rng.IntN(12) {
			shape := []dsp.Shape{dsp.Bell, dsp.Bell, dsp.LowShelf, dsp.HighShelf}[rng.IntN(4)]
			r.units = append(r.units, dsp.Band{Shape: shape, FreqHz: 20 * math.Pow(1000, rng.Float64()),
				GainDB: between(-20, 24), Q: math.Exp(between(-1.2, 2))})
		}
		rows = append(rows, r)
	}
	for _, r := range rows {
		for _, limit := range []float64{0.01, 6} {
			for _, step := range []float64{0, 0.001, 0.1, 0.5, 1, 0.7} { // 0.7: none of the steps is 0 dB
				for _, held := range []bool{true, false} {
					o := Options{MaxBoostDB: limit, GainMinDB: -24, GainMaxDB: 24, QMin: 0.3, QMax: 30,
						GainStepDB: step}.withDefaults()
					if step == 0.7 {
						o.For = &Equaliser{GainMinDB: -24, GainMaxDB: 24, GainStepDB: step}
					}
					pr, err := Prepare(flat, o)
					if err != nil {
						t.Fatal(err)
					}
					f := newFitter(pr, o)
					p := f.fine
					p.kappa = 300 / float64(len(p.x2))
					l := f.steps()
					for _, b := range r.units {
						u := unit{b.Shape, [3]float64{f.warp(b.FreqHz), math.Log(b.Q), b.GainDB},
							[3]bool{held, held, held}}
						if step > 0 {
							u.p[pGain] = f.snap(l, pGain, b.GainDB, 0)
						}
						p.units = append(p.units, u)
					}
					if step > 0 {
						f.holdBoostOnSteps(p, l)
					} else {
						f.holdBoost(p)
					}
					var left []dsp.Band
					for _, u := range p.units {
						left = append(left, dsp.Band{Shape: u.shape, FreqHz: math.Exp(u.p[pFreq]), GainDB: u.p[pGain],
							Q: math.Exp(u.p[pQ])})
						if g := u.p[pGain]; step > 0 && math.Abs(g-f.snap(l, pGain, g, 0)) > 1e-9 {
							t.Errorf("%s, limit %g, step %g: %g dB is no step", r.name, limit, step, g)
						}
					}
					if b := boostOf(left); b > limit+0.002 {
						t.Errorf("%s, limit %g dB, step %g, held %v: %.4f dB", r.name, limit, step, held, b)
					}
				}
			}
		}
	}
}

// TestDeriveKeepsTheBoostLimit: what derive gives is at or below the limit between the points of the fit, too.
func TestDeriveKeepsTheBoostLimit(t *testing.T) {
	for seed := range count(1, 3, 12) {
		tg := pairTarget(t, invented.NewPair(seed+500), 5)
		for _, limit := range []float64{0.01, 0.3, 1, 2.5} {
			for _, step := range []float64{0, 0.5} {
				r, err := Derive(tg, Options{Bands: 6, MaxBoostDB: limit, GainStepDB: step})
				if err != nil {
					t.Fatal(err)
				}
				b := max(0, boostOf(r.Bands))
				if b > limit+0.002 || math.Abs(b-r.PeakDB) > 0.002 {
					t.Errorf("pair %d, limit %g dB, step %g: boosts by %.4f dB, says %.4f", seed, limit, step, b,
						r.PeakDB)
				}
			}
		}
	}
}
