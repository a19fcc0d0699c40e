package loudness

import "math"

//go:generate go run weigh_gen.go -out weigh_amd64.s -stubs weigh_stub_amd64.go -pkg loudness

type pair [2]float64 // left, right

// weighting is the K-weighting at work: two sections for both ears in state-space form with the first coefficient taken
// out in front (energy lacks scale, its square),
//
//	y = x + s1;  s1' = na1·s1 + (c1·x + s2);  s2' = c2·x + na2·s1
//
// Its layout is known to weigh_gen.go.
type weighting struct {
	section [2]struct{ na1, na2, c1, c2 pair }
	state   [2]struct{ s1, s2 pair }
	energy  pair // sum of squares
	peak    pair // largest magnitude at the input, NaN left out
	scale   float64
}

func newWeighting(rateHz float64) weighting {
	w := weighting{scale: 1}
	for i, k := range kWeighting(rateHz) {
		s := &w.section[i]
		s.na1, s.na2 = pair{-k.a1, -k.a1}, pair{-k.a2, -k.a2}
		s.c1, s.c2 = pair{k.b1/k.b0 - k.a1, k.b1/k.b0 - k.a1}, pair{k.b2/k.b0 - k.a2, k.b2/k.b0 - k.a2}
		w.scale *= k.b0 * k.b0
	}
	return w
}

// weighGo weighs the frames of buf and adds to energy and peak.
func weighGo(buf []float64, w *weighting) {
	for e := range 2 {
		// Scalars, because the compiler keeps arrays out of registers.
		a1, a2, a3, a4 := w.section[0].na1[e], w.section[0].na2[e], w.section[0].c1[e], w.section[0].c2[e]
		b1, b2, b3, b4 := w.section[1].na1[e], w.section[1].na2[e], w.section[1].c1[e], w.section[1].c2[e]
		p1, p2, q1, q2 := w.state[0].s1[e], w.state[0].s2[e], w.state[1].s1[e], w.state[1].s2[e]
		energy, peak := w.energy[e], w.peak[e]
		for i := e; i < len(buf); i += 2 {
			x := buf[i]
			if a := math.Abs(x); a > peak {
				peak = a
			}
			y := x + p1
			p1, p2 = a1*p1+(a3*x+p2), a4*x+a2*p1
			z := y + q1
			q1, q2 = b1*q1+(b3*y+q2), b4*y+b2*q1
			energy += z * z
		}
		w.state[0].s1[e], w.state[0].s2[e], w.state[1].s1[e], w.state[1].s2[e] = p1, p2, q1, q2
		w.energy[e], w.peak[e] = energy, peak
	}
}

// rest sets decayed states to zero, for numbers without a leading one are slow.
func (w *weighting) rest() {
	for i := range w.state {
		for e := range 2 {
			s := &w.state[i]
			if math.Abs(s.s1[e]) < 1e-15 && math.Abs(s.s2[e]) < 1e-15 {
				s.s1[e], s.s2[e] = 0, 0
			}
		}
	}
}

func (w *weighting) finite() bool {
	sum := 0.0
	for i := range w.state {
		for e := range 2 {
			sum += (w.state[i].s1[e] + w.state[i].s2[e]) * 0
		}
	}
	return sum == 0
}
