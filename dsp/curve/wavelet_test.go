package curve

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestWaveletFilter checks the conditions that define the filter: orthonormal to its own even shifts, four vanishing moments.
func TestWaveletFilter(t *testing.T) {
	for shift := 0; shift < 8; shift += 2 {
		s := 0.0
		for i := 0; i+shift < 8; i++ {
			s += scaling[i] * scaling[i+shift]
		}
		want := 0.0
		if shift == 0 {
			want = 1
		}
		near(t, "orthonormal", s, want, 1e-10)
	}
	for m := range 4 {
		s := 0.0
		for i := range 8 {
			s += math.Pow(float64(i), float64(m)) * scaling[7-i] * float64(1-2*(i%2))
		}
		near(t, "moment", s, 0, 1e-7)
	}
}

// TestTransformIsComplete: the parts give the curve back, and keep its energy.
func TestTransformIsComplete(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	v := make([]float64, Points)
	for i := range v {
		v[i] = rng.NormFloat64()
	}
	d := transform(v)
	energy, parts := 0.0, 0.0
	for i, x := range mirror(v) {
		energy += x * x
		parts += d.rest[i] * d.rest[i]
		for j := range levels {
			parts += d.d[j][i] * d.d[j][i]
		}
	}
	near(t, "energy", parts, energy, 1e-6*energy)
	for i, x := range d.restore() {
		near(t, "back", x, v[i], 1e-8)
	}
}

// TestPlace: the details of a spike are largest where the spike is.
func TestPlace(t *testing.T) {
	v := make([]float64, Points)
	v[200] = 1
	d := transform(v)
	for j := range levels - 2 {
		sum, at := 0.0, 0.0
		for k := range Points {
			x := d.d[j][place(j, k)]
			sum += x * x
			at += x * x * float64(k)
		}
		near(t, "centre", at/sum, 200, 1+0.3*float64(int(1)<<j))
	}
}
