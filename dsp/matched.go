package dsp

import (
	"math"
	"math/cmplx"
)

// Matched returns the band's section by the design the engine runs: minimum phase, with the magnitude of the analog
// prototype (Band.Analog) kept up to 20 kHz at every rate. A gain of 0 dB gives the identity; a cut is exactly the
// inverse of the boost of the same size. The error is a *RangeError.
//
// A second-order section's squared magnitude is a ratio of two quadratics in u = sin²(ω/2), so the design works on
// those: it starts from impulse-invariant poles and zeros (z = e^(sT)), with the numerator then fitted by weighted
// linear least squares where those would alias, and refines both quadratics by Levenberg-Marquardt on the level error
// in dB, reweighted towards the smallest worst error. The level at 0 Hz stays exact throughout. Quadratics without a
// zero on the unit circle factor into a stable, minimum-phase section, and a step that would breach this is refused.
// Published kin: S. J. Orfanidis, JAES 45(6), 1997; M. Vicanek, "Matched Second Order Digital Filters", 2016; the fit
// of both quadratics is this project's own.
func Matched(b Band, rateHz float64) (Section, error) {
	if err := b.Check(); err != nil {
		return Section{}, err
	}
	if err := checkRate(rateHz); err != nil {
		return Section{}, err
	}
	if b.Shape.HasGain() {
		if b.GainDB == 0 {
			return Section{B0: 1}, nil
		}
		if b.GainDB < 0 {
			b.GainDB = -b.GainDB
			s, _ := newDesign(b, rateHz).best()
			return s.inverse(), nil
		}
	}
	s, _ := newDesign(b, rateHz).best()
	return s, nil
}

// Realise returns the sections that a chain runs for a band: that of Matched, and a second one where two poles and two
// zeros leave more than 0.3 dB up to 20 kHz. Those are strongly resonant shelves and low-cuts high in the band, and
// wide notches at its edge, at rates near 44.1 kHz. The error is a *RangeError.
func Realise(b Band, rateHz float64) ([]Section, error) {
	if err := b.Check(); err != nil {
		return nil, err
	}
	if err := checkRate(rateHz); err != nil {
		return nil, err
	}
	cut := false
	if b.Shape.HasGain() {
		if b.GainDB == 0 {
			return []Section{{B0: 1}}, nil
		}
		cut = b.GainDB < 0
		b.GainDB = math.Abs(b.GainDB)
	}
	d := newDesign(b, rateHz)
	s, worst := d.best()
	out := []Section{s}
	if worst > 0.3 {
		if pair, ok := d.companion(rateHz, worst); ok {
			out = pair
		}
	}
	if cut {
		for i := range out {
			out[i] = out[i].inverse()
		}
	}
	return out, nil
}

func (s Section) inverse() Section {
	g := 1 / s.B0
	return Section{g, s.A1 * g, s.A2 * g, s.B1 * g, s.B2 * g}
}

// design is one fit. The squared magnitude is num(v)/den(v), times v² for a low-cut; a notch's numerator is (1-v)².
type design struct {
	b      Band
	u0     float64 // sin²(ω0/2), the unit of v
	vmax   float64
	v      []float64 // grid
	want   []float64 // ln of the squared magnitude wanted, less the fixed part
	weight []float64
	free   []*float64 // the coefficients that may move
	num    quadratic
	den    quadratic
}

const (
	topHz  = 20000.0 // the top of the band: fitted with full weight up to here
	perNep = 20 / (2 * math.Ln10)
)

