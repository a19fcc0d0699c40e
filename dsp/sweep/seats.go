package sweep

import (
	"fmt"
	"math"
	"slices"
)

// Agreement compares a seat with the earlier ones of the same cushion and ear: RMS difference in dB from their mean
// over third octaves, levels aligned between 200 Hz and 4 kHz, and what is to be said about it. Levels belong to
// freqHz; NaN points are left out. Without earlier seats it is 0 and no findings.
func Agreement(freqHz, levelDB []float64, earlier [][]float64) (rmsDB float64, found []Finding, err error) {
	feat, err := aligned(freqHz, levelDB)
	if err != nil || len(earlier) == 0 {
		return 0, nil, err
	}
	var before [][]float64
	for _, e := range earlier {
		f, err := aligned(freqHz, e)
		if err != nil {
			return 0, nil, err
		}
		before = append(before, f)
	}
	n := float64(len(before))
	sum, count, odd, worst, worstAt := 0.0, 0, 0, 0.0, 0.0
	for b, v := range feat {
		m, sd := bandStats(before, b)
		if math.IsNaN(v) || math.IsNaN(m) {
			continue
		}
		d := v - m
		sum += d * d
		count++
		// Invented as a floor, because three seats may agree by chance: the usual scatter of the range.
		if !(sd > scatterDB(bands[b])) {
			sd = scatterDB(bands[b])
		}
		if q := math.Abs(d) / (sd * math.Sqrt(1+1/n)); q > 3 {
			odd++
			if q > worst {
				worst, worstAt = q, bands[b]
			}
		}
	}
	if count == 0 {
		return 0, nil, fmt.Errorf("sweep: compare a seat with %d earlier ones: no usable points in common", len(earlier))
	}
	rmsDB = math.Sqrt(sum / float64(count))

	low, base := bass(feat), []float64{}
	for _, f := range before {
		if v := bass(f); !math.IsNaN(v) {
			base = append(base, v)
		}
	}
	if len(base) > 0 && !math.IsNaN(low) {
		// The better sealed seats are the measure: one leaky seat among the earlier must not hide the next.
		slices.Sort(base)
		median := base[len(base)/2]
		_, sd := meanSD(base)
		limit := max(6, 3*sd)
		if !(sd > 0) {
			limit = 6
		}
		if low < median-limit {
			return rmsDB, []Finding{{Kind: Leak, Refuse: true, FreqHz: 50, Amount: median - low, Text: fmt.Sprintf(
				"a leak is suspected: below 100 Hz the level is %.1f dB lower than with the earlier seats; seat again, look for hair, "+
					"glasses or a fold under the cushion", median-low)}}, nil
		}
	}
	if odd > count/5 {
		found = append(found, Finding{Kind: Disagrees, Refuse: true, FreqHz: worstAt, Amount: rmsDB, Text: fmt.Sprintf(
			"this seat is unlike the earlier ones: %.1f dB RMS, most of all about %s", rmsDB, plainHz(worstAt))})
	}
	return rmsDB, found, nil
}

// scatterDB is the invented model of seating scatter; no published figures were found. It serves as a floor only.
func scatterDB(freqHz float64) float64 {
	switch {
	case freqHz < 100:
		return 1.5
	case freqHz < 4000:
		return 0.7
	case freqHz < 8000:
		return 1.5
	}
	return 2.5
}

// bass is the mean of the features from 25 to 90 Hz.
func bass(feat []float64) float64 {
	sum, n := 0.0, 0.0
	for b, v := range feat {
		if bands[b] < 90 && !math.IsNaN(v) {
			sum += v
			n++
		}
	}
	return sum / n
}

// aligned returns the features less their level.
func aligned(freqHz, levelDB []float64) ([]float64, error) {
	f, err := features(freqHz, levelDB)
	if err != nil {
		return nil, err
	}
	l, err := level(f)
	for b := range f {
		f[b] -= l
	}
	return f, err
}

// bandStats is mean and standard deviation of one feature over those seats that have it.
func bandStats(seats [][]float64, b int) (mean, sd float64) {
	var v []float64
	for _, s := range seats {
		if !math.IsNaN(s[b]) {
			v = append(v, s[b])
		}
	}
	if len(v) == 0 {
		return math.NaN(), math.NaN()
	}
	return meanSD(v)
}
