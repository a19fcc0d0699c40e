package fit

import (
	"math"
	"slices"
	"testing"

	"cushwright/dsp/curve"
	"cushwright/dsp/testrun"
)

// TestEstimateBeatsThePlainMean: over invented pairs of three kinds (smooth; nulls that move from seat to seat; nulls that
// stand still), five seats an ear, the error of a correction against the truth is less on average than that of the plain
// fit, at 3, 5, 8 and 10 bands, and at most 1.25 of it in any case. What is wanted is 0.95 on average and 1.15 in any case:
// three bands keep that, more bands do not always (DEVELOPERS.md). The plain fit follows the mean of the seats as it is, by
// unweighted least squares, with the same limits of boost, above 10 kHz too. The error is weighed over the measured range by
// the true scatter, levels aside; the unweighted one is told beside it. With CUSHWRIGHT_LONG=1 there are 42 pairs with the
// usual scatter, and as many with each of three others, which are only told. No seed of these served to make the estimate.
func TestEstimateBeatsThePlainMean(t *testing.T) {
	seeds := count(1, 2, 14)
	for _, sc := range []scatterKind{usualScatter, shortScatter, longScatter, roughScatter} {
		if sc.name != usualScatter.name && !long() {
			continue
		}
		type sums struct{ ratio, worst, own, plain, even, evenWorst float64 }
		even := make([]float64, worldPoints)
		for i := range even {
			even[i] = 1.0 / worldPoints
		}
		rows := map[int]*sums{3: {}, 5: {}, 8: {}, 10: {}}
		n := 0.0
		for _, kind := range worldKinds {
			for seed := range seeds {
				w := newWorld(kind, sc, 70000+seed)
				tg, truth := w.target(t, 2, 5)
				weight := w.weights()
				n++
				for bands, s := range rows {
					left := func(tg Target, o Options) (weighted, unweighted float64) {
						o.Bands = bands
						r, err := Derive(tg, o)
						if err != nil {
							t.Fatal(err)
						}
						resp := responseOf(r.Bands).LevelDB
						return errorDB(resp, truth, weight), errorDB(resp, truth, even)
					}
					own, ownEven := left(tg, Options{})
					mean := heldTreble(lowered(tg.WantDB, levelOf(tg.WantDB)), true)
					plain, plainEven := left(Target{WantDB: mean}, Options{EveryDetail: true, FullTreble: true})
					s.ratio += own / plain
					s.worst = max(s.worst, own/plain)
					s.even += ownEven / plainEven
					s.evenWorst = max(s.evenWorst, ownEven/plainEven)
					s.own, s.plain = s.own+own, s.plain+plain
					if own > 1.25*plain && sc.name == usualScatter.name {
						t.Errorf("%s, %s, seed %d, %d bands: %.2f of the plain fit's error", sc.name, kind, seed, bands, own/plain)
					}
				}
			}
		}
		for _, bands := range []int{3, 5, 8, 10} {
			s := rows[bands]
			t.Logf("%-34s %2d bands, %g pairs: %.3f of the plain fit's error, %.2f at worst; %.2f and %.2f dB; unweighted %.3f, %.2f",
				sc.name, bands, n, s.ratio/n, s.worst, s.own/n, s.plain/n, s.even/n, s.evenWorst)
			if sc.name == usualScatter.name && s.ratio > n {
				t.Errorf("%s, %d bands: %.3f of the plain fit's error on average", sc.name, bands, s.ratio/n)
			}
		}
	}
}

