package curve

import (
	"fmt"
	"math"
	"slices"
	"sort"
)

// The grid: 1/48 octave, with G = 10^0.3 (IEC 61260-1:2014), both ends included.
const (
	Points          = 481
	PointsPerOctave = 48
	LowHz, HighHz   = 20.0, 20000.0
)

var grid = func() (g [Points]float64) {
	for i := range g {
		g[i] = LowHz * math.Pow(10, float64(i)*0.3/PointsPerOctave)
	}
	g[Points-1] = HighHz
	return
}()

// Grid returns a copy of the common frequencies in Hz, ascending.
func Grid() []float64 { return slices.Clone(grid[:]) }

// Index returns the grid position next to freqHz, held within the grid.
func Index(freqHz float64) int {
	i := int(math.Round(math.Log10(freqHz/LowHz) * PointsPerOctave / 0.3))
	return min(max(i, 0), Points-1)
}

// Curve is one level response on Grid. Outside LowHz to HighHz, the range that was measured, the end values are held.
type Curve struct {
	LevelDB       []float64 // len Points
	LowHz, HighHz float64   // measured range, within the grid's
}

// FromPoints puts measured points on the grid by linear interpolation of the level over log frequency. Where three or
// more points fall within one grid step, as with the bins of a long transform, their mean stands for them. The order
// is free; points at the same frequency are averaged. It needs two different frequencies and finite values > 0 Hz, and
// a measured range that overlaps the grid.
func FromPoints(freqHz, levelDB []float64) (Curve, error) {
	if len(freqHz) != len(levelDB) {
		return Curve{}, fmt.Errorf("curve: take in %d frequencies: %d levels belong to them", len(freqHz), len(levelDB))
	}
	idx := make([]int, len(freqHz))
	for i, f := range freqHz {
		if !(f > 0) || math.IsInf(f, 0) || math.IsNaN(levelDB[i]) || math.IsInf(levelDB[i], 0) {
			return Curve{}, fmt.Errorf("curve: take in point %d: %g Hz, %g dB is not a finite point above 0 Hz", i+1, f, levelDB[i])
		}
		idx[i] = i
	}
	sort.SliceStable(idx, func(a, b int) bool { return freqHz[idx[a]] < freqHz[idx[b]] })
	x, y := make([]float64, 0, len(idx)), make([]float64, 0, len(idx)) // log10 Hz, dB
	for i := 0; i < len(idx); {
		j, sum := i, 0.0
		for ; j < len(idx) && freqHz[idx[j]] == freqHz[idx[i]]; j++ {
			sum += levelDB[idx[j]]
		}
		x = append(x, math.Log10(freqHz[idx[i]]))
		y = append(y, sum/float64(j-i))
		i = j
	}
	if len(x) < 2 {
		return Curve{}, fmt.Errorf("curve: take in %d points: at least two different frequencies are needed", len(freqHz))
	}
	lo, hi := math.Pow(10, x[0]), math.Pow(10, x[len(x)-1])
	if hi <= LowHz || lo >= HighHz {
		return Curve{}, fmt.Errorf("curve: take in %g to %g Hz: nothing lies between %g and %g Hz", lo, hi, LowHz, HighHz)
	}
	c := Curve{LevelDB: make([]float64, Points), LowHz: max(lo, LowHz), HighHz: min(hi, HighHz)}
	half := 0.15 / PointsPerOctave
	for i, f := range grid {
		u := math.Log10(f)
		a, b := sort.SearchFloat64s(x, u-half), sort.SearchFloat64s(x, u+half)
		if b-a >= 3 {
			sum := 0.0
			for _, v := range y[a:b] {
				sum += v
			}
			c.LevelDB[i] = sum / float64(b-a)
			continue
		}
		c.LevelDB[i] = interpolate(x, y, u)
	}
	return c, nil
}

func interpolate(x, y []float64, u float64) float64 {
	k := sort.SearchFloat64s(x, u)
	switch {
	case k == 0:
		return y[0]
	case k == len(x):
		return y[len(y)-1]
	}
	t := (u - x[k-1]) / (x[k] - x[k-1])
	return y[k-1] + t*(y[k]-y[k-1])
}

// FromFunc samples a level in dB over frequency in Hz on the grid.
func FromFunc(levelDB func(freqHz float64) float64) Curve {
	c := Curve{LevelDB: make([]float64, Points), LowHz: LowHz, HighHz: HighHz}
	for i, f := range grid {
		c.LevelDB[i] = levelDB(f)
	}
	return c
}

// At returns the level at freqHz, interpolated over log frequency and held beyond the grid.
func (c Curve) At(freqHz float64) float64 {
	u := math.Log10(freqHz/LowHz) * PointsPerOctave / 0.3
	if !(u > 0) {
		return c.LevelDB[0]
	}
	i := int(u)
	if i >= Points-1 {
		return c.LevelDB[Points-1]
	}
	t := u - float64(i)
	return c.LevelDB[i]*(1-t) + c.LevelDB[i+1]*t
}

// Shift returns the curve raised by db.
func (c Curve) Shift(db float64) Curve {
	out := Curve{slices.Clone(c.LevelDB), c.LowHz, c.HighHz}
	for i := range out.LevelDB {
		out.LevelDB[i] += db
	}
	return out
}

// Minus returns c − o over the range both were measured in. It serves to take a rig's own response, or a microphone's
// calibration, off a seat.
func (c Curve) Minus(o Curve) Curve {
	out := Curve{slices.Clone(c.LevelDB), max(c.LowHz, o.LowHz), min(c.HighHz, o.HighHz)}
	for i := range out.LevelDB {
		out.LevelDB[i] -= o.LevelDB[i]
	}
	return out
}

// Smooth averages the dB values over log frequency with a Hann (raised cosine) window whose width at half height is
// 1/fraction octave; the whole window is twice as wide. At the ends of the grid the window is cut off and what is left
// of it normalised. A fraction ≤ 0 or above 48 leaves the curve as it is.
func (c Curve) Smooth(fraction float64) Curve {
	return Curve{smooth(c.LevelDB, fraction), c.LowHz, c.HighHz}
}

func smooth(v []float64, fraction float64) []float64 {
	out := slices.Clone(v)
	if !(fraction > 0 && fraction <= PointsPerOctave) {
		return out
	}
	fwhm := PointsPerOctave / fraction // points
	n := int(math.Ceil(fwhm)) - 1      // the window is zero at ±fwhm
	w := make([]float64, n+1)
	for k := range w {
		w[k] = 0.5 + 0.5*math.Cos(math.Pi*float64(k)/fwhm)
	}
	for i := range v {
		sum, norm := w[0]*v[i], w[0]
		for k := 1; k <= n; k++ {
			if i-k >= 0 {
				sum, norm = sum+w[k]*v[i-k], norm+w[k]
			}
			if i+k < len(v) {
				sum, norm = sum+w[k]*v[i+k], norm+w[k]
			}
		}
		out[i] = sum / norm
	}
	return out
}
