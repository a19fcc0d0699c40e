package dsp

import (
	"math"
	"slices"
)

// PeakDB is the largest level over both ears and all frequencies from 0 Hz to half the rate, without headroom, in dB. It
// bounds sines only; see L1DB. Found by a grid with extra points around every band, then golden-section search around
// each local maximum that could be the largest.
func (c *Chain) PeakDB() float64 {
	return max(c.peakDB(0), c.peakDB(1))
}

func (c *Chain) peakDB(ear int) float64 {
	if len(c.sections[ear]) == 0 {
		return 0
	}
	at := c.criticalHz(ear)
	level := func(f float64) float64 { return c.DB(Ear(ear)+Left, f) }
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

// criticalHz lists the frequencies at which an ear's response is looked at first, ascending: a grid, and points around
// the resonance of every pole and zero pair, as close as its bandwidth asks.
func (c *Chain) criticalHz(ear int) []float64 {
	half := c.rateHz / 2
	at := []float64{0, half}
	for f := 5.0; f < half; f *= 1.05 {
		at = append(at, f)
	}
	pair := func(p1, p2 float64) {
		if d := p1*p1/4 - p2; d < 0 {
			w := math.Atan2(math.Sqrt(-d), -p1/2)
			width := 1 - math.Sqrt(p2) // radians, roughly half the bandwidth
			for _, k := range [...]float64{0, 0.25, 0.5, 1, 2, 4, 8, 16, 32} {
				for _, s := range [...]float64{w - k*width, w + k*width} {
					if f := s * c.rateHz / (2 * math.Pi); f > 0 && f < half {
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

// L1DB is the sum of the magnitudes of the impulse response, the larger ear's, without headroom, in dB: no signal within
// full scale leaves the sections above this level. The impulse response is followed until it has decayed by 160 dB.
func (c *Chain) L1DB() float64 {
	m := 0.0
	for ear := range c.sections {
		m = max(m, c.l1(ear))
	}
	return DB(m)
}

func (c *Chain) l1(ear int) float64 {
	ch := &Chain{sections: [2][]Section{c.sections[ear], nil}, still: true, rateHz: c.rateHz}
	ch.passes = kernels[0].newPasses(ch.sections, 1)
	buf := make([]float64, 2*flushEvery)
	buf[0] = 1
	sum := 0.0
	for range int(60*c.rateHz) / flushEvery { // the slowest pole permitted rings for half a minute
		ch.Process(buf)
		part := 0.0
		for i := 0; i < len(buf); i += 2 {
			part += math.Abs(buf[i])
		}
		sum += part
		if ch.still || part < 1e-8*sum {
			break
		}
		clear(buf)
	}
	return sum
}