// TestADifferenceIsCorrected: where there is a difference, a correction comes of it in at least 19 of 20 pairs: one that takes
// away more power than it leaves. Five seats are enough for that with every kind of scatter, three where it is not rough. Two
// seats of one ear often prove too little; that is told.
func TestADifferenceIsCorrected(t *testing.T) {
	pairs := int(count(1, 10, 100))
	kinds := []scatterKind{usualScatter, shortScatter, longScatter, roughScatter}
	if racing {
		kinds = kinds[:1]
		testrun.LeftOut(t, "three of four kinds of scatter of dsp/fit", "the race detector makes a fit ten times slower")
	}
	for _, sc := range kinds {
		for _, ears := range []int{1, 2} {
			for _, n := range []int{2, 3, 5} {
				found, sum := 0, 0.0
				for seed := range uint64(pairs) {
					w := newWorld("smooth", sc, 80000+seed)
					tg, truth := w.target(t, ears, n)
					r, err := Derive(tg, Options{Bands: 5})
					if err != nil {
						t.Fatal(err)
					}
					weight := w.weights()
					part := errorDB(responseOf(r.Bands).LevelDB, truth, weight) / errorDB(make([]float64, worldPoints), truth, weight)
					sum += part
					if part < math.Sqrt(0.5) {
						found++
					}
				}
				t.Logf("%-34s %d ears %2d seats: corrected %d of %d, left %.2f of the difference on average", sc.name, ears, n, found, pairs, sum/float64(pairs))
				enough := n >= 5 || n == 3 && sc.name != roughScatter.name
				if enough && found < pairs-max(1, pairs/20) {
					t.Errorf("%s, %d ears, %d seats: %d of %d differences were corrected", sc.name, ears, n, found, pairs)
				}
			}
		}
	}
}

// TestNoDifferenceNoCorrection: between two sets of seats of one cushion, the correction is empty or below 0.3 dB RMS in 95 of
// 100 cases, at 2, 3, 5 and 10 seats, with scatter of five kinds.
func TestNoDifferenceNoCorrection(t *testing.T) {
	cases := int(count(1, 20, 200))
	bass := scatterKind{"bass 3 dB", growing(0.35, 6), []float64{0.15, 0.8}, 3, 0}
	bassLevel := bass
	bassLevel.name, bassLevel.levelDB = "bass 3 dB, level 2 dB", 2
	inv := scatterKind{"as invented", func(hz float64) float64 {
		switch {
		case hz < 150:
			return 3
		case hz < 4200:
			return 1
		case hz < 8000:
			return 3
		}
		return 5
	}, []float64{0.15, 1}, 0, 0.3}
	for _, sc := range []scatterKind{bass, bassLevel, inv, usualScatter, longScatter} {
		for _, ears := range []int{1, 2} {
			for _, n := range []int{2, 3, 5, 10} {
				quiet, empty := 0, 0
				var all []float64
				boost := 0.0
				for seed := range cases {
					w := newWorld("smooth", sc, 50000+uint64(seed))
					clear(w.shape)
					clear(w.ears[0])
					clear(w.ears[1])
					tg, _ := w.target(t, ears, n)
					r, err := Derive(tg, Options{Bands: 8})
					if err != nil {
						t.Fatal(err)
					}
					s := 0.0
					for _, v := range responseOf(r.Bands).LevelDB {
						s += v * v
					}
					rms := math.Sqrt(s / curve.Points)
					all = append(all, rms)
					if rms < 0.3 {
						quiet++
					}
					if len(r.Bands) == 0 {
						empty++
					}
					boost = max(boost, r.PeakDB)
				}
				slices.Sort(all)
				t.Logf("%-34s %d ears %2d seats: quiet %d of %d, empty %d, 95 %% %.2f dB, largest boost %.1f dB", sc.name, ears, n, quiet, cases, empty,
					all[len(all)*95/100], boost)
				// 95 of 100 in the long form; twenty cases of which 1 may be expected can have 3 by chance.
				allowed := cases / 20
				if quiet < cases-allowed && (long() || quiet < cases-allowed-2) {
					t.Errorf("%s, %d ears, %d seats: %d of %d corrections are more than 0.3 dB RMS of nothing", sc.name, ears, n, cases-quiet, cases)
				}
			}
		}
	}
}
