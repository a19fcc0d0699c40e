package sweep

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// bandsPerOctave of the features that seats are compared by: neighbouring points of a 1/48-octave response say nearly the
// same, so counting them singly would make every answer look far too sure.
const bandsPerOctave = 3

// bands are third octaves with exact mid-bands from 25 Hz to 16 kHz, IEC 61260-1:2014 (G^(k/3)).
var bands = func() (m [29]float64) {
	for i := range m {
		m[i] = 1000 * math.Pow(10, 0.1*float64(i-16))
	}
	return
}()

// normLow and normHigh bound the range levels are aligned in: where reseating scatters least. Common practice, no source.
const normLow, normHigh = 200.0, 4000.0

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

// level is the mean of the features in the range of alignment.
func level(feat []float64) (float64, error) {
	sum, n := 0.0, 0
	for b, v := range feat {
		if bands[b] > normLow*0.95 && bands[b] < normHigh*1.05 && !math.IsNaN(v) {
			sum += v
			n++
		}
	}
	if n < 5 {
		return 0, fmt.Errorf("sweep: read a seat: too few usable points between %g and %g Hz", normLow, normHigh)
	}
	return sum / float64(n), nil
}

// t95 is the two-sided 95 % point of Student's t.
func t95(dof float64) float64 {
	if !(dof > 0) {
		return math.Inf(1)
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: dof}.Quantile(0.975)
}

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
