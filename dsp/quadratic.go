package dsp

import (
	"math"
	"math/cmplx"
)

// quadratic is c0 + c1·v + c2·v², the squared magnitude of one side of a section; v = u/u0.
type quadratic [3]float64

func (q quadratic) at(v float64) float64 { return q[0] + v*(q[1]+v*q[2]) }

// positive reports whether q > 0 for 0 < v ≤ vmax, with a margin that rounding cannot eat. Zeros at v = 0 are let pass
// by calling it with the quotient.
func (q quadratic) positive(vmax float64) bool {
	for _, c := range q {
		if math.IsNaN(c) || math.IsInf(c, 0) {
			return false
		}
	}
	if !(q[0] > 0) || !(q.at(vmax) > 1e-9*(q[0]+math.Abs(q[1])*vmax+math.Abs(q[2])*vmax*vmax)) {
		return false
	}
	if q[2] > 0 && q[1] < 0 {
		if m := -q[1] / (2 * q[2]); m < vmax {
			return q[0]*q[2]*4-q[1]*q[1] > 1e-9*q[1]*q[1]
		}
	}
	return true
}

// factor returns the minimum-phase polynomial g·(1 + p1·z⁻¹ + p2·z⁻²) of squared magnitude q.
func (q quadratic) factor(u0 float64) (g, p1, p2 float64) {
	// Roots in w = u0/u rather than u: a vanishing c2 then only moves a root to w = 0, that is z = 0.
	b, d := -q[1]/(2*q[0]), q[1]*q[1]/(4*q[0]*q[0])-q[2]/q[0]
	var z [2]complex128
	if d < 0 {
		w := complex(b, math.Sqrt(-d))
		z[0] = inside(w, u0)
		z[1] = cmplx.Conj(z[0])
	} else {
		w := b + math.Copysign(math.Sqrt(d), b)
		z[0] = inside(complex(w, 0), u0)
		if w != 0 {
			z[1] = inside(complex(q[2]/q[0]/w, 0), u0)
		}
	}
	p1, p2 = -real(z[0]+z[1]), real(z[0]*z[1])
	// sqrt(q(0)) = g·(1-z0)(1-z1)
	g = math.Sqrt(q[0]) / real((1-z[0])*(1-z[1]))
	return g, p1, p2
}

// inside returns the z within the unit circle for which sin²(ω/2) = u0/w.
func inside(w complex128, u0 float64) complex128 {
	if w == 0 {
		return 0
	}
	t := 2 * cmplx.Asinh(cmplx.Sqrt(-complex(u0, 0)/w))
	if real(t) > 0 {
		t = -t
	}
	z := cmplx.Exp(t)
	if imag(w) == 0 {
		z = complex(real(z), 0)
	}
	return z
}