func newDesign(b Band, rateHz float64) *design {
	d := &design{b: b}
	sin := func(f float64) float64 { s := math.Sin(math.Pi * f / rateHz); return s * s }
	d.u0 = sin(b.FreqHz)
	d.vmax = 1 / d.u0
	a := math.Pow(10, b.GainDB/40)
	lo := b.FreqHz / 30
	add := func(f, w float64) {
		v := sin(f) / d.u0
		var fixed float64
		x := f / b.FreqHz
		m := b.Analog(f)
		l := 2 * math.Log(cmplx.Abs(m))
		switch b.Shape {
		case LowCut:
			fixed = 2 * math.Log(v)
			l = -math.Log((x*x-1)*(x*x-1)+x*x/(b.Q*b.Q)) + 4*math.Log(x)
		case Notch:
			// the zero is common to both: compare what is left
			if math.Abs(x-1) < 1e-6 {
				return
			}
			fixed = 2 * math.Log(math.Abs(1-v))
		}
		d.v = append(d.v, v)
		d.want = append(d.want, l-fixed)
		d.weight = append(d.weight, w)
	}
	nyq := rateHz / 2
	top := min(topHz, nyq)
	const n = 48
	for i := range n {
		add(lo*math.Pow(top/lo, (float64(i)+0.5)/n), 1)
	}
	for i := 0; i <= n/2; i++ { // the top octaves decide the worst error
		if f := top * (0.3 + 0.7*float64(i)/(n/2)); f > lo {
			add(f, 1)
		}
	}
	for _, c := range []float64{1 / math.Sqrt(a), 1, math.Sqrt(a)} { // resonances
		for k := -4; k <= 4; k++ {
			if f := b.FreqHz * c * math.Pow(2, float64(k)/(4*b.Q+1)); f < top {
				add(f, 1)
			}
		}
	}
	if b.Shape == Notch { // its flanks right up to the zero
		for _, k := range []float64{0.96, 0.98, 0.99, 0.995, 0.999} {
			add(b.FreqHz*k, 1)
		}
	}
	for i := 1; i < 8; i++ { // above the band: enough to keep the response tame
		add(top+(nyq-top)*float64(i)/8, 0.02)
	}
	return d
}

// analogSides returns the analog zeros and poles, s in units of 2π·FreqHz, and whether there are zeros to match.
func (b Band) analogSides() (zeros, poles [2]complex128, hasZeros bool) {
	a := math.Pow(10, b.GainDB/40)
	roots := func(c2, c1, c0 float64) [2]complex128 {
		h, m := c1/(2*c2), c0/c2
		if d := h*h - m; d >= 0 {
			r := -h - math.Sqrt(d)
			return [2]complex128{complex(r, 0), complex(m/r, 0)}
		} else {
			return [2]complex128{complex(-h, math.Sqrt(-d)), complex(-h, -math.Sqrt(-d))}
		}
	}
	q := b.Q
	switch b.Shape {
	case Bell:
		return roots(1, a/q, 1), roots(1, 1/(a*q), 1), true
	case LowShelf:
		r := math.Sqrt(a) / q
		return roots(1, r, a), roots(a, r, 1), true
	case HighShelf:
		r := math.Sqrt(a) / q
		return roots(a, r, 1), roots(1, r, a), true
	}
	return zeros, roots(1, 1/q, 1), false
}

// matchedZ returns the quadratic with roots z = e^(sT), 1 at v = 0. Roots beyond nyquist are brought below it.
func (d *design) matchedZ(s [2]complex128, clip float64) quadratic {
	w0 := 2 * math.Asin(math.Sqrt(d.u0))
	var w [2]complex128 // u0/u of each root
	for i, r := range s {
		t := r * complex(w0, 0)
		if lim := clip * math.Pi; math.Abs(imag(t)) > lim {
			t = complex(real(t), math.Copysign(lim, imag(t)))
		}
		if real(t) < -12 {
			t = complex(-12, imag(t))
		}
		sh := cmplx.Sinh(t / 2)
		w[i] = -complex(d.u0, 0) / (sh * sh)
	}
	return quadratic{1, -real(w[0] + w[1]), real(w[0] * w[1])}
}

