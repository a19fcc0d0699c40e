package dsp

import (
	"math"
	"slices"
)

// ProgrammeTopHz is how far up a programme at that rate reaches. At 44.1 and 48 kHz it ends at 20 kHz, where the
// filters of converters, resamplers and coders begin to cut (common practice, no source). From 88.2 kHz on it may reach
// half the rate.
func ProgrammeTopHz(rateHz float64) float64 {
	if rateHz < 88200 {
		return 20000
	}
	return rateHz / 2
}

// PeakDB is the largest level over both ears and all frequencies that a programme can have, without headroom, in dB:
// from 0 Hz to 20 kHz at rates below 88.2 kHz, to half the rate from there on. So a correction has the same headroom at
// 44.1 and 48 kHz, as far as its sections agree, and takes more at a higher rate only where it lifts what lies above 20
// kHz.
//
// It bounds sines only: peaks of other signals may come out higher, and so may what a programme at 44.1 or 48 kHz still
// has above 20 kHz; the guard holds both. Found by a grid with extra points around every band, then golden-section
// search around each local maximum that could be the largest.
func (c *Chain) PeakDB() float64 {
	if c.sameEars() {
		return c.peakDB(0)
	}
	return max(c.peakDB(0), c.peakDB(1))
}

func (c *Chain) peakDB(ear int) float64 {
	if len(c.sections[ear]) == 0 {
		return 0
	}
	at := c.criticalHz(ear)
	level := func(f float64) float64 { return max(10*math.Log10(c.Power(Ear(ear)+Left, f)), LeastDB) }
	db := make([]float64, len(at))
	top := math.Inf(-1)
	for i, f := range at {
		db[i] = level(f)
		top = max(top, db[i])
	}
	peak := top
	for i := range at {
		lo, hi := max(i-1, 0), min(i+1, len(at)-1)
		if db[i] < top-3 || db[i] < db[lo] || db[i] < db[hi] {
			continue
		}
		peak = max(peak, golden(level, at[lo], at[hi]))
	}
	return peak
}

// criticalHz lists the frequencies of the programme at which an ear's response is looked at first, ascending: a grid,
// and points around the resonance of every pole and zero pair, as close as its bandwidth asks.
func (c *Chain) criticalHz(ear int) []float64 {
	top := ProgrammeTopHz(c.rateHz)
	at := []float64{0, top}
	for f := 5.0; f < top; f *= 1.05 {
		at = append(at, f)
	}
	pair := func(p1, p2 float64) {
		if d := p1*p1/4 - p2; d < 0 {
			w := math.Atan2(math.Sqrt(-d), -p1/2)
			width := 1 - math.Sqrt(p2) // radians, roughly half the bandwidth
			for _, k := range [...]float64{0, 0.25, 0.5, 1, 2, 4, 8, 16, 32} {
				for _, s := range [...]float64{w - k*width, w + k*width} {
					if f := s * c.rateHz / (2 * math.Pi); f > 0 && f < top {
						at = append(at, f)
					}
				}
			}
		}
	}
	for _, s := range c.sections[ear] {
		pair(s.A1, s.A2)
		pair(s.B1/s.B0, s.B2/s.B0)
	}
	slices.Sort(at)
	return at
}

// golden returns the maximum of f between lo and hi, where f has one.
func golden(f func(float64) float64, lo, hi float64) float64 {
	const g = 0.6180339887498949
	a, b := hi-g*(hi-lo), lo+g*(hi-lo)
	fa, fb := f(a), f(b)
	for range 40 {
		if fa > fb {
			hi, b, fb = b, a, fa
			a = hi - g*(hi-lo)
			fa = f(a)
		} else {
			lo, a, fa = a, b, fb
			b = lo + g*(hi-lo)
			fb = f(b)
		}
	}
	return max(fa, fb)
}
