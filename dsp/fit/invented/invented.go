// Package invented makes cushion measurements up, for tests and for the demonstration. Nothing here was measured on
// anything: responses, differences and scatter are invented, and whatever is made from them must say so.
package invented

import (
	"math"
	"math/rand/v2"

	"cushwright/dsp/curve"
)

// Label is to stand on everything made from this package.
const Label = "invented data, not measured"

// Pair is a reference cushion and a new one without any noise.
type Pair struct {
	Ref, New curve.Curve
	rng      *rand.Rand
}

// WantDB is the true response of a perfect correction, ref − new, on the common grid.
func (p Pair) WantDB() []float64 { return p.Ref.Minus(p.New).LevelDB }

// hump is a bump of that height in dB around hz, octaves wide (standard deviation); not a filter's shape on purpose.
func hump(f, hz, db, octaves float64) float64 {
	x := math.Log2(f/hz) / octaves
	return db * math.Exp(-x*x/2)
}

// reference is an invented headphone on an invented reference cushion.
func reference(f float64) float64 {
	return 90 + hump(f, 60, 2, 1.2) + hump(f, 3000, 8, 0.7) - hump(f, 6200, 4, 0.25) + hump(f, 9000, 3, 0.2) - 9*math.Pow(f/20000, 3)
}

// NewPair invents a pair: the new cushion brings a broad bass rise peaking at 200–300 Hz, a scoop at 1 kHz, a rise at
// 2 kHz, a dip at 4 kHz and narrow detail in the treble. The same seed gives the same pair.
func NewPair(seed uint64) Pair {
	rng := rand.New(rand.NewPCG(seed, 0x637573686e))
	between := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	type part struct{ hz, db, oct float64 }
	parts := []part{
		{between(200, 300), between(2, 5), between(0.5, 0.9)},
		{between(850, 1150), between(-4.5, -2), between(0.3, 0.55)},
		{between(1800, 2300), between(1.5, 3.5), between(0.25, 0.45)},
		{between(3600, 4500), between(-5, -2.5), between(0.2, 0.4)},
	}
	for range 4 + rng.IntN(4) {
		db := between(1, 3.5)
		if rng.IntN(2) == 0 {
			db = -db
		}
		parts = append(parts, part{5000 * math.Pow(3.4, rng.Float64()), db, between(0.06, 0.16)})
	}
	shelf, corner, slope := between(3, 6), between(350, 500), between(1.6, 2.6)
	return Pair{curve.FromFunc(reference), curve.FromFunc(func(f float64) float64 {
		d := shelf / (1 + math.Pow(f/corner, slope))
		for _, p := range parts {
			d += hump(f, p.hz, p.db, p.oct)
		}
		return reference(f) + d
	}), rng}
}

// ScatterDB is an invented standard deviation of reseating over frequency: 3 dB below 100 Hz, 1 dB from 200 Hz to 4 kHz,
// 3 dB to 8 kHz, 5 dB above, with short passages between. No published figure was found.
func ScatterDB(freqHz float64) float64 {
	step := func(lo, hi, a, b float64) float64 {
		x := min(max(math.Log(freqHz/lo)/math.Log(hi/lo), 0), 1)
		return a + (b-a)*x*x*(3-2*x)
	}
	switch {
	case freqHz < 1000:
		return step(100, 200, 3, 1)
	case freqHz < 6000:
		return step(3800, 4600, 1, 3)
	}
	return step(7500, 8800, 3, 5)
}

// Seats reseats a cushion n times: each seat is c plus scatter that hangs together over about an octave (two thirds of its
// variance) and a sixth of an octave (the rest), and a gain of its own of up to ±0.5 dB.
func Seats(c curve.Curve, n int, rng *rand.Rand) []curve.Curve {
	out := make([]curve.Curve, n)
	g := curve.Grid()
	for i := range out {
		broad, fine := process(rng, 1), process(rng, 6)
		gain := rng.Float64() - 0.5
		s := c.Shift(gain)
		for k := range s.LevelDB {
			s.LevelDB[k] += ScatterDB(g[k]) * (math.Sqrt(2.0/3)*broad[k] + math.Sqrt(1.0/3)*fine[k])
		}
		out[i] = s
	}
	return out
}

// Seats reseats both cushions n times; each call continues the pair's own random sequence.
func (p Pair) Seats(n int) (ref, new []curve.Curve) {
	return Seats(p.Ref, n, p.rng), Seats(p.New, n, p.rng)
}

// process is Gaussian noise of unit variance that hangs together over 1/fraction octave.
func process(rng *rand.Rand, fraction float64) []float64 {
	const margin = 2 * curve.PointsPerOctave
	width := int(curve.PointsPerOctave / fraction)
	white := make([]float64, curve.Points+2*margin)
	for i := range white {
		white[i] = rng.NormFloat64()
	}
	out := make([]float64, curve.Points)
	norm := 0.0
	w := make([]float64, 2*width-1)
	for k := range w {
		w[k] = 0.5 + 0.5*math.Cos(math.Pi*float64(k-width+1)/float64(width))
		norm += w[k] * w[k]
	}
	for i := range out {
		for k, v := range w {
			out[i] += v * white[i+margin+k-width+1]
		}
		out[i] /= math.Sqrt(norm)
	}
	return out
}

// Cushion is one of the demonstration's cushions.
type Cushion struct {
	Name  string // woven, wipe-clean or deep-foam
	Left  []curve.Curve
	Right []curve.Curve
	True  curve.Curve // without scatter, both ears
}

// Booth invents the three cushions of an interpreters' booth, seats per ear given: woven (the reference), wipe-clean (sealed
// and about 3 mm thicker) and deep-foam (a larger, softer chamber).
func Booth(seats int) []Cushion {
	wipeClean := func(f float64) float64 {
		return reference(f) + 4.6/(1+math.Pow(f/420, 2.4)) + hump(f, 240, 4.2, 0.75) - hump(f, 1000, 3.6, 0.42) +
			hump(f, 2050, 3, 0.36) - hump(f, 4050, 4, 0.33) + hump(f, 8700, 2, 0.11) - hump(f, 11200, 2.4, 0.1)
	}
	deepFoam := func(f float64) float64 {
		return reference(f) - 2.2/(1+math.Pow(f/300, 1.8)) - hump(f, 150, 1.2, 0.8) + hump(f, 1300, 1.6, 0.5) -
			hump(f, 3300, 2.4, 0.4) + hump(f, 5600, 2.2, 0.2) - hump(f, 8300, 2.6, 0.13)
	}
	rng := rand.New(rand.NewPCG(2, 60268))
	var out []Cushion
	for _, c := range []struct {
		name string
		f    func(float64) float64
	}{{"woven", reference}, {"wipe-clean", wipeClean}, {"deep-foam", deepFoam}} {
		t := curve.FromFunc(c.f)
		out = append(out, Cushion{c.name, Seats(t, seats, rng), Seats(t, seats, rng), t})
	}
	return out
}
