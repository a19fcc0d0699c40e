package sweep

import (
	"fmt"
	"math"

	"cushwright/dsp/interval"
)

// bandsPerOctave of the features that seats are compared by: neighbouring points of a 1/48-octave response say nearly
// the same, so counting them singly would make every answer look far too sure.
const bandsPerOctave = 3

// bands are third octaves with exact mid-bands from 25 Hz to 16 kHz, IEC 61260-1:2014 (G^(k/3)).
var bands = func() (m [29]float64) {
	for i := range m {
		m[i] = 1000 * math.Pow(10, 0.1*float64(i-16))
	}
	return
}()

// features are the mean levels of the third octaves, NaN where fewer than half of a band's points are usable.
func features(freqHz, levelDB []float64) ([]float64, error) {
	if len(freqHz) != len(levelDB) {
		return nil, fmt.Errorf("sweep: read a seat: %d frequencies but %d levels", len(freqHz), len(levelDB))
	}
	var sum, n, all [len(bands)]float64
	for i, f := range freqHz {
		b := int(math.Floor(math.Log10(f/1000)*10+0.5)) + 16
		if b < 0 || b >= len(bands) {
			continue
		}
		all[b]++
		if v := levelDB[i]; !math.IsNaN(v) && !math.IsInf(v, 0) {
			sum[b] += v
			n[b]++
		}
	}
	out := make([]float64, len(bands))
	for b := range out {
		out[b] = math.NaN()
		if n[b] > 0 && 2*n[b] >= all[b] {
			out[b] = sum[b] / n[b]
		}
	}
	return out, nil
}

// level is the level of the features, by interval.LevelWeight; those without a number are left out.
func level(feat []float64) (float64, error) {
	sum, norm, n := 0.0, 0.0, 0
	for b, v := range feat {
		if w := interval.LevelWeight(bands[b], interval.LevelLowHz, interval.LevelHighHz); w > 0 && !math.IsNaN(v) {
			sum += w * v
			norm += w
			n++
		}
	}
	if n < 5 {
		return 0, fmt.Errorf("sweep: read a seat: too few usable points between %g and %g Hz", interval.LevelLowHz, interval.LevelHighHz)
	}
	return sum / norm, nil
}

// meanSD is the mean and the standard deviation (n − 1); the latter is NaN for fewer than two values.
func meanSD(x []float64) (mean, sd float64) {
	for _, v := range x {
		mean += v / float64(len(x))
	}
	for _, v := range x {
		sd += (v - mean) * (v - mean)
	}
	if len(x) < 2 {
		return mean, math.NaN()
	}
	return mean, math.Sqrt(sd / float64(len(x)-1))
}
