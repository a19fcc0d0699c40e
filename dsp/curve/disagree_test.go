package curve

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"cushwright/dsp/testrun"
)

func TestOutliers(t *testing.T) {
	rng := rand.New(rand.NewPCG(10, 10))
	good := func() []Curve {
		s := seats(rng, 5)
		for i := range s {
			s[i] = s[i].Smooth(1)
		}
		return s
	}
	outliers := func(s []Curve) []Outlier {
		a, _ := Mean(good())
		b, _ := Mean(s)
		return Outliers(2, a, b)
	}
	leak := FromFunc(func(f float64) float64 { return -10 * math.Log10(1+math.Pow(120/f, 2)) })
	s := good()
	s[3] = s[3].Minus(leak.Minus(leak).Minus(leak)).Shift(2)
	if got := outliers(s); len(got) != 1 || got[0].Ear != 1 || got[0].Seat != 3 || !got[0].Leak || got[0].DevDB > -6 {
		t.Errorf("leak at seat 3: %v", got)
	}
	s = good()
	s[1] = s[1].Minus(FromFunc(func(f float64) float64 { return 8 * math.Sin(3*math.Log(f)) }))
	if got := outliers(s); len(got) != 1 || got[0].Seat != 1 || got[0].Leak {
		t.Errorf("stray seat 1: %v", got)
	}
	one, _ := Mean(s)
	if got := Outliers(1, one); len(got) != 1 || got[0].Seat != 1 {
		t.Errorf("stray seat 1 of the only ear: %v", got)
	}
	two, _ := Mean(s[:2])
	if got := Outliers(1, two); got != nil {
		t.Errorf("of two seats one is blamed: %v", got)
	}
}

// TestOutliersAreRare: with nothing but scatter, seats are said to disagree in at most 5 of 100 comparisons of two cushions,
// with both ears measured or one.
func TestOutliersAreRare(t *testing.T) {
	trials, seats := 100, []int{3, 5}
	if testrun.Long() {
		trials, seats = 1500, []int{3, 4, 5, 10}
	}
	flat := FromFunc(func(float64) float64 { return 85 })
	for _, n := range seats {
		for _, kind := range scatterKinds {
			for _, spread := range []float64{1, 3} {
				w := world{rand.New(rand.NewPCG(uint64(n), 77)), kind, 0.5}
				cushion := func() Average {
					s := w.seats(flat, n)
					for i := range s {
						for k := range s[i].LevelDB {
							s[i].LevelDB[k] *= spread
						}
					}
					a, _ := Mean(s)
					return a
				}
				said, saidOfOne := 0.0, 0.0
				for range trials {
					l, r := cushion(), cushion()
					if len(Outliers(2, l, r))+len(Outliers(2, cushion(), cushion())) > 0 {
						said++
					}
					if len(Outliers(1, l)) > 0 {
						saidOfOne++
					}
				}
				what := fmt.Sprintf("%d seats, %s scatter, spread %g", n, kind, spread)
				t.Logf("%s: said of two cushions' four ears in %.1f %%, of one ear in %.1f %%", what, share(said, float64(trials)), share(saidOfOne, float64(trials)))
				within(t, what, said, float64(trials), 0, 5)
				within(t, what+", one ear", saidOfOne, float64(trials), 0, 5)
			}
		}
	}
}