// best tries the starting points and returns the section with the smallest worst error.
func (d *design) best() (best Section, worst float64) {
	zeros, poles, hasZeros := d.b.analogSides()
	g0 := 1.0 // squared magnitude at 0 Hz
	if d.b.Shape == LowShelf {
		g0 = Ratio(2 * d.b.GainDB)
	}
	worst = math.Inf(1)
	var bestNum, bestDen quadratic
	try := func(num, den quadratic) {
		d.num, d.den = num, den
		e, ok := d.refine()
		if !ok || e >= worst {
			return
		}
		if s, ok := d.section(); ok {
			best, worst = s, e
			bestNum, bestDen = d.num, d.den
		}
	}
	for _, clip := range []float64{0.97, 0.8} {
		den := d.matchedZ(poles, clip)
		switch {
		case hasZeros:
			num := d.matchedZ(zeros, clip)
			for k := range num {
				num[k] *= g0
			}
			try(num, den)
			if worst > 0.002 {
				if lin, ok := d.linear(g0, den); ok {
					try(lin, den)
				}
			}
		case d.b.Shape == LowCut, d.b.Shape == Notch:
			try(quadratic{1, 0, 0}, den)
		case d.b.Shape == HighCut:
			try(quadratic{1, 0, 0}, den)
			if worst > 0.002 {
				if lin, ok := d.linear(1, den); ok {
					try(lin, den)
				}
			}
		}
		if worst < 0.01 {
			break
		}
	}
	if math.IsInf(worst, 1) || worst > 0.3 { // also from the bilinear form, feasible by construction
		num, den := d.bilinear()
		try(num, den)
	}
	d.num, d.den = bestNum, bestDen
	return best, worst
}

// bilinear returns the quadratics of the bilinear form: tan²(ω/2) = u/(1-u) put into the analog squared magnitude.
func (d *design) bilinear() (num, den quadratic) {
	a := math.Pow(10, d.b.GainDB/40)
	q := d.b.Q
	k := d.u0 / (1 - d.u0) // tan²(ω0/2)
	// c2·X² + c1·X + c0 with X = v·u0/((1-v·u0)·k), over the common (1-v·u0)²
	conv := func(c0, c1, c2 float64) quadratic {
		r := d.u0
		p := r / k
		return quadratic{c0, -2*r*c0 + c1*p, r*r*c0 - c1*p*r + c2*p*p}
	}
	one := conv(1, 1/(q*q)-2, 1)
	switch d.b.Shape {
	case Bell:
		return conv(1, a*a/(q*q)-2, 1), conv(1, 1/(a*a*q*q)-2, 1)
	case LowShelf:
		return conv(a*a*a*a, a*a*(a/(q*q)-2*a), a*a), conv(1, a/(q*q)-2*a, a*a)
	case HighShelf:
		n, e := conv(1, a/(q*q)-2*a, a*a), conv(a*a, a/(q*q)-2*a, 1)
		for i := range n { // H = a·n/e; 1 at v = 0
			n[i] *= a * a / e[0]
		}
		z := e[0]
		for i := range e {
			e[i] /= z
		}
		return n, e
	case HighCut:
		return conv(1, 0, 0), one
	}
	return quadratic{1, 0, 0}, one
}

// linear fits the numerator to den by weighted linear least squares on the relative error, DC fixed.
func (d *design) linear(g0 float64, den quadratic) (quadratic, bool) {
	var m [2][3]float64
	for i, v := range d.v {
		t := math.Exp(d.want[i]) * den.at(v)
		if !(t > 0) {
			return quadratic{}, false
		}
		x, y, r := v/t, v*v/t, 1-g0/t
		w := d.weight[i]
		m[0][0] += w * x * x
		m[0][1] += w * x * y
		m[1][1] += w * y * y
		m[0][2] += w * x * r
		m[1][2] += w * y * r
	}
	det := m[0][0]*m[1][1] - m[0][1]*m[0][1]
	q := quadratic{g0, (m[0][2]*m[1][1] - m[0][1]*m[1][2]) / det, (m[0][0]*m[1][2] - m[0][1]*m[0][2]) / det}
	return q, q.positive(d.vmax)
}

// section factors both sides; false if rounding left it unstable.
func (d *design) section() (Section, bool) {
	ga, a1, a2 := d.den.factor(d.u0)
	var gb, b1, b2 float64
	switch d.b.Shape {
	case LowCut: // v² = ((1-z⁻¹)²/(4·u0))²
		gb, b1, b2 = 1/(4*d.u0), -2, 1
	case Notch: // (1-v)² = ((1 - 2·cos(ω0)·z⁻¹ + z⁻²)/(4·u0))²
		gb, b1, b2 = 1/(4*d.u0), -2*(1-2*d.u0), 1
	default:
		gb, b1, b2 = d.num.factor(d.u0)
	}
	g := gb / ga
	s := Section{g, g * b1, g * b2, a1, a2}
	return s, math.Abs(a2) < 1 && math.Abs(a1) < 1+a2 && !math.IsNaN(g)
}
